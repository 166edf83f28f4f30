"""Engine logs read block by block: wherever the bytes are cut, rows, rejects and refusals stay the same."""

import csv
import tracemalloc
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.config import EngineLog
from trialcapture.decode.engine_log.log_cells import LONGEST_LINE_BYTES
from trialcapture.decode.engine_log.log_table import EngineLogDecoder, decode_engine_log
from trialcapture.errors import TrialCaptureError

S = 10**9
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
COLUMNS: dict[str, Any] = {
    "time": "Time",
    "rpm_port": {"name": "RPM", "unit": "rpm"},
    "fuel_port": {"name": "Fuel", "unit": "L/h"},
}
HEAD = "Time,RPM,Fuel\r\n"
# Europe/Athens leaves summer time on 2026-10-25 at 01:00 UTC: 03:00 to 04:00 comes twice.
CHANGE = datetime(2026, 10, 25, 1, 0, tzinfo=UTC)


def make_spec(**keys: Any) -> EngineLog:
    return EngineLog.model_validate({"columns": COLUMNS} | keys)


def outcome(parts: Iterator[tuple[pa.Table, pa.Table]]) -> tuple[Any, ...]:
    """Return all that a log gives: rows, steps back and rejects, or the refusal."""
    try:
        found = list(parts)
    except TrialCaptureError as fault:
        return (str(fault),)
    rows = pa.concat_tables([table for table, _ in found])
    backward = sum(int(table.schema.metadata[b"backward_stamps"]) for table, _ in found)
    bad = [row for _, rejects in found for row in rejects.to_pylist()]
    return rows.to_pydict(), backward, bad


def in_blocks(data: bytes, spec: EngineLog, cuts: Sequence[int]) -> Iterator[tuple[pa.Table, pa.Table]]:
    decoder = EngineLogDecoder(spec, ("port",), "log.csv")
    edges = [0, *sorted(cuts), len(data)]
    for begin, end in pairwise(edges):
        yield decoder.decode(data[begin:end])
    yield decoder.finish()


def at_once(data: bytes, spec: EngineLog) -> Iterator[tuple[pa.Table, pa.Table]]:
    yield decode_engine_log(data, spec, ("port",), "log.csv")


ODD_LINE = st.sampled_from(
    [
        "",
        ",,",
        "Time,RPM,Fuel",
        "RPM,Fuel,Time",
        "Fuel,Time,RPM,More",
        "u,1/min,l/h",
        '"2026-10-25 03:10:00","1000","1"',
        '2026-10-25 03:10:00,"1000,1',
        "2026-10-25 03:10:00,1000",
        "2026-10-25 03:10:00,1000,1,",
        "x,1000,1",
        "2026-10-25T03:10:00Z,1e3,n/a",
        "2026-10-25 03:10:00, 1000 ,\u00a01",
        "2026-10-25 03:10:00,10\u00e90,1",
        "2026-10-25 03:10:00\t,1000,1",
        "\0\0\0",
    ]
)


@st.composite
def logs(draw: st.DrawFn) -> bytes:
    start = CHANGE + timedelta(minutes=draw(st.integers(-150, 90)))
    step_s = draw(st.sampled_from([1, 60, 240, 1500]))
    zone = ZoneInfo("Europe/Athens")
    lines = []
    for n in range(draw(st.integers(1, 150))):
        stamp = (start + timedelta(seconds=step_s * n)).astimezone(zone)
        lines.append(f"{stamp:%Y-%m-%d %H:%M:%S},{1000 + n}.{n % 10},{n / 8!r}")
    for at, odd in draw(st.lists(st.tuples(st.integers(0, len(lines)), ODD_LINE), max_size=4)):
        lines.insert(at, odd)
    end = draw(st.sampled_from(["\r\n", "\n", "\r"]))
    text = end.join(["Time,RPM,Fuel", "u,1/min,l/h", *lines]) + draw(st.sampled_from([end, ""]))
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"])))


