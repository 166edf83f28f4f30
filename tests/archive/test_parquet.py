"""A derived file is complete or absent, and equal input gives equal bytes."""

import errno
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from trialcapture.archive import atomic
from trialcapture.archive.atomic import free_bytes, open_replacement, size_text, write_file
from trialcapture.archive.parquet import (
    ROW_GROUP_ROWS,
    open_parquet,
    read_parquet,
    read_row_groups,
    write_parquet,
)
from trialcapture.errors import TrialCaptureError


def make_table(rows: int = 1000) -> pa.Table:
    t_ns = 1_790_000_000_000_000_000 + np.arange(rows) * 100_000_000
    speed = np.round(20 + np.sin(np.arange(rows) / 50), 3)
    schema = pa.schema(
        [
            pa.field("t", pa.timestamp("ns", tz="UTC")),
            pa.field("sog_kn", pa.float64(), metadata={"unit": "kn"}),
            pa.field("sog_flag", pa.uint8()),
            pa.field("trim", pa.string()),
            pa.field("number", pa.int32()),
            pa.field("bytes", pa.binary()),
        ],
        metadata={"schema_version": "1"},
    )
    columns = [
        pa.array(t_ns).cast(schema.field("t").type),
        pa.array(speed, mask=np.arange(rows) % 7 == 0),
        pa.array(np.ones(rows, np.uint8)),
        pa.array([None if i % 3 else "tab 20 %" for i in range(rows)], pa.string()),
        pa.array(np.arange(rows, dtype=np.int32)),
        pa.array([bytes([i % 256]) for i in range(rows)]),
    ]
    return pa.Table.from_arrays(columns, schema=schema)


def files_in(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.rglob("*") if p.is_file())


def test_a_table_comes_back_with_types_units_and_provenance(tmp_path: Path) -> None:
    table = make_table(2 * ROW_GROUP_ROWS + 5)
    write_parquet(tmp_path / "trialset" / "samples.parquet", table, {"config_sha256": "ab", "version": "1"})
    back = read_parquet(tmp_path / "trialset" / "samples.parquet")
    assert back.equals(table)
    assert back.schema.field("sog_kn").metadata == {b"unit": b"kn"}
    assert back.schema.metadata == {b"schema_version": b"1", b"config_sha256": b"ab", b"version": b"1"}
    assert pq.ParquetFile(tmp_path / "trialset" / "samples.parquet").num_row_groups == 3
    assert files_in(tmp_path) == ["samples.parquet"]


def test_an_empty_table_keeps_its_schema(tmp_path: Path) -> None:
    table = make_table(10).slice(0, 0)
    write_parquet(tmp_path / "a.parquet", table, {})
    assert read_parquet(tmp_path / "a.parquet").schema.equals(table.schema)


def test_equal_input_gives_equal_bytes_however_it_is_chunked(tmp_path: Path) -> None:
    table = make_table(50_000)
    pieces = pa.concat_tables([table.slice(0, 123), table.slice(123, 40_000), table.slice(40_123)])
    write_parquet(tmp_path / "a.parquet", table, {"b": "2", "a": "1"})
    write_parquet(tmp_path / "b.parquet", pieces, {"a": "1", "b": "2"})
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()


@pytest.mark.parametrize("rows_a_write", [1_000, ROW_GROUP_ROWS, 50_001])
def test_written_part_by_part_the_bytes_are_those_of_the_whole(tmp_path: Path, rows_a_write: int) -> None:
    table = make_table(2 * ROW_GROUP_ROWS + 777)
    write_parquet(tmp_path / "whole.parquet", table, {"version": "1"})
    with open_parquet(tmp_path / "parts.parquet", table.schema, {"version": "1"}) as stream:
        for first in range(0, table.num_rows, rows_a_write):
            stream.write(table.slice(first, rows_a_write))
        stream.write(table.slice(0, 0))
    assert stream.rows == table.num_rows
    assert (tmp_path / "parts.parquet").read_bytes() == (tmp_path / "whole.parquet").read_bytes()
    assert read_parquet(tmp_path / "parts.parquet").equals(table)


