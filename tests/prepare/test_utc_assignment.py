"""Every sentence finds its place on UTC: by receipt stamps, by a wall clock only, by nothing but its order."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pytest

from tests.nmea_builders import journal_line, sentence, tag_block
from tests.prepare.receiver_logs import health_of
from tests.prepare.whole_logs import assign_utc_to_log
from trialcapture.config import load_config
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.prepare.channels.series import choose, find_sources, gather_boat, split_sources
from trialcapture.prepare.clocks.downsampled_index import index_block, join_indexes
from trialcapture.prepare.clocks.receiver_clocks import GNSS_LATENCY_S
from trialcapture.prepare.clocks.utc_assignment import assign_utc, find_utc_assignment

START = datetime(2026, 5, 14, 9, 0, 0, tzinfo=UTC)
LATE_S = 0.15


def rmc(utc_s: float, talker: str = "GP", status: str = "A", sog: str = "12.3", date: bool = True) -> bytes:
    at = datetime.fromtimestamp(utc_s, UTC)
    tod = at.strftime("%H%M%S.") + f"{round(at.microsecond / 10_000) % 100:02d}"
    day = at.strftime("%d%m%y") if date else ""
    fix = "4818.74788,N,00754.32429,W" if status == "A" else ",,,"
    return sentence(
        f"{talker}RMC,{tod},{status},{fix},{sog if status == 'A' else ''},45.0,{day},,,{'A' if status == 'A' else 'N'}"
    )


def hdt(value: float) -> bytes:
    return sentence(f"HEHDT,{value:.1f},T")


def placed(data: bytes, latency_s: dict[str, float] | None = None) -> tuple[dict[str, pa.Table], list[str], list[str]]:
    tables, _, _ = decode_nmea(data, source="log")
    result, rows, warnings, _ = assign_utc_to_log(tables, latency_s or {})
    return result, [r.method for r in rows], warnings


def utc_s(table: pa.Table) -> np.ndarray:
    return np.asarray(table["t_ns"].combine_chunks()).astype(np.float64) / 1e9


def journal(step: dict[int, int] | None = None, start: datetime = START, seconds: int = 600) -> bytes:
    """One RMC a second and a heading half a second later, received late on a clock that starts anywhere."""
    lines, wall_off_ms = [], 37_000
    for i in range(seconds):
        wall_off_ms += (step or {}).get(i, 0)
        for payload, after_s in ((rmc(start.timestamp() + i), LATE_S), (hdt(90.0), 0.5 + LATE_S)):
            mono = i + after_s
            wall = round((start.timestamp() + mono) * 1000) + wall_off_ms
            lines.append(journal_line(payload, wall_ms=wall, mono_us=round(mono * 1e6)))
    return b"".join(lines)


@pytest.mark.parametrize("step", [{}, {300: 3_600_000}, {300: -3_600_000}, {100: 500, 400: -86_400_000}])
def test_untimed_sentences_are_placed_by_receipt_whatever_the_wall_clock_does(step: dict[int, int]) -> None:
    tables, methods, _ = placed(journal(step))
    expected = START.timestamp() + np.arange(600) + 0.5 + GNSS_LATENCY_S
    assert np.abs(utc_s(tables["HDT"]) - expected).max() < 0.03
    assert np.abs(utc_s(tables["RMC"]) - START.timestamp() - np.arange(600)).max() < 1e-6
    assert "mono" in methods[0]


@pytest.mark.parametrize("step", [{}, {300: 7_200_000}, {300: -7_200_000}])
def test_with_a_wall_clock_only_its_steps_are_taken_out(step: dict[int, int]) -> None:
    lines = []
    wall_off = 5_000
    for i in range(600):
        wall_off += step.get(i, 0)
        for payload, after in ((rmc(START.timestamp() + i), LATE_S), (hdt(90.0), 0.5 + LATE_S)):
            c = round((START.timestamp() + i + after) * 1000) + wall_off
            lines.append(tag_block(f"s:gps1,c:{c}") + payload)
    tables, methods, _ = placed(b"".join(lines))
    expected = START.timestamp() + np.arange(600) + 0.5 + GNSS_LATENCY_S
    assert np.abs(utc_s(tables["HDT"]) - expected).max() < 0.6
    assert np.median(np.abs(utc_s(tables["HDT"]) - expected)) < 0.03
    assert "wall" in methods[0]


def test_in_a_plain_log_order_places_what_carries_no_time() -> None:
    data = b"".join(rmc(START.timestamp() + i) + hdt(90.0) * 9 for i in range(300))
    tables, methods, _ = placed(data)
    headings = utc_s(tables["HDT"]) - START.timestamp() - GNSS_LATENCY_S
    assert np.allclose(headings, np.repeat(np.arange(300), 9) + np.tile(np.arange(1, 10) / 10.0, 300), atol=0.01)
    assert methods == ["order of lines between timed sentences"]


def test_a_pause_in_a_plain_log_is_not_filled_with_the_lines_before_it() -> None:
    times = [*range(100), *range(2000, 2100)]
    data = b"".join(rmc(START.timestamp() + i) + hdt(90.0) for i in times)
    headings = utc_s(placed(data)[0]["HDT"]) - START.timestamp()
    assert headings[99] < 101.5


def test_midnight_moves_a_time_without_a_date_to_the_next_day() -> None:
    start = datetime(2026, 5, 14, 23, 59, 30, tzinfo=UTC).timestamp()
    data = b""
    for i in range(60):
        at = datetime.fromtimestamp(start + i, UTC)
        data += rmc(start + i)
        data += sentence(f"GPGGA,{at:%H%M%S}.00,4818.74788,N,00754.32429,W,1,12,1.1,3.4,M,48.2,M,,")
    tables, _, _ = placed(data)
    assert np.allclose(utc_s(tables["GGA"]), start + np.arange(60))


def test_a_receiver_without_any_date_is_dated_by_the_wall_clock() -> None:
    lines = []
    for i in range(120):
        c = round((START.timestamp() + i + LATE_S) * 1000)
        lines.append(journal_line(rmc(START.timestamp() + i, date=False), wall_ms=c, mono_us=round((i + LATE_S) * 1e6)))
    tables, _, _ = placed(b"".join(lines))
    assert np.allclose(utc_s(tables["RMC"]), START.timestamp() + np.arange(120))


def test_a_date_1024_weeks_old_is_put_right_and_said() -> None:
    old = START.timestamp() - 7168 * 86_400
    lines = [
        journal_line(
            rmc(old + i), wall_ms=round((START.timestamp() + i + LATE_S) * 1000), mono_us=round((i + LATE_S) * 1e6)
        )
        for i in range(120)
    ]
    tables, _, _ = placed(b"".join(lines))
    assert np.allclose(utc_s(tables["RMC"]), START.timestamp() + np.arange(120))
    assert any("1024 weeks" in step.cause for step in health_of(b"".join(lines)).clock_steps)


def test_a_time_that_stands_alone_moves_no_row_and_is_left_out() -> None:
    data = b"".join(rmc(START.timestamp() + i + (1560 if i == 200 else 0)) + hdt(90.0) for i in range(400))
    tables, _, _ = placed(data)
    known = tables["RMC"]["t_ns"].is_valid().to_pylist() if hasattr(tables["RMC"]["t_ns"], "is_valid") else []
    assert known.count(False) == 1
    assert utc_s(tables["HDT"]).max() < START.timestamp() + 401


def test_a_declared_latency_moves_only_its_source() -> None:
    tables, _, _ = placed(journal(), {"gps1": 0.4})
    # receiver and compass share the line here, so a latency of both cancels
    assert np.abs(utc_s(tables["HDT"]) - (START.timestamp() + np.arange(600) + 0.5)).max() < 0.03


@pytest.mark.parametrize("starts", [1, 2])
def test_what_the_outline_told_of_a_blocks_stamps_changes_no_place(starts: int) -> None:
    """Plain stamps are the axis; a recorder started again sets its clock back within the block."""
    tables, _, _ = decode_nmea(journal(seconds=100) * starts, source="log")
    outline = join_indexes([index_block(tables)])
    placing, _, _, _ = find_utc_assignment(outline, {})
    (stamps,) = outline.stamps[placing.clock]
    assert stamps.is_plain == (starts == 1)
    assert assign_utc(tables, placing, 7, None, stamps) == assign_utc(tables, placing, 7)


def test_a_log_without_any_time_is_said_to_have_none() -> None:
    tables, _, warnings = placed(hdt(90.0) * 50)
    assert tables["HDT"]["t_ns"].null_count == 50
    assert any("no sentence in this log carries a time" in w for w in warnings)
    assert assign_utc_to_log({}, {}) == ({}, [], [], None)


def test_two_receivers_never_interleave_and_the_fallback_is_marked() -> None:
    lines = []
    for i in range(300):
        if not 100 <= i < 160:
            lines.append(rmc(START.timestamp() + i, "GP", sog="10.0"))
        lines.append(rmc(START.timestamp() + i + 0.5, "GN", sog="20.0"))
    tables, _, _ = placed(b"".join(lines))
    sog = np.asarray(tables["RMC"]["sog_kn"].combine_chunks())
    candidates = split_sources(find_sources(tables["RMC"]), {"sog_kn": sog}, "RMC", 0)
    merged = choose(candidates, ["sog_kn"], 3.0, wanted="GP")
    at = (np.asarray(merged["t_ns"]) / 1e9 - START.timestamp()).round(1)
    fallback = np.asarray(merged["fallback"].combine_chunks())
    assert set(np.asarray(merged["sog_kn"])[~fallback]) == {10.0}
    assert set(np.asarray(merged["sog_kn"])[fallback]) == {20.0}
    assert at[fallback].min() > 99
    assert at[fallback].max() < 160


def test_a_magnetic_heading_becomes_true_only_with_a_variation() -> None:
    data = b"".join(
        rmc(START.timestamp() + i) + sentence("HCHDG,101.1,,,7.1,W") + sentence("HCHDM,100.0,M") for i in range(5)
    )
    tables, _, _ = placed(data)
    found, _ = gather_boat(tables, load_config(""))
    hdg = [c for c in found["heading"] if c.source.endswith("HDG")]
    assert hdg[0].values["heading_true_deg"].tolist() == pytest.approx([94.0] * 5)
    alone, _, _ = placed(b"".join(rmc(START.timestamp() + i) + sentence("HCHDM,100.0,M") for i in range(5)))
    found, warnings = gather_boat(alone, load_config(""))
    assert not found["heading"]
    assert any("magnetic" in w for w in warnings)
    declared, _ = gather_boat(alone, load_config("[trial]\nmagnetic_variation_deg = -3.5"))
    assert declared["heading"][0].values["heading_true_deg"].tolist() == pytest.approx([96.5] * 5)