@settings(max_examples=60, deadline=None)
@given(logs(), st.data())
def test_any_cut_gives_the_same_rows_and_rejects(data: bytes, draw: st.DataObject) -> None:
    spec = make_spec(timezone="Europe/Athens", skip_rows_after_header=1)
    cuts = draw.draw(st.lists(st.integers(0, len(data)), max_size=12))
    assert outcome(in_blocks(data, spec, cuts)) == outcome(at_once(data, spec))


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16-le", "shift_jis", "utf-8"])
def test_bytes_may_be_cut_inside_a_character(encoding: str) -> None:
    name = "Débit" if encoding != "shift_jis" else "燃料"
    text = f"Time,RPM,{name}\r\n" + "".join(f"2026-05-04T10:00:{n:02d},{n},{n}.5\r\n" for n in range(20))
    columns = COLUMNS | {"fuel_port": {"name": name, "unit": "L/h"}}
    data = text.encode(encoding)
    rows, backward, bad = outcome(in_blocks(data, make_spec(columns=columns, encoding=encoding), range(len(data))))
    assert rows["row"] == list(range(1, 21))
    assert rows["fuel_l_per_h_port"] == [n + 0.5 for n in range(20)]
    assert (backward, bad) == (0, [])


@pytest.mark.parametrize("start_min", [-90, -10])
def test_a_change_of_the_clocks_is_resolved_across_blocks(start_min: int) -> None:
    # Check against the outside: pandas infers the same from the order of the whole log.
    moments = [CHANGE + timedelta(minutes=start_min, seconds=10 * n) for n in range(1200)]
    texts = [f"{moment.astimezone(ZoneInfo('Europe/Athens')):%Y-%m-%d %H:%M:%S}" for moment in moments]
    data = (HEAD + "".join(f"{text},1000,1\r\n" for text in texts)).encode()
    rows, backward, bad = outcome(in_blocks(data, make_spec(timezone="Europe/Athens"), range(0, len(data), 1000)))
    inferred = pd.DatetimeIndex(texts).tz_localize("Europe/Athens", ambiguous="infer")
    assert rows["t_log_ns"] == inferred.as_unit("ns").astype("int64").tolist()
    assert (backward, bad) == (0, [])


