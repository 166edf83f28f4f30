"""A receiver's clock that is set, free-running or an epoch off loses nothing and moves nothing but itself.

Every case is made from the bytes of a log whose truth is known: what was sent when, how far the clock was off then.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from tests.nmea_builders import journal_line, sentence, tag_block
from tests.prepare.receiver_logs import START_S, Recording, clock, gga, health_of, located, place, rmc
from trialcapture.prepare.clocks.receiver_clocks import GNSS_LATENCY_S

Floats = npt.NDArray[np.float64]

KINDS = ("journal", "wall", "plain")
SIZES_S = (3600.0, -3600.0, 900.0, -60.0, 18.0, -18.0, 5.0, 1.0, -1.0, 7.37, -86_400.0, 3 * 86_400.0, -1024 * 604_800.0)
NEAR_S = 0.2


def together(errors: dict[str, Floats], *names: str) -> Floats:
    """Errors of several streams as one."""
    return np.concatenate([errors[name] for name in names or tuple(errors)])


def check(recording: Recording, *, utc_s: float | None = 0.0) -> None:
    """Nothing is lost, all of it is right to itself, and to UTC but for `utc_s`; None leaves that open."""
    tables, _, _ = located(recording.written())
    errors = recording.errors_s(tables)
    own = together(errors, *(name for name in errors if not name.startswith("HE")))
    assert not np.isnan(together(errors)).any()
    assert np.ptp(own) < NEAR_S
    if utc_s is not None:
        assert np.abs(own - utc_s).max() < NEAR_S
    # what carries no time is placed by receipt, or by its order in a log without stamps
    late_s = errors["HEHDT"] - np.median(own) - (GNSS_LATENCY_S - 0.12 if recording.kind != "plain" else 0.1)
    assert np.abs(late_s).max() < NEAR_S


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("size_s", SIZES_S)
def test_a_step_of_any_size_loses_nothing_and_is_named(kind: str, size_s: float) -> None:
    recording = Recording(kind, steps={300: size_s})
    check(recording, utc_s=None if kind == "plain" else 0.0)
    steps = [s for s in health_of(recording.written()).clock_steps if "GP" in s.what]
    assert [s.size_s for s in steps] == [pytest.approx(size_s, abs=0.15)]
    assert steps[0].at_ns is not None
    # in a log without stamps nothing but the receiver tells UTC, and it is right afterwards, unless epochs behind
    shown_s = size_s if kind == "plain" and size_s > -1e8 else 0.0
    assert steps[0].at_ns / 1e9 - START_S == pytest.approx(300 + shown_s, abs=0.3)
    assert steps[0].cause
    assert steps[0].cost


@pytest.mark.parametrize("kind", KINDS)
def test_a_step_there_and_back_is_two_steps_and_utc_is_what_it_came_back_to(kind: str) -> None:
    recording = Recording(kind, steps={200: 3600.0, 400: -3600.0})
    check(recording)
    assert [s.size_s for s in health_of(recording.written()).clock_steps] == [3600.0, -3600.0]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seconds", [2, 4, 7, 30])
def test_a_short_spell_of_another_time_is_placed_where_it_belongs(kind: str, seconds: int) -> None:
    check(Recording(kind, steps={300: 3600.0, 300 + seconds: -3600.0}))


@pytest.mark.parametrize("kind", KINDS)
def test_the_other_receiver_shows_which_time_is_right(kind: str) -> None:
    for recording in (
        Recording(kind, steps={500: 3600.0}, second={}),
        Recording(kind, steps={}, second={100: -3600.0}),
        Recording(kind, steps={550: 1.0}, second={}),
        Recording(kind, steps={}, second={0: 18.0}),
        Recording(kind, steps={}, second={0: -1024 * 604_800.0}),
        Recording(kind, steps={0: -1024 * 604_800.0}, second={}),
    ):
        check(recording)


@pytest.mark.parametrize("kind", ["journal", "wall"])
@pytest.mark.parametrize("wall_at", [300, 420])
@pytest.mark.parametrize("sizes_s", [(3600.0, -7200.0), (-3600.0, 7200.0), (-18.0, 37.0), (3600.0, 3600.0)])
def test_a_step_of_both_clocks_is_told_apart(kind: str, wall_at: int, sizes_s: tuple[float, float]) -> None:
    if kind == "wall" and sizes_s[0] == sizes_s[1] and wall_at == 300:
        pytest.skip("both clocks of the log jump by the same at once: a pause of the recording looks just so")
    recording = Recording(kind, steps={300: sizes_s[0]}, wall_steps={wall_at: sizes_s[1]})
    check(recording, utc_s=None)
    sizes = {s.what.split(" of ")[0]: s.size_s for s in health_of(recording.written()).clock_steps}
    assert sizes == {"time": sizes_s[0], "wall clock": pytest.approx(sizes_s[1], abs=0.5)}


@pytest.mark.parametrize("size_s", [3600.0, -7200.0])
def test_a_wall_clock_that_is_set_is_told_and_costs_nothing_in_a_journal(size_s: float) -> None:
    recording = Recording("journal", wall_steps={300: size_s})
    check(recording)
    (step,) = health_of(recording.written()).clock_steps
    assert step.what == "wall clock of the recording computer"
    assert step.cost.startswith("none")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("until", [50, 450])
@pytest.mark.parametrize(
    "begin_s", [315_964_805.3, START_S - 500_000.2, START_S + 40.0]
)  # 1980-01-06, last known, near
def test_a_clock_that_runs_free_until_the_first_fix_does_not_decide_utc(kind: str, until: int, begin_s: float) -> None:
    """From 1980-01-06, the first day of GPS time; from the time last known; from a time nearby."""
    ahead_s = begin_s - START_S
    recording = Recording(kind, steps={0: ahead_s, until: -ahead_s}, fixed=lambda i: i >= until)
    check(recording)
    (step,) = health_of(recording.written()).clock_steps
    assert step.cause == "its clock ran free until it had a fix"


@pytest.mark.parametrize("kind", KINDS)
def test_a_time_told_after_the_fix_was_lost_does_not_decide_utc_either(kind: str) -> None:
    check(Recording(kind, steps={500: -500_000.2}, fixed=lambda i: i < 500))


@pytest.mark.parametrize("kind", ["journal", "wall"])
@pytest.mark.parametrize("size_s", [3600.0, -20.0, 0.0])
def test_a_receiver_that_restarts_after_a_silence_is_said_to(kind: str, size_s: float) -> None:
    recording = Recording(kind, steps={330: size_s}, silent=[(300, 330)])
    check(recording)
    assert [r.size_s for r in health_of(recording.written()).restarts] == ([size_s] if size_s else [])


@pytest.mark.parametrize("size_s", [3600.0, -20.0])
def test_a_silence_and_a_step_in_a_plain_log_are_bridged_by_the_other_lines(size_s: float) -> None:
    recording = Recording("plain", steps={330: size_s}, silent=[(300, 330)])
    tables, _, _ = located(recording.written())
    errors = recording.errors_s(tables)
    own = together(errors, "GPRMC", "GPGGA")
    assert np.ptp(own) < NEAR_S
    # within the silence the lines of others are spread evenly
    assert np.abs(errors["HEHDT"] - np.median(own)).max() < 1.0


FREEZES = {
    "once": [(200, 450)],
    "from the start": [(0, 150)],
    "until the end": [(430, 600)],
    "twice": [(100, 200), (330, 480)],
    "for half a minute": [(300, 330)],
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("is_lost", [True, False], ids=["all of it", "its time alone"])
@pytest.mark.parametrize("second", [None, {}], ids=["alone", "beside another"])
@pytest.mark.parametrize("spans", FREEZES.values(), ids=FREEZES)
def test_a_time_that_stands_still_costs_nothing_else_and_is_named(
    kind: str, is_lost: bool, second: dict[int, float] | None, spans: list[tuple[int, int]]
) -> None:
    recording = Recording(kind, frozen=spans, is_lost=is_lost, second=second, has_zda=True)
    tables, placing, _ = located(recording.written())
    errors = recording.errors_s(tables)
    assert not np.isnan(together(errors)).any()
    # in a log without stamps the lines alone tell what time it is
    assert np.abs(together(errors)).max() < (1.3 if kind == "plain" else 2.0 * NEAR_S)
    health = health_of(recording.written())
    assert [s.what for s in health.stuck] == ["time of " + key for key in placing.stopped for _ in spans]
    for stuck, (start, stop) in zip(health.stuck, spans, strict=True):
        assert "GP" in stuck.what
        assert stuck.start_ns / 1e9 - START_S == pytest.approx(start, abs=3.0)
        assert stuck.stop_ns / 1e9 - START_S == pytest.approx(stop - 1, abs=3.0)
        assert (stuck.value - START_S) % 86_400.0 == pytest.approx(start, abs=0.01)
    assert (health.clock_steps, health.restarts, health.spikes, health.holes) == ((), (), (), ())


@pytest.mark.parametrize("kind", KINDS)
def test_a_receiver_that_thaws_with_the_time_it_froze_at_was_set(kind: str) -> None:
    recording = Recording(kind, frozen=[(200, 300)], steps={300: -100.0}, second={})
    tables, _, _ = located(recording.written())
    assert np.abs(together(recording.errors_s(tables))).max() < (1.3 if kind == "plain" else 2.0 * NEAR_S)
    health = health_of(recording.written())
    assert [s.size_s for s in health.clock_steps] == [pytest.approx(-100.0, abs=0.5)]
    assert len(health.stuck) == 1


INTERLEAVED_S = 120


def interleaved(kind: str, devices: list[tuple[float, float, float, float]], *, whole: bool = False) -> bytes:
    """A log of devices under one name: rate [Hz], delay [s], how far aside [m], and share of sentences sent again."""
    rng = np.random.default_rng(5)
    sent = [(i / 20, sentence(f"HEHDT,{i % 360}.0,T")) for i in range(20 * INTERLEAVED_S)]
    for rate_hz, delay_s, aside_m, again in devices:
        for i in range(int(INTERLEAVED_S * rate_hz)):
            at = i / rate_hz
            told = float(int(at)) if whole else at
            late = at + delay_s + float(rng.exponential(0.005))
            payload = rmc(START_S + told, 8.0 * at + aside_m, 8.0)
            sent += [(late, payload)] + ([(late + 0.01, payload)] if rng.random() < again else [])
    lines = []
    for since_s, payload in sorted(sent):
        wall_ms = round((START_S + since_s) * 1000)
        if kind == "journal":
            lines.append(journal_line(payload, source="bus", wall_ms=wall_ms, mono_us=round(since_s * 1e6)))
        elif kind == "wall":
            lines.append(tag_block(f"s:bus,c:{wall_ms}") + payload)
        else:
            lines.append(payload)
    return b"".join(lines)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "devices",
    [
        [(1.0, 0.1, 0.0, 0.0), (1.0, 0.2, 4.0, 0.0)],
        [(5.0, 0.1, 0.0, 0.0), (1.0, 0.25, 4.0, 0.0)],
        [(5.0, 0.1, 0.0, 0.0), (5.0, 0.5, 4.0, 0.0)],
        [(10.0, 0.1, 0.0, 0.0), (1.0, 0.25, 4.0, 0.0)],
    ],
)
def test_two_devices_under_one_name_are_told(kind: str, devices: list[tuple[float, float, float, float]]) -> None:
    (item,) = health_of(interleaved(kind, devices)).disagreements
    assert item.what.endswith("/GP")
    assert "second device" in item.against
    assert item.size == pytest.approx(4.0, abs=0.1)
    assert item.action == "warning"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate_hz", [1.0, 1.2, 2.0, 5.0, 10.0])
@pytest.mark.parametrize("whole", [False, True], ids=["fine", "whole seconds"])
def test_one_device_is_not_taken_for_two(kind: str, rate_hz: float, whole: bool) -> None:
    for again in (0.0, 0.3, 1.0):
        assert health_of(interleaved(kind, [(rate_hz, 0.1, 0.0, again)], whole=whole)).disagreements == ()


@pytest.mark.parametrize("kind", KINDS)
def test_a_receiver_with_zda_steps_alike(kind: str) -> None:
    check(Recording(kind, steps={300: -3600.0}, has_zda=True), utc_s=None)


def test_a_pause_of_a_plain_log_stays_a_pause_and_is_told() -> None:
    first, second = Recording("plain", seconds=300), Recording("plain", seconds=900)
    lines = second.written().splitlines(keepends=True)
    data = first.written() + b"".join(lines[len(lines) // 3 * 2 :])
    tables, placing, _ = located(data)
    t_s = np.asarray(tables["RMC"]["t_ns"].combine_chunks()).astype(np.float64) / 1e9 - START_S
    assert np.allclose(t_s, np.concatenate([np.arange(300), np.arange(600, 900)]), atol=0.01)
    health = health_of(data)
    assert not health.clock_steps
    (hole,) = health.holes
    assert (hole.stop_ns - hole.start_ns) / 1e9 == pytest.approx(301.0)
    assert placing.clock == "order"


def test_without_motion_a_plain_log_takes_what_goes_back_for_a_step_and_what_leaps_ahead_for_a_pause() -> None:
    back = Recording("plain", steps={300: -3600.0}, speed_m_per_s=0.0)
    check(back, utc_s=None)
    ahead = health_of(Recording("plain", steps={300: 3600.0}, speed_m_per_s=0.0).written())
    assert not ahead.clock_steps
    assert len(ahead.holes) == 1


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_not_broken_has_a_clean_bill(kind: str) -> None:
    for recording in (Recording(kind), Recording(kind, second={}), Recording(kind, has_zda=True, seed=2)):
        check(recording)
        health = health_of(recording.written())
        assert not [*health.clock_steps, *health.restarts, *health.disagreements, *health.rejected]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("kind", KINDS)
def test_steps_drawn_at_random(kind: str, seed: int) -> None:
    """Sizes over all orders of magnitude, both ways, one receiver or two, the wall clock set now and then."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    whole = float(np.sign(rng.random() - 0.5)) * np.rint(10.0 ** rng.uniform(0.4, 3.6, 3))
    at = np.sort(rng.choice(np.arange(40, 560, 20), 3, replace=False))
    steps = {int(a): float(w) for a, w in zip(at, whole, strict=True)}
    wall = {int(rng.integers(30, 570)): float(rng.normal(0.0, 2000.0))} if kind == "journal" else {}
    second = {} if rng.random() < 0.5 else None
    recording = Recording(kind, steps=steps, wall_steps=wall, second=second, seed=seed)
    check(recording, utc_s=None if second is None else 0.0)


