"""An engine log goes through the disk in pieces; what is set aside, joined, is the log as decoded at once."""

from __future__ import annotations

import gzip
import shutil
from pathlib import Path

import pyarrow as pa
import pytest

from trialcapture.archive.atomic import read_table
from trialcapture.archive.session import engine_files, open_session
from trialcapture.decode.engine_log.log_table import decode_engine_log
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import reading

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "journal_session"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the sample with a line of another length in its engine log."""
    session = tmp_path / "session"
    shutil.copytree(SAMPLE, session)
    (log,) = (path for path, _ in engine_files(open_session(session)))
    lines = log.read_bytes().splitlines(keepends=True)
    lines[len(lines) // 2] = b"x\r\n"
    log.write_bytes(b"".join(lines))
    return session


@pytest.mark.parametrize("packed", [False, True])
def test_pieces_joined_are_the_log_decoded_at_once(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, packed: bool
) -> None:
    monkeypatch.setattr(reading, "_LOG_BYTES", 5000)
    monkeypatch.setattr(reading, "_LOG_ROWS", 100)
    session = open_session(folder)
    ((path, spec),) = engine_files(session)
    data = path.read_bytes()
    rows, rejects = decode_engine_log(data, spec, session.config.engine_ids, path.name)
    if packed:
        path.write_bytes(gzip.compress(data))
    (log,) = reading.read_engine_logs(session, session.config, tmp_path)
    assert log.sizes[:-1] == [100] * (rows.num_rows // 100)
    assert sum(log.sizes) == rows.num_rows
    kept = pa.concat_tables([read_table(block, "rows") for block in log.blocks])
    assert kept.to_pydict() == rows.to_pydict()
    refused = pa.concat_tables([read_table(block, "rejects") for block in log.rejects])
    assert refused.to_pylist() == rejects.to_pylist()
    assert [row["reason"] for row in refused.to_pylist()] == ["field count"]
    outlined = log.outline["t_log_ns"].to_pylist()
    assert set(outlined) <= set(rows["t_log_ns"].to_pylist())
    assert (outlined[0], outlined[-1]) == (rows["t_log_ns"][0].as_py(), rows["t_log_ns"][-1].as_py())


def test_a_log_that_does_not_fit_is_refused_at_its_end(folder: Path, tmp_path: Path) -> None:
    session = open_session(folder)
    ((path, _),) = engine_files(session)
    path.write_bytes(path.read_bytes() + b"x\r\n" * 500)
    with pytest.raises(TrialCaptureError, match=r"501 such row\(s\)"):
        reading.read_engine_logs(session, session.config, tmp_path)
