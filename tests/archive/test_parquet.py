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
from trialcapture.archive.parquet import ROW_GROUP_ROWS, read_parquet, write_parquet
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
    monkeypatch.setattr(pq, "write_table", lambda table, file, **_: file.write(former))
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