@pytest.mark.parametrize("kind", ["journal", "wall", "plain"])
@pytest.mark.parametrize("size_s", [-1.0, 1.0])
def test_a_time_a_second_off_now_and_then_moves_no_fix(kind: str, size_s: float) -> None:
    at = range(40, 560, 37)
    steps = dict.fromkeys(at, size_s) | {i + 1: -size_s for i in at}
    recording = Recording(kind, steps=steps)
    check(recording)
    if kind != "plain":
        spikes = {s.what: s.count for s in health_of(recording.written()).spikes}
        assert spikes["time of gps1 GPRMC"] == len(at)


def test_held_up_sentences_keep_their_own_times() -> None:
    """A gateway that keeps back what comes for a second and a half, then sends it at once."""
    recording = Recording("journal")
    lines = []
    for since_s, _, source, payload, _ in recording.sent():
        held_s = 201.9 if 200.4 < since_s < 201.9 else since_s
        wall_ms = round((START_S + held_s) * 1000)
        lines.append(journal_line(payload, source=source, wall_ms=wall_ms, mono_us=round(held_s * 1e6)))
    data = b"".join(lines)
    errors = recording.errors_s(located(data)[0])
    assert np.abs(together(errors, "GPRMC", "GPGGA")).max() < 1e-6
    assert not health_of(data).spikes


