"""What clocks do in the field, one case at a time, from the bytes of a journal to the UTC of every sentence."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pytest

from tests.nmea_builders import journal_line, sentence
from tests.prepare.receiver_logs import health_of
from tests.prepare.whole_logs import assign_utc_to_log
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.prepare.clocks.receiver_clocks import GNSS_LATENCY_S, GNSS_LATENCY_U_S, envelope_latency_u_s

START = datetime(2026, 5, 14, 9, 0, 0, tzinfo=UTC).timestamp()
LATE_S = 0.12
_FIX = "4818.74788,N,00754.32429,W"


def rmc(utc_s: float, told: str | None = None) -> bytes:
    at = datetime.fromtimestamp(utc_s, UTC)
    return sentence(f"GPRMC,{told or f'{at:%H%M%S}.00'},A,{_FIX},12.3,45.0,{at:%d%m%y},,,A")


def gga(utc_s: float) -> bytes:
    return sentence(f"GPGGA,{datetime.fromtimestamp(utc_s, UTC):%H%M%S}.00,{_FIX},1,12,1.1,3.4,M,48.2,M,,")


HEADING = sentence("HEHDT,90.0,T")


def journal(
    sent: Iterable[tuple[float, bytes]],
    *,
    start: float = START,
    drift_ppm: float = 0.0,
    wall_step_s: Callable[[float], float] = lambda _: 0.0,
    seed: int = 1,
) -> bytes:
    """Lines as recorded: (seconds since the start at which a sentence was sent, its bytes), received a little late."""
    rng = np.random.default_rng(seed)
    lines = []
    for since_s, payload in sent:
        mono = (since_s + float(rng.exponential(0.01))) * (1.0 + drift_ppm * 1e-6)
        wall = start + mono + wall_step_s(mono)
        lines.append(journal_line(payload, wall_ms=round(wall * 1000), mono_us=round(mono * 1e6)))
    return b"".join(lines)


def placed(data: bytes) -> tuple[dict[str, pa.Table], list[str]]:
    tables, _, _ = decode_nmea(data, source="log")
    result, _, warnings, _ = assign_utc_to_log(tables, {})
    return result, warnings


def utc_s(table: pa.Table) -> npt.NDArray[np.float64]:
    return np.asarray(table["t_ns"].combine_chunks()).astype(np.float64) / 1e9


def ordinary(seconds: int, start: float = START, silent: tuple[int, int] = (0, 0)) -> list[tuple[float, bytes]]:
    """A time each second, a heading between, the receiver silent for a while."""
    out: list[tuple[float, bytes]] = []
    for i in range(seconds):
        if not silent[0] <= i < silent[1]:
            out += [(i + LATE_S, rmc(start + i)), (i + LATE_S + 0.02, gga(start + i))]
        out.append((i + 0.5, HEADING))
    return out


def headings_off_s(tables: dict[str, pa.Table], start: float = START) -> npt.NDArray[np.float64]:
    """How far headings, sent each second at the half, stand from there, the usual delay of a receiver taken out."""
    found = utc_s(tables["HDT"]) - start - (GNSS_LATENCY_S - LATE_S)
    off: npt.NDArray[np.float64] = found - np.arange(found.size) - 0.5
    return off


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 90_000.0])
def test_a_wall_clock_set_by_an_hour_changes_no_result_at_all(step_s: float) -> None:
    calm, _ = placed(journal(ordinary(900)))
    stepped, warnings = placed(journal(ordinary(900), wall_step_s=lambda mono: step_s if mono > 400 else 0.0))
    for name in ("RMC", "GGA", "HDT"):
        assert stepped[name]["t_ns"].equals(calm[name]["t_ns"])
    assert not any("UTC was" in w for w in warnings)


def test_over_midnight_headings_and_undated_times_run_on() -> None:
    start = datetime(2026, 5, 14, 23, 55, 0, tzinfo=UTC).timestamp()
    tables, _ = placed(journal(ordinary(600, start), start=start))
    assert np.allclose(utc_s(tables["GGA"]) - start, np.arange(600))
    assert np.abs(headings_off_s(tables, start)).max() < 0.1


def test_over_new_year_the_date_runs_on() -> None:
    start = datetime(2026, 12, 31, 23, 58, 0, tzinfo=UTC).timestamp()
    tables, _ = placed(journal(ordinary(240, start), start=start))
    assert np.allclose(utc_s(tables["RMC"]) - start, np.arange(240))
    assert np.allclose(utc_s(tables["GGA"]) - start, np.arange(240))


@pytest.mark.parametrize("epochs", [1, 2])
def test_a_date_whole_epochs_old_is_put_right_though_the_wall_clock_is_stepped_and_midnight_passes(epochs: int) -> None:
    start = datetime(2026, 5, 14, 23, 57, 0, tzinfo=UTC).timestamp()
    old = start - epochs * 1024 * 7 * 86_400  # the week number of the GPS message has ten bits (IS-GPS-200)
    data = journal(ordinary(400, old), start=start, wall_step_s=lambda mono: 3600.0 if mono > 200 else 0.0)
    tables, _ = placed(data)
    assert np.allclose(utc_s(tables["RMC"]) - start, np.arange(400))
    assert np.allclose(utc_s(tables["GGA"]) - start, np.arange(400))
    assert any(f"{epochs * 1024} weeks" in step.cause for step in health_of(data).clock_steps)


def test_a_time_with_second_sixty_is_the_midnight_it_stands_for() -> None:
    start = datetime(2026, 12, 31, 23, 59, 0, tzinfo=UTC).timestamp()
    sent = [(s, rmc(start + 59, told="235960.00") if s == 60 + LATE_S else line) for s, line in ordinary(300, start)]
    tables, _ = placed(journal(sent, start=start))
    # either it is not believed, or it is what POSIX makes of it: the instant after 23:59:59
    told = tables["RMC"]["t_ns"].to_pylist()
    assert told[60] in (None, round((start + 60) * 1e9))
    assert told[59] == round((start + 59) * 1e9)
    assert told[61] == round((start + 61) * 1e9)
    assert np.abs(headings_off_s(tables, start)).max() < 0.1


def test_a_leap_second_moves_nothing_before_it() -> None:
    """23:59:60 UTC: the clock of the computer runs one second more than UTC's count of seconds shows."""
    start = datetime(2026, 12, 31, 23, 50, 0, tzinfo=UTC).timestamp()
    sent: list[tuple[float, bytes]] = []
    for i in range(1200):
        if i < 600:
            time = rmc(start + i)
        elif i == 600:
            time = rmc(start + 599, told="235960.00")
        else:
            time = rmc(start + i - 1)
        sent += [(i + LATE_S, time), (i + 0.5, HEADING)]
    tables, _ = placed(journal(sent, start=start))
    told = tables["RMC"]["t_ns"].to_pylist()
    assert told[599] == round((start + 599) * 1e9)
    assert told[600] in (None, round((start + 600) * 1e9))
    assert told[601] in (None, round((start + 600) * 1e9))
    off = headings_off_s(tables, start)
    assert np.abs(off[:590]).max() < 0.1
    assert np.abs(off[610:] + 1.0).max() < 0.1
    assert ((off > -1.1) & (off < 0.1)).all()