@pytest.mark.parametrize("step_s", [10, 300])
def test_a_log_that_ends_inside_the_repeated_hour_is_told_by_rows_given_before(step_s: int) -> None:
    # With a row in five minutes it takes the pace of the whole log to know that there is no hole.
    moments = [CHANGE + timedelta(minutes=-61, seconds=step_s * (n - 12)) for n in range(20)]
    lines = [f"{m.astimezone(ZoneInfo('Europe/Athens')):%Y-%m-%d %H:%M:%S},1000,1\r\n" for m in moments]
    data = (HEAD + "".join(lines)).encode()
    rows, _, bad = outcome(in_blocks(data, make_spec(timezone="Europe/Athens"), range(0, len(data), 30)))
    assert rows["t_log_ns"] == [(m - EPOCH) // timedelta(seconds=1) * S for m in moments]
    assert bad == []


@pytest.mark.parametrize("odd_end", ["\r\n", "\n", "\r", "\r\r\n"])
@pytest.mark.parametrize("last", ['"Note"', " x ", ""])
def test_line_ends_of_another_kind_among_crlf_end_lines_too(odd_end: str, last: str) -> None:
    # Check against the outside: CPython's universal newlines.
    lines = [f"{n},{n}.5,1,{last}" for n in range(40)]
    text = "Time,RPM,Fuel,Note\r\n" + "\r\n".join(lines[:20]) + odd_end + "\r\n".join(lines[20:]) + "\r\n"
    spec = make_spec(time_format="elapsed_s")
    rows, _, bad = outcome(in_blocks(text.encode(), spec, range(0, len(text), 97)))
    told = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    assert rows["row"] == [number for number, line in enumerate(told) if line[:1].isdigit()]
    assert rows["rpm_port"] == [n + 0.5 for n in range(40)]
    assert bad == []


def test_steps_back_between_blocks_are_counted() -> None:
    lines = [f"{at},1,1\n" for at in (5, 6, 4, 5, 3, 3)]
    data = ("Time,RPM,Fuel\n" + "".join(lines)).encode()
    _, backward, _ = outcome(in_blocks(data, make_spec(time_format="elapsed_s"), range(0, len(data), 3)))
    assert backward == 2


@pytest.mark.parametrize(
    "odd",
    ["2026-02-30 10:00:00", "2026-02-01 24:00:00", "2026-02-01 10:60:00", "2026-02-01 10:00:61", "2026-13-01 10:00:00",
     "2026-00-01 10:00:00", "1600-02-01 10:00:00", "2026-02-01 1:000:00", "2026-02-01x10:00:00"],
)  # fmt: skip
def test_a_stamp_that_is_no_time_is_refused_among_sound_ones_of_its_form(odd: str) -> None:
    lines = [f"2026-02-01 10:{n // 60:02d}:{n % 60:02d},1,1\r\n" for n in range(300)]
    lines[200] = f"{odd},1,1\r\n"
    rows, _, bad = outcome(in_blocks((HEAD + "".join(lines)).encode(), make_spec(), []))
    assert rows["row"] == [n for n in range(1, 301) if n != 201]
    assert [(row["line"], row["reason"], row["bytes"]) for row in bad] == [(201, "time", f"Time={odd}".encode())]


def test_rows_wait_only_while_their_hour_is_not_told() -> None:
    decoder = EngineLogDecoder(make_spec(timezone="Europe/Athens"), ("port",), "log.csv")
    given_rows = []
    for first in range(0, 240, 10):
        moments = [CHANGE + timedelta(minutes=first - 120 + n) for n in range(10)]
        lines = [f"{m.astimezone(ZoneInfo('Europe/Athens')):%Y-%m-%d %H:%M},1000,1\r\n" for m in moments]
        given_rows.append(decoder.decode(((HEAD if first == 0 else "") + "".join(lines)).encode())[0].num_rows)
    assert given_rows == [10] * 6 + [0] * 12 + [130] + [10] * 5
    assert decoder.finish()[0].num_rows == 0


def test_memory_does_not_grow_with_the_length_of_a_log() -> None:
    block = "".join(
        f"2026-05-04T10:{n // 60 % 60:02d}:{n % 60:02d},{1000 + n % 7},{n % 90}.25\r\n" for n in range(3000)
    )

    def peak(blocks: int) -> int:
        decoder = EngineLogDecoder(make_spec(), ("port",), "log.csv")
        decoder.decode(HEAD.encode())
        tracemalloc.start()
        rows = sum(decoder.decode(block.encode())[0].num_rows for _ in range(blocks)) + decoder.finish()[0].num_rows
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert rows == 3000 * blocks
        return found

    peak(2)  # what is loaded once
    assert peak(40) < 1.2 * peak(4)


def test_a_line_that_never_ends_is_not_gathered() -> None:
    decoder = EngineLogDecoder(make_spec(), ("port",), "log.csv")
    decoder.decode((HEAD + "".join(f"2026-05-04T10:00:{n:02d},1,1\r\n" for n in range(60))).encode())
    tracemalloc.start()
    for _ in range(40):
        decoder.decode(b"\0" * (1 << 19))
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert held < 2 * LONGEST_LINE_BYTES
    _, rejects = decoder.finish()
    assert rejects["reason"].to_pylist() == ["truncated"]


CSV_CELL = st.sampled_from(
    ["1", '"2"', '"3,5"', '""', '"', '"4""5"', ' "6"', '"7" ', '8"', '"9', "", '" 10 "', '"11""', '"-12.25"', '"é"']
)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(CSV_CELL, CSV_CELL, st.sampled_from(["", '"x"', "y", '"z"z', '"'])), min_size=1, max_size=30))
def test_cells_in_quotes_are_those_of_the_csv_module(rows: list[tuple[str, str, str]]) -> None:
    # Check against the outside: CPython's csv reader in strict mode, line by line.
    sound = "".join(f"{n},1,1,\n" for n in range(3000))  # so that the log is not refused
    lines = [f"{3000 + n},{','.join(row)}" for n, row in enumerate(rows)]
    data = ("Time,RPM,Fuel,Note\n" + sound + "".join(f"{line}\n" for line in lines)).encode()
    expected, refused = [], []
    for number, line in enumerate(lines, 3001):
        try:
            cells = next(csv.reader([line], strict=True))
        except csv.Error:
            cells = []
        if len(cells) == 4:
            expected.append((number, *(_number(cell.strip()) for cell in cells[1:3])))
        else:
            refused.append((number, "field count" if cells else "quotes"))
    table, rejects = decode_engine_log(data, make_spec(time_format="elapsed_s"), ("port",), "log.csv")
    columns = [table[name].to_pylist()[3000:] for name in ("row", "rpm_port", "fuel_l_per_h_port")]
    assert list(zip(*columns, strict=True)) == expected
    told = zip(rejects["line"].to_pylist(), rejects["reason"].to_pylist(), strict=True)
    assert [(line, reason) for line, reason in told if reason != "number"] == refused