def test_dictionaries_that_differ_from_part_to_part_are_joined(tmp_path: Path) -> None:
    words = pa.dictionary(pa.int32(), pa.string())
    parts = [pa.table({"source": pa.array(names, pa.string()).cast(words)}) for names in (["a", "b"], ["c", "a", None])]
    with open_parquet(tmp_path / "a.parquet", parts[0].schema, {}) as stream:
        for part in parts:
            stream.write(part)
    assert read_parquet(tmp_path / "a.parquet")["source"].to_pylist() == ["a", "b", "c", "a", None]


def test_a_stream_holds_no_more_than_a_row_group_and_the_part(tmp_path: Path) -> None:
    part = make_table(1000)
    before, most = pa.total_allocated_bytes(), 0
    with open_parquet(tmp_path / "a.parquet", part.schema, {}) as stream:
        for _ in range(300):
            stream.write(part)
            most = max(most, pa.total_allocated_bytes() - before)
    assert most < 2 * part.nbytes * ROW_GROUP_ROWS / part.num_rows
    assert most < 300 * part.nbytes / 3


@pytest.mark.parametrize("fault", [KeyboardInterrupt(), ValueError("x"), OSError(errno.EIO, "input/output error")])
def test_a_stream_that_is_broken_off_leaves_the_old_file_and_nothing_else(tmp_path: Path, fault: BaseException) -> None:
    path = tmp_path / "a.parquet"
    write_parquet(path, make_table(10), {})
    former = path.read_bytes()

    def write_half() -> None:
        with open_parquet(path, make_table(1).schema, {}) as stream:
            stream.write(make_table(ROW_GROUP_ROWS + 1))
            raise fault

    with pytest.raises(TrialCaptureError if isinstance(fault, OSError) else type(fault)):
        write_half()
    assert path.read_bytes() == former
    assert files_in(tmp_path) == ["a.parquet"]


def test_rows_of_another_kind_are_refused_and_nothing_is_left(tmp_path: Path) -> None:
    def write_others() -> None:
        with open_parquet(tmp_path / "a.parquet", make_table(1).schema, {}) as stream:
            stream.write(make_table(1).drop_columns(["number"]))

    with pytest.raises(ValueError, match="other columns or types"):
        write_others()
    assert files_in(tmp_path) == []


def test_row_groups_are_read_one_at_a_time_and_only_the_columns_wanted(tmp_path: Path) -> None:
    table = make_table(2 * ROW_GROUP_ROWS + 5)
    write_parquet(tmp_path / "a.parquet", table, {})
    parts = list(read_row_groups(tmp_path / "a.parquet", ["t", "sog_kn"]))
    assert [part.num_rows for part in parts] == [ROW_GROUP_ROWS, ROW_GROUP_ROWS, 5]
    assert pa.concat_tables(parts).combine_chunks().equals(table.select(["t", "sog_kn"]))
    assert pa.concat_tables(read_row_groups(tmp_path / "a.parquet")).equals(table)


def test_a_column_that_is_not_there_is_refused_by_name(tmp_path: Path) -> None:
    write_parquet(tmp_path / "a.parquet", make_table(5), {})
    with pytest.raises(TrialCaptureError, match="stw_kn"):
        next(read_row_groups(tmp_path / "a.parquet", ["t", "stw_kn"]))
    with pytest.raises(TrialCaptureError, match="missing"):
        next(read_row_groups(tmp_path / "b.parquet"))