@pytest.mark.parametrize(("ppm", "named"), [(80.0, False), (1500.0, True)])
def test_a_receiver_whose_time_drifts_is_named(ppm: float, named: bool) -> None:
    recording = Recording("journal", seconds=900, steps=dict.fromkeys(range(900), -ppm * 1e-6))
    off = [d for d in health_of(recording.written()).disagreements if "rate" in d.what]
    assert bool(off) == named
    assert all(d.size == pytest.approx(-ppm, rel=0.05) for d in off)


@pytest.mark.parametrize(
    "stamp",
    ["240000.00", "235960.00", "000000.00", "999999.99", "", "abc"],
)
def test_a_time_that_cannot_be_costs_itself_only(stamp: str) -> None:
    lines = Recording("journal", seconds=60).sent()
    odd = sentence(f"GPGGA,{stamp},{place(0.0)},1,12,1.1,3.4,M,48.2,M,,")
    data = Recording("journal", seconds=60).written() + odd
    tables, _, _ = located(data)
    assert tables["RMC"]["t_ns"].null_count == 0
    assert tables["HDT"]["t_ns"].null_count == 0
    assert len(lines) == 60 * 4


@pytest.mark.parametrize("date", ["000000", "310226", "999999", "010100", "060180", "311299", ""])
@pytest.mark.parametrize("kind", KINDS)
def test_a_date_that_cannot_be_does_not_stop_the_work(kind: str, date: str) -> None:
    recording = Recording(kind, seconds=60)
    odd = b"".join(sentence(f"GPRMC,{clock(START_S + i)},A,{place(8.0 * i)},15.6,0.0,{date},,,A") for i in range(60))
    tables, _, _ = located(odd + recording.written())
    assert tables["HDT"]["t_ns"].null_count == 0


def test_times_of_day_without_any_date_are_placed_on_a_day_that_is_named() -> None:
    data = b"".join(gga(START_S + i, 8.0 * i) + sentence("HEHDT,90.0,T") for i in range(120))
    tables, _, warnings = located(data)
    t_s = np.asarray(tables["GGA"]["t_ns"].combine_chunks()).astype(np.float64) / 1e9
    assert np.allclose(t_s, START_S % 86_400 + np.arange(120))
    assert tables["HDT"]["t_ns"].null_count == 0
    assert any("no sentence in this log carries a date" in w for w in warnings)


def test_a_fix_without_a_time_is_placed_by_its_receipt() -> None:
    lines = []
    for i in range(60):
        lines.append(rmc(START_S + i, 8.0 * i, 8.0) + sentence(f"GPGLL,{place(8.0 * i)},,A,A"))
    tables, _, _ = located(b"".join(lines))
    t_s = np.asarray(tables["GLL"]["t_ns"].combine_chunks()).astype(np.float64) / 1e9 - START_S
    assert np.abs(t_s - np.arange(60)).max() < 1.0
    assert tables["GLL"]["t_ns"].null_count == 0
