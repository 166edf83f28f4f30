"""Stamps of engine logs: every declared format, every zone, and nothing guessed when the clocks change."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.decode.engine_log.log_time import (
    BAD,
    SKIPPED,
    TWICE,
    ZoneClock,
    fitting_formats,
    parse_stamps,
    stamp_parser,
)

S = 10**9
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
T0_NS = 1_777_888_800 * S  # 2026-05-04T10:00:00Z
ATHENS = ZoneInfo("Europe/Athens")
PATTERNS = ["%d.%m.%Y %H:%M:%S", "%m/%d/%y %H:%M", "%Y-%m-%dT%H:%M:%S.%f", "%H:%M:%S  %d/%m/%Y", "%Y%m%d%H%M%S"]


def read_stamps(
    texts: Sequence[str], time_format: str, zone: tzinfo
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
    """Return times [ns] and states of a whole log's stamps."""
    found, clock = parse_stamps(texts, time_format), ZoneClock(zone)
    local = np.flatnonzero(found.is_local)
    clock.add(found.clock_ns[local])
    resolved = clock.resolve(found.clock_ns[local], is_last=True)
    assert resolved is not None
    found.offset_ns[local], found.state[local] = resolved
    return found.clock_ns - found.offset_ns, found.state


def one(text: str, time_format: str = "iso", zone: object = UTC) -> int | None:
    t_ns, state = read_stamps([text], time_format, zone)  # type: ignore[arg-type]
    return None if state[0] else int(t_ns[0])


@pytest.mark.parametrize(
    ("text", "expected_ns"),
    [
        ("2026-05-04T10:00:00", T0_NS),
        ("2026-05-04 10:00:00", T0_NS),
        ("2026-05-04 10:00", T0_NS),
        ("20260504T100000Z", T0_NS),
        ("2026-05-04T10:00:00.123456789", T0_NS + 123_456_789),
        ("2026-05-04T10:00:00,5", T0_NS + S // 2),
        ("2026-05-04T10:00:00.1234567891", T0_NS + 123_456_789),
        ("2026-05-04T12:00:00+02:00", T0_NS),
        ("2026-05-04T12:00:00 +0200", T0_NS),
        ("2026-05-04T04:30:00-05:30", T0_NS),
        ("2026-05-04T12:00:00+02", T0_NS),
        ("1970-01-01T00:00:00Z", 0),
        ("1969-12-31T23:59:59Z", -S),
        ("2016-12-31T23:59:60Z", 1_483_228_800 * S),  # a leap second; it ends where the next day begins
        ("2026-05-04", None),
        ("04.05.2026 10:00:00", None),
        ("2026-13-04T10:00:00", None),
        ("2026-02-30T10:00:00", None),
        ("2026-05-04T24:00:00", None),
        ("2026-05-04T10:61:00", None),
        ("2026-05-04T10:00:60", None),
        ("2026-05-04T10:00:00.", None),
        ("2026-05-04T10:00:00 CET", None),
        ("٢٠٢٦-05-04T10:00:00", None),
        ("", None),
    ],
)
def test_iso_stamps(text: str, expected_ns: int | None) -> None:
    assert one(text) == expected_ns


@pytest.mark.parametrize(
    ("time_format", "text", "expected_ns"),
    [
        ("unix_s", "1777888800", T0_NS),
        ("unix_s", "1777888800.000000001", T0_NS + 1),
        ("unix_s", "1777888800,25", T0_NS + S // 4),
        ("unix_ms", "1777888800123", T0_NS + 123_000_000),
        ("unix_ms", "1777888800123.5", T0_NS + 123_500_000),
        ("elapsed_s", "0", 0),
        ("elapsed_s", "-1.5", -1_500_000_000),
        ("elapsed_s", "12.3", 12_300_000_000),
        ("elapsed_s", "00:00:12", None),
        ("unix_s", "1.777e9", None),  # a spreadsheet has rounded it: precision is gone
        ("unix_s", "99999999999999", None),
        ("unix_s", "nan", None),
        ("unix_s", "", None),
    ],
)
def test_counted_seconds_are_exact(time_format: str, text: str, expected_ns: int | None) -> None:
    assert one(text, time_format, ATHENS) == expected_ns


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        ("%d.%m.%Y %H:%M:%S", "04.05.2026 10:00:00"),
        ("%d.%m.%Y %H:%M:%S", "4.5.2026   10:0:0"),
        ("%m/%d/%Y %I:%M:%S %p", "05/04/2026 10:00:00 am"),
        ("%d-%b-%y %H:%M:%S", "04-May-26 10:00:00"),
        ("%Y/%j %H:%M", "2026/124 10:00"),
        ("%d/%m/%Y %H:%M:%S %z", "04/05/2026 13:00:00 +0300"),
    ],
)
def test_patterns(pattern: str, text: str) -> None:
    assert one(text, pattern) == T0_NS