def _number(cell: str) -> float | None:
    try:
        return float(cell)
    except ValueError:
        return None


DECIMAL = st.one_of(
    st.from_regex(r"[+-]?[0-9]{1,20}(\.[0-9]{0,20})?", fullmatch=True),
    st.from_regex(r"[+-]?[0-9]{0,9}\.[0-9]{1,8}", fullmatch=True),
    st.floats(allow_nan=False, allow_infinity=False).map(repr).filter(lambda text: len(text) < 25),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(DECIMAL, min_size=1, max_size=40), st.sampled_from([".", ","]))
def test_numbers_are_those_of_float_bit_by_bit(texts: list[str], decimal: str) -> None:
    # Check against the outside: CPython's float, which rounds correctly.
    lines = [f"{n};{text.replace('.', decimal)};1" for n, text in enumerate(texts)]
    spec = make_spec(delimiter=";", decimal=decimal, time_format="elapsed_s")
    table, _ = decode_engine_log("\n".join(["Time;RPM;Fuel", *lines, ""]).encode(), spec, ("port",), "log.csv")
    expected = np.array([float(text) for text in texts])
    assert np.array(table["rpm_port"].to_pylist()).tobytes() == expected.tobytes()


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.datetimes(datetime(1700, 1, 1), datetime(2200, 1, 1)), min_size=1, max_size=30),
    st.sampled_from(
        ["%Y-%m-%dT%H:%M:%S.%f", "%Y%m%dT%H%M%S", "%d/%m/%y %H:%M:%S", "%H:%M:%S %d.%m.%Y", "%d %b %Y %H:%M"]
    ),
)
def test_stamps_of_a_column_are_those_of_strptime(moments: list[datetime], pattern: str) -> None:
    # Check against the outside: CPython's own strptime, stamp by stamp.
    texts = [moment.strftime(pattern) for moment in moments]
    data = "\n".join(["Time,RPM,Fuel", *(f"{text},1,1" for text in texts), ""]).encode()
    time_format = "iso" if pattern.startswith("%Y") else pattern
    table, _ = decode_engine_log(data, make_spec(time_format=time_format), ("port",), "log.csv")
    read = [datetime.strptime(text, pattern).replace(tzinfo=UTC) for text in texts]
    assert table["t_log_ns"].to_pylist() == [(one - EPOCH) // timedelta(microseconds=1) * 1000 for one in read]


@pytest.mark.parametrize(("time_format", "unit_ns"), [("unix_s", S), ("elapsed_s", S), ("unix_ms", 10**6)])
@given(st.lists(st.tuples(st.integers(0, 10**9), st.from_regex(r"([.,][0-9]{1,21})?", fullmatch=True)), min_size=1))
@settings(deadline=None)
def test_counted_stamps_of_a_column_are_exact(time_format: str, unit_ns: int, parts: list[tuple[int, str]]) -> None:
    data = "\n".join(["Time;RPM;Fuel", *(f"{whole}{rest};1;1" for whole, rest in parts), ""]).encode()
    table, _ = decode_engine_log(data, make_spec(delimiter=";", time_format=time_format), ("port",), "log.csv")
    expected = [whole * unit_ns + int(f"0{rest[1:]}") * unit_ns // 10 ** len(rest[1:]) for whole, rest in parts]
    assert table["t_log_ns"].to_pylist() == expected


@pytest.mark.parametrize("odd", ["22:00:00", "00:30:00", "16:59:59"])
@pytest.mark.parametrize("at", [2, 20, 39])
def test_a_lone_time_of_day_far_off_moves_no_day_wherever_the_block_ends(odd: str, at: int) -> None:
    """Whether it is damage or a hole, the row behind it tells, and that may come with the next block."""
    times = [f"{datetime(2026, 5, 14, 9, 4) + timedelta(seconds=n):%H:%M:%S}" for n in range(40)]
    times[at] = odd
    lines = [HEAD.encode(), *(f"{t},{1000 + n},{n}\r\n".encode() for n, t in enumerate(times))]
    data, spec = b"".join(lines), make_spec(date="2026-05-14", timezone="UTC")
    whole = outcome(at_once(data, spec))
    for rows in (at, at + 1, at + 2, at + 3):
        cut = sum(map(len, lines[:rows]))
        assert outcome(in_blocks(data, spec, [cut])) == whole