def test_a_flipped_bit_is_found_when_its_row_group_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    write_parquet(path, make_table(2 * ROW_GROUP_ROWS), {})
    second = pq.ParquetFile(path).metadata.row_group(1).column(0)
    data = bytearray(path.read_bytes())
    data[(second.dictionary_page_offset or second.data_page_offset) + second.total_compressed_size // 2] ^= 1
    path.write_bytes(data)
    parts = read_row_groups(path)
    assert next(parts).num_rows == ROW_GROUP_ROWS
    with pytest.raises(TrialCaptureError, match="damaged"):
        next(parts)


def test_pandas_own_metadata_is_left_out(tmp_path: Path) -> None:
    table = make_table(3).replace_schema_metadata({"pandas": "{}", "kept": "yes"})
    write_parquet(tmp_path / "a.parquet", table, {})
    assert read_parquet(tmp_path / "a.parquet").schema.metadata == {b"kept": b"yes"}


def test_one_flipped_bit_is_found_when_reading(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    write_parquet(path, make_table(5000), {})
    data = bytearray(path.read_bytes())
    data[200] ^= 1
    path.write_bytes(data)
    with pytest.raises(TrialCaptureError, match="damaged"):
        read_parquet(path)


@pytest.mark.parametrize("content", [b"", b"PAR1", b"not parquet at all", None])
def test_what_is_no_parquet_file_is_refused_in_words(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "a.parquet"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(TrialCaptureError, match=r"a\.parquet"):
        read_parquet(path)


@pytest.mark.parametrize("fault", [KeyboardInterrupt(), OSError(errno.EIO, "input/output error"), ValueError("x")])
def test_an_interrupted_write_leaves_the_old_file_and_nothing_else(tmp_path: Path, fault: BaseException) -> None:
    path = tmp_path / "a.csv"
    write_file(path, b"old")
    expected = TrialCaptureError if isinstance(fault, OSError) else type(fault)

    def write_half() -> None:
        with open_replacement(path) as file:
            file.write(b"half of the new")
            raise fault

    with pytest.raises(expected):
        write_half()
    assert path.read_bytes() == b"old"
    assert files_in(tmp_path) == ["a.csv"]


def test_a_disk_that_loses_bytes_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.parquet"
    write_parquet(path, make_table(10), {})
    former = path.read_bytes()
    monkeypatch.setattr(pq.ParquetWriter, "write_table", lambda *_, **__: None)
    with pytest.raises(TrialCaptureError, match="did not read back"):
        write_parquet(path, make_table(20), {})
    assert path.read_bytes() == former
    assert files_in(tmp_path) == ["a.parquet"]


def test_a_full_disk_leaves_the_old_file_and_says_what_is_needed(small_disk: Path) -> None:
    path = small_disk / "samples.parquet"
    write_parquet(path, make_table(100), {})
    former = path.read_bytes()
    noise = pa.table({"x": np.random.default_rng(1).normal(size=200_000)})
    with pytest.raises(TrialCaptureError) as caught:
        write_parquet(path, noise, {})
    assert "disk is full" in str(caught.value)
    assert "1.6 MB are needed" in str(caught.value)
    assert path.read_bytes() == former
    assert files_in(small_disk) == ["samples.parquet"]

    def write_parts() -> None:
        with open_parquet(path, noise.schema, {}) as stream:
            for first in range(0, noise.num_rows, 10_000):
                stream.write(noise.slice(first, 10_000))

    with pytest.raises(TrialCaptureError, match="disk is full"):
        write_parts()
    assert files_in(small_disk) == ["samples.parquet"]
    with pytest.raises(TrialCaptureError, match="disk is full"):
        write_file(path, bytes(1_000_000))
    assert path.read_bytes() == former
    assert files_in(small_disk) == ["samples.parquet"]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit on the size of a file")
def test_a_file_size_limit_is_met_like_a_full_disk(tmp_path: Path) -> None:
    script = textwrap.dedent(
        """
        import resource, signal, sys
        from pathlib import Path
        import numpy as np, pyarrow as pa
        from trialcapture.archive.parquet import write_parquet
        from trialcapture.errors import TrialCaptureError
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
        try:
            write_parquet(Path(sys.argv[1]), pa.table({"x": np.random.default_rng(1).normal(size=100_000)}), {})
        except TrialCaptureError as fault:
            print(fault)
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "a.parquet")],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert "disk is full" in done.stdout
    assert files_in(tmp_path) == []


def test_a_folder_that_cannot_be_made_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"x")
    with pytest.raises(TrialCaptureError, match="cannot be written"):
        write_file(tmp_path / "file" / "a.csv", b"y")


def test_free_space_of_a_folder_that_is_not_there_yet(tmp_path: Path) -> None:
    assert free_bytes(tmp_path / "a" / "b") > 0


@pytest.mark.parametrize(
    ("size", "text"),
    [(0, "0 bytes"), (999, "999 bytes"), (1500, "1.5 kB"), (2_500_000, "2.5 MB"), (3 * 10**12, "3.0 TB")],
)
def test_sizes_as_people_read_them(size: int, text: str) -> None:
    assert size_text(size) == text


def test_an_error_that_is_not_about_room_names_its_cause(tmp_path: Path) -> None:
    fault = atomic.write_error(PermissionError(errno.EACCES, "Permission denied"), tmp_path / "a")
    assert "Permission denied" in str(fault)
    assert "disk is full" not in str(fault)


WANTED = pa.schema([("segment_id", pa.int32()), ("reason", pa.string())])


_IDS, _WORDS = pa.array([1], pa.int32()), ["x"]
_MANY = 40_000_000


@pytest.mark.parametrize(
    ("columns", "seen"),
    [
        ({"segment_id": pa.array([1.5]), "reason": _WORDS}, "'segment_id' of type double, not int32"),
        ({"segment_id": _IDS, "reason": [b"x"]}, "'reason' of type binary, not string"),
        ({"segment_id": _IDS}, "'reason' missing"),
        ({"segment_id": _IDS, "reason": _WORDS, "more": [[1]]}, "'more' of type list"),
        ({"segment_id": _IDS, "reason": _WORDS, "more": [{"a": 1}]}, "'more' of type struct"),
        ({"segment_id": _MANY, "reason": _MANY}, f"{_MANY} rows"),
        ({f"c{n}": [1] for n in range(2500)}, "2500 columns"),
    ],
)
def test_a_file_that_is_none_of_ours_is_refused_by_its_columns(
    tmp_path: Path, columns: dict[str, object], seen: str
) -> None:
    # that many are made here, and do not lie in memory from the collection of tests to their end
    made = {name: pa.nulls(_MANY, WANTED.field(name).type) if of == _MANY else of for name, of in columns.items()}
    pq.write_table(pa.table(made), tmp_path / "a.parquet")
    with pytest.raises(TrialCaptureError) as caught:
        read_parquet(tmp_path / "a.parquet", WANTED, needs_all=True)
    assert seen in str(caught.value)


def test_more_columns_and_those_of_older_versions_are_read(tmp_path: Path) -> None:
    table = pa.table({"reason": ["x", None], "more": [1.5, 2.5], "word": pa.array(["a", "a"]).dictionary_encode()})
    pq.write_table(table, tmp_path / "a.parquet")
    assert read_parquet(tmp_path / "a.parquet", WANTED).equals(table)


@pytest.mark.parametrize("is_dictionary", [False, True])
def test_a_long_word_that_stands_in_every_row_does_not_fill_the_memory(tmp_path: Path, is_dictionary: bool) -> None:
    word = pa.DictionaryArray.from_arrays(pa.array([0] * 10_000, pa.int32()), pa.array(["x" * (8 << 20)]))
    pq.write_table(pa.table({"reason": word}), tmp_path / "a.parquet", store_schema=is_dictionary)
    assert (tmp_path / "a.parquet").stat().st_size < 1 << 20
    with pytest.raises(TrialCaptureError, match="texts longer"):
        read_parquet(tmp_path / "a.parquet")