def test_more_decimals_than_strptime_takes_are_kept() -> None:
    assert one("04.05.2026 10:00:00.1234567", "%d.%m.%Y %H:%M:%S.%f") == T0_NS + 123_456_700


@given(st.datetimes(datetime(1680, 1, 1), datetime(2260, 1, 1)), st.sampled_from(PATTERNS))
def test_patterns_of_digits_are_read_as_strptime_reads_them(moment: datetime, pattern: str) -> None:
    # Check against the outside: CPython's own strptime.
    text = moment.strftime(pattern)
    expected = datetime.strptime(text, pattern).replace(tzinfo=UTC)
    if 1678 < expected.year < 2262:
        assert one(text, pattern) == (expected - EPOCH) // timedelta(microseconds=1) * 1000


@given(st.text(alphabet="0123456789.:/T -", max_size=24), st.sampled_from(PATTERNS))
def test_what_strptime_refuses_is_refused(text: str, pattern: str) -> None:
    try:
        datetime.strptime(text, pattern)
    except ValueError:
        if "%f" not in pattern:
            assert stamp_parser(pattern)(text) is None
    else:
        year = datetime.strptime(text, pattern).year
        assert (stamp_parser(pattern)(text) is not None) == (1678 < year < 2262)


@given(st.text(max_size=40), st.sampled_from(["iso", "unix_s", "unix_ms", "elapsed_s", *PATTERNS, "%d %b %Y %H:%M %z"]))
def test_no_text_whatever_raises(text: str, time_format: str) -> None:
    read_stamps([text, text], time_format, ATHENS)
    fitting_formats(text)


