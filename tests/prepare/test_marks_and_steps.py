"""Marks on the computer's clock come to UTC the right way round, and every clock that was set back is cut there."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pytest

from tests.nmea_builders import journal_line, sentence
from tests.prepare.plain_boat import recorded
from tests.prepare.test_log_alignment import CONFIG, align, blips_s, log_table
from tests.prepare.test_log_marks import blipped
from trialcapture.config import load_config
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.prepare.clocks.downsampled_index import index_block, join_indexes
from trialcapture.prepare.clocks.log_clock import find_cuts, fit_by_marks
from trialcapture.prepare.clocks.receiver_clocks import GNSS_LATENCY_S
from trialcapture.prepare.clocks.receiver_steps import TimeCorrection, TimedSentences, choose_level, describe_steps
from trialcapture.prepare.clocks.sentence_times import monotone_axis
from trialcapture.prepare.data_health import ClockStep
from trialcapture.prepare.trial_alignment import align_trial

Ints = npt.NDArray[np.int64]
UTC0_S = 1_790_000_000
ONE_ENGINE = load_config(
    """
[[engine]]
id = "main"
rated_rpm = 3000
[[engine_log]]
files = "log.csv"
columns = { time = "t", rpm_main = { name = "a", unit = "rpm" } }
"""
)


def rmc(utc_s: float) -> bytes:
    at = datetime.fromtimestamp(utc_s, UTC)
    return sentence(f"GPRMC,{at:%H%M%S}.00,A,4818.74788,N,00754.32429,W,12.3,45.0,{at:%d%m%y},,,A")


def test_a_mark_is_placed_by_the_computers_clock_and_that_by_when_sentences_arrive() -> None:
    """A receiver's sentence tells of a moment about 0.1 s before it is received, so the computer's clock at that
    instant belongs to a time that much later than the sentence tells."""
    wall_ahead_s = 37.0
    log_ns, rpm, marks_ns = blipped([100.0, 110.3, 123.6, 850.0, 861.5], 1000.0, 0.0, 4)
    lines = []
    for i in range(3500, 4700):
        received_s = i + GNSS_LATENCY_S
        wall_ms = round((UTC0_S + received_s + wall_ahead_s) * 1000.0)
        lines.append(journal_line(rmc(UTC0_S + i), wall_ms=wall_ms, mono_us=round(received_s * 1e6)))
    tables, _, _ = decode_nmea(b"".join(lines), source="log")
    outline = join_indexes([index_block(tables)])
    log = pa.table({"row": np.arange(log_ns.size), "t_log_ns": log_ns, "rpm_main": rpm})
    found = align_trial(
        [("raw/nmea.log", outline)],
        [("log.csv", ONE_ENGINE.engine_log[0], log)],
        ONE_ENGINE,
        marks_ns=[int(m) + round(wall_ahead_s * 1e9) for m in marks_ns],
    )
    [run] = found.fits["log.csv"].runs
    assert run.fit.method == "marks"
    assert run.fit.offset_s == pytest.approx(fit_by_marks(marks_ns, log_ns, rpm).offset_s, abs=0.03)


@pytest.mark.parametrize("back_s", [7200.0, 300.0])
def test_a_log_whose_clock_was_set_back_is_matched_by_its_longest_run(back_s: float) -> None:
    """The first tenth was logged before the clock was set: it would take the place of rows that come later."""
    trial = recorded(53)
    log = log_table(trial)
    stamps = trial.log_ns.copy()
    first = stamps.size // 10
    early = stamps[:first] + round(back_s * 1e9)
    log = log.set_column(0, "t_log_ns", pa.array(np.concatenate([early, stamps[first:]])))
    _, row, _ = align(trial, log, marks_s=blips_s(trial), config=CONFIG)
    _, whole, _ = align(trial, log_table(trial).slice(first), config=CONFIG)
    assert whole.offset_s is not None
    # told at the log's first row, whose stamp is that much later; the drift of the fit counts over it
    assert row.offset_s is not None
    assert row.offset_s == pytest.approx(trial.offset_s, abs=2.5)


@pytest.mark.parametrize(
    ("period_s", "step_s", "is_cut"),
    [
        (1.0, -3600.0, True), (1.0, -20.0, True), (1.0, -3.0, True),
        # a tenth of a second between rows: set back by less than the jitter of stamps, but more than rounding does
        (0.1, -0.75, True), (0.1, -0.55, False),
        (1.0, 0.0, False), (1.0, 1.0, False), (1.0, 3.0, True),
    ],
)  # fmt: skip
def test_a_step_of_a_logs_clock_is_a_cut_from_a_second_on(period_s: float, step_s: float, is_cut: bool) -> None:
    t_s = np.arange(2000) * period_s
    t_s[1200:] += step_s
    cuts = find_cuts(np.rint((UTC0_S + t_s) * 1e9).astype(np.int64))
    assert cuts is not None
    assert cuts.at.tolist() == ([1200] if is_cut else [])


@pytest.mark.parametrize(("back_ms", "is_cut"), [(90, False), (110, True), (3_600_000, True)])
def test_a_computers_clock_set_back_by_more_than_a_tenth_of_a_second_is_taken_out(back_ms: int, is_cut: bool) -> None:
    received = UTC0_S * 10**9 + np.arange(100, dtype=np.int64) * 50_000_000
    received[60:] -= back_ms * 1_000_000 + 50_000_000
    axis, breaks = monotone_axis(received)
    assert breaks.size == int(is_cut)
    if is_cut:
        # what follows a set-back goes on from where the clock was, at its own pace
        assert np.all(np.diff(axis) > 0)
        assert np.array_equal(np.delete(np.diff(axis), 59), np.full(98, 50_000_000))
        assert int(breaks[0]) == int(axis[60])
    else:
        assert np.array_equal(axis, received)


EACH = 40
"""Sentences of each level, one a second."""


def stepped(
    added_s: list[float], wall_off_s: float | None = None, gap_s: float = 1.0
) -> tuple[TimedSentences, TimeCorrection]:
    """A receiver with a fix whose own time steps; the computer's clock is that far off the time of the first level."""
    count = len(added_s)
    n = EACH * count
    level = np.repeat(np.arange(count), EACH)
    axis_ns = np.arange(n, dtype=np.int64) * 10**9 + np.rint(level * (gap_s - 1.0) * 1e9).astype(np.int64)
    added_ns = np.rint(np.array(added_s) * 1e9).astype(np.int64)
    utc_ns = UTC0_S * 10**9 + axis_ns + (added_ns[0] - added_ns[level])
    wall_ns = None if wall_off_s is None else UTC0_S * 10**9 + axis_ns + round(wall_off_s * 1e9)
    known = np.ones(n, dtype=np.bool_)
    timed = TimedSentences(axis_ns, utc_ns, wall_ns, known, np.full(n, 54.0), np.full(n, 9.0), judges=True)
    starts = [-(1 << 62), *(int(axis_ns[EACH * k]) for k in range(1, count))]
    return timed, TimeCorrection(tuple(starts), tuple(added_ns.tolist()))