@pytest.mark.parametrize("drift_ppm", [-100.0, 0.0, 100.0])
def test_an_outage_of_minutes_is_bridged_by_the_monotonic_clock(drift_ppm: float) -> None:
    tables, _ = placed(journal(ordinary(2400, silent=(900, 1500)), drift_ppm=drift_ppm))
    off = headings_off_s(tables)
    assert np.abs(off).max() < 0.1
    assert tables["RMC"].num_rows == 1800
    assert tables["HDT"].num_rows == 2400


def test_an_outage_at_the_end_is_bridged_by_the_drift_known_till_then() -> None:
    tables, _ = placed(journal(ordinary(3600, silent=(3000, 3600)), drift_ppm=80.0))
    assert np.abs(headings_off_s(tables)).max() < 0.1


def test_a_clock_100_ppm_fast_for_eight_hours_costs_nothing() -> None:
    seconds = 8 * 3600
    sent: list[tuple[float, bytes]] = []
    for i in range(0, seconds, 5):
        sent += [(i + LATE_S, rmc(START + i)), (i + 0.5, HEADING)]
    tables, _ = placed(journal(sent, drift_ppm=100.0))
    off = utc_s(tables["HDT"]) - START - np.arange(0, seconds, 5) - 0.5 - (GNSS_LATENCY_S - LATE_S)
    # 100 ppm over eight hours are 2.9 s, of which a tenth of a second may be left
    assert np.abs(off).max() < 0.1
    assert np.polyfit(np.arange(off.size) * 5.0, off, 1)[0] * 1e6 == pytest.approx(0.0, abs=3.0)


def test_a_resumed_session_begins_its_monotonic_clock_anew_and_runs_on() -> None:
    first = journal(ordinary(600))
    gap_s = 300
    later = START + 600 + gap_s
    tables, _ = placed(first + journal(ordinary(600, later), start=later, seed=2))
    found = utc_s(tables["HDT"]) - START - 0.5 - (GNSS_LATENCY_S - LATE_S)
    expected = np.concatenate([np.arange(600), np.arange(600) + 600 + gap_s])
    assert np.abs(found - expected).max() < 0.1


def test_one_of_two_receivers_whose_date_is_whole_epochs_old_is_put_right_and_told_once() -> None:
    sent = []
    for i in range(400):
        other = rmc(START + i).partition(b"*")[0].replace(b"$GPRMC", b"GNRMC").decode()
        sent += [
            (i + LATE_S, rmc(START + i - 1024 * 7 * 86_400)),
            (i + LATE_S + 0.3, sentence(other)),
            (i + 0.5, HEADING),
        ]
    data = journal(sent)
    tables, _ = placed(data)
    assert np.abs(headings_off_s(tables)).max() < 0.1
    [step] = health_of(data).clock_steps
    assert step.what == "date of gps1/GP"
    assert "1024 weeks off (GPS week rollover)" in step.cause


@pytest.mark.parametrize(
    ("declared_s", "latency_u_s"), [(None, GNSS_LATENCY_U_S), (0.05, 0.02), (0.1, 0.02), (0.5, 0.1)]
)
def test_the_least_latency_is_in_the_uncertainty_of_a_receivers_offset(
    declared_s: float | None, latency_u_s: float
) -> None:
    """Delays only add, so nothing received shows the least of them: it is declared to a fifth, or usual."""
    assert envelope_latency_u_s("gps1/GP", {} if declared_s is None else {"gps1": declared_s}) == latency_u_s
    # a third of a second, as cheap receivers take, is within two of the usual one
    assert abs(0.33 - GNSS_LATENCY_S) < 2.0 * GNSS_LATENCY_U_S