@given(
    st.datetimes(datetime(1971, 1, 1), datetime(2037, 1, 1)),
    st.sampled_from(["Europe/Athens", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe", "America/Caracas"]),
)
def test_zones_are_those_of_another_library(moment: datetime, zone: str) -> None:
    # Check against the outside: pandas' tz_localize, which reads the same IANA data by other code.
    t_ns, state = read_stamps([moment.isoformat()], "iso", ZoneInfo(zone))
    try:
        expected = pd.Timestamp(moment).tz_localize(zone)
    except ValueError:  # a time that never was, or came twice
        assert state[0] in (SKIPPED, TWICE)
    else:
        assert state[0] == 0
        assert t_ns[0] == (expected - pd.Timestamp(EPOCH)) // pd.Timedelta(1, "ns")


def local_texts(start_utc: datetime, count: int, step_s: float, zone: ZoneInfo) -> tuple[list[str], list[int]]:
    """Return what a logger in a zone writes, and the truth."""
    moments = [start_utc + timedelta(seconds=step_s * n) for n in range(count)]
    texts = [moment.astimezone(zone).strftime("%Y-%m-%d %H:%M:%S") for moment in moments]
    return texts, [int((moment - EPOCH).total_seconds()) * S for moment in moments]


# Europe/Athens leaves summer time on 2026-10-25 at 01:00 UTC: 03:00 to 04:00 comes twice.
CHANGE = datetime(2026, 10, 25, 1, 0, tzinfo=UTC)


@pytest.mark.parametrize("start_min", [-180, -61, -20])
@pytest.mark.parametrize("step_s", [1, 10, 60])
@pytest.mark.parametrize("stop_min", [1, 30, 59, 61, 200])
def test_a_log_that_runs_over_the_change_is_resolved_by_its_order(start_min: int, step_s: int, stop_min: int) -> None:
    count = (stop_min - start_min) * 60 // step_s
    texts, truth = local_texts(CHANGE + timedelta(minutes=start_min), count, step_s, ATHENS)
    t_ns, state = read_stamps(texts, "iso", ATHENS)
    assert state.tolist() == [0] * count
    assert t_ns.tolist() == truth
    # Check against the outside: pandas infers the same from the order.
    inferred = pd.DatetimeIndex(texts).tz_localize("Europe/Athens", ambiguous="infer")
    assert np.array_equal(np.asarray(inferred.as_unit("ns").tz_convert("UTC").tz_localize(None)).astype(np.int64), t_ns)


@pytest.mark.parametrize("start_min", [-59, -30, 1, 30])
def test_a_log_that_lies_inside_the_repeated_hour_is_not_guessed(start_min: int) -> None:
    texts, _ = local_texts(CHANGE + timedelta(minutes=start_min), 600, 1, ATHENS)
    _, state = read_stamps(texts, "iso", ATHENS)
    assert set(state.tolist()) == {TWICE}


@pytest.mark.parametrize("start_min", [-59, -2])
def test_a_log_that_begins_inside_is_resolved_by_the_step_back(start_min: int) -> None:
    texts, truth = local_texts(CHANGE + timedelta(minutes=start_min), 4000, 1, ATHENS)
    t_ns, state = read_stamps(texts, "iso", ATHENS)
    assert set(state.tolist()) == {0}
    assert t_ns.tolist() == truth


def test_a_log_that_begins_inside_is_resolved_by_what_follows() -> None:
    texts, truth = local_texts(CHANGE + timedelta(minutes=30), 40 * 60, 1, ATHENS)  # 03:30 winter time to 04:10
    t_ns, state = read_stamps(texts, "iso", ATHENS)
    assert set(state.tolist()) == {0}
    assert t_ns.tolist() == truth


def test_a_log_that_stops_before_and_goes_on_inside_is_not_guessed() -> None:
    before, _ = local_texts(CHANGE - timedelta(minutes=180), 600, 1, ATHENS)
    inside, _ = local_texts(CHANGE + timedelta(minutes=20), 600, 1, ATHENS)
    _, state = read_stamps(before + inside, "iso", ATHENS)
    assert state.tolist() == [0] * 600 + [TWICE] * 600


def test_a_log_with_an_hour_missing_somewhere_inside_is_not_guessed() -> None:
    first, _ = local_texts(CHANGE - timedelta(minutes=90), 30 * 60 + 600, 1, ATHENS)  # up to 03:10 summer time
    last, _ = local_texts(CHANGE + timedelta(minutes=10), 60 * 60, 1, ATHENS)  # from 03:10 winter time
    _, state = read_stamps(first + last, "iso", ATHENS)
    assert TWICE in state.tolist()


def test_times_that_never_were_are_marked() -> None:
    texts = ["2026-03-29 02:59:59", "2026-03-29 03:00:00", "2026-03-29 03:59:59", "2026-03-29 04:00:00"]
    t_ns, state = read_stamps(texts, "iso", ATHENS)
    assert state.tolist() == [0, SKIPPED, SKIPPED, 0]
    assert t_ns[3] - t_ns[0] == S


def test_a_fixed_offset_knows_no_change() -> None:
    texts, _ = local_texts(CHANGE - timedelta(hours=2), 4 * 3600, 1, ZoneInfo("Etc/GMT-2"))
    t_ns, state = read_stamps(texts, "iso", timezone(timedelta(hours=2)))
    assert not state.any()
    assert set(np.diff(t_ns).tolist()) == {S}


def test_stamps_with_and_without_zone_may_stand_side_by_side() -> None:
    t_ns, state = read_stamps(["2026-05-04T13:00:00", "2026-05-04T10:00:00Z", "x"], "iso", ATHENS)
    assert state.tolist() == [0, 0, BAD]
    assert t_ns.tolist()[:2] == [T0_NS, T0_NS]


def test_half_an_hour_of_summer_time() -> None:
    zone = ZoneInfo("Australia/Lord_Howe")  # back by 30 minutes on 2026-04-04 at 15:00 UTC
    texts, truth = local_texts(datetime(2026, 4, 4, 14, 0, tzinfo=UTC), 3 * 3600, 1, zone)
    t_ns, state = read_stamps(texts, "iso", zone)
    assert not state.any()
    assert t_ns.tolist() == truth


@pytest.mark.parametrize(("hole_s", "is_told"), [(59, True), (590, True), (610, False)])
def test_rows_join_those_before_them_across_ten_times_their_pace(hole_s: int, is_told: bool) -> None:
    """Clocks in Athens go back from 4 to 3 on 25 October 2026: what is logged between came twice."""
    first_twice = datetime(2026, 10, 25, 3, 0, 30)
    before = [first_twice - timedelta(seconds=hole_s + 60 * n) for n in range(60, -1, -1)]
    inside = [first_twice + timedelta(seconds=60 * n) for n in range(20)]
    _, state = read_stamps([t.isoformat() for t in [*before, *inside]], "iso", ATHENS)
    assert state.tolist() == [0] * len(before) + [0 if is_told else TWICE] * len(inside)