@pytest.mark.parametrize(
    ("added_s", "wall_off_s", "others_s", "expected"),
    [
        ([0.0], None, [], (0, "")),
        # the computer's clock decides within half a second, or within five where the other times are far from it
        ([3.0, 0.0], 0.45, [], (0, "that agrees with the computer's clock")), ([3.0, 0.0], 0.6, [], (1, "after it")),
        ([70.0, 0.0], 4.9, [], (0, "that agrees with the computer's clock")), ([70.0, 0.0], 5.1, [], (1, "after it")),
        ([52.0, 0.0], 4.0, [], (1, "after it")),
        # another receiver decides first, within a second and a half
        ([3.4, 0.0], None, [("gps2", -1.7)], (1, "after it")),
        ([3.4, 0.0], None, [("gps2", -2.0)], (0, "that agrees with gps2")),
        ([3.0, 0.0], 0.1, [("gps2", 0.1)], (1, "that agrees with gps2")),
        # a time that it came back to, but not one that merely went on
        ([0.0, 5.0, 0.0], None, [], (2, "that it came back to")), ([0.0, 0.3, 5.0], None, [], (2, "after it")),
        ([9.0, 5.0, 0.0], None, [], (2, "after it")),
    ],
)  # fmt: skip
def test_which_of_a_receivers_times_is_utc(
    added_s: list[float], wall_off_s: float | None, others_s: list[tuple[str, float]], expected: tuple[int, str]
) -> None:
    assert choose_level(*stepped(added_s, wall_off_s), others_s) == expected


LEAP = "the receiver's UTC was whole seconds off, as before it has learned the leap seconds, and was put right"


@pytest.mark.parametrize(
    ("size_s", "gap_s", "cause"),
    [
        # 18 leap seconds since 1980; the satellites tell them every 12.5 minutes (IS-GPS-200, from memory)
        (18.0, 1.0, LEAP), (-2.0, 1.0, LEAP), (1.0, 1.0, LEAP), (20.0, 1.0, LEAP),
        (21.0, 1.0, "it restarted or its clock was set"), (2.5, 1.0, "it restarted or its clock was set"),
        (2.5, 9.0, "it restarted or its clock was set"), (2.5, 11.0, "it restarted"),
        (1024 * 7 * 86_400.0, 1.0, "its week count moved by 1024 weeks"),
    ],
)  # fmt: skip
def test_what_a_step_of_a_receivers_time_comes_from(size_s: float, gap_s: float, cause: str) -> None:
    timed, own = stepped([size_s, 0.0], gap_s=gap_s)
    step = describe_steps("gps/GP", timed, own, None, "after it")[0]
    assert isinstance(step, ClockStep)
    assert step.cause == cause
    assert step.size_s == pytest.approx(size_s)
