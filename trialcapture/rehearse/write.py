"""Simulated trials on disk: a session, or the loose files another logger would leave; the truth beside them."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Literal

import zstandard

from trialcapture import __version__
from trialcapture.archive.atomic import open_replacement, write_file
from trialcapture.archive.journal import encode_line
from trialcapture.archive.seal import seal_closed
from trialcapture.archive.session import Session, create_session, open_session
from trialcapture.decode.nmea0183.stream import xor_checksum
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.scenarios import Form
from trialcapture.rehearse.simulate import SimulatedTrial
from trialcapture.rehearse.truth import utc_text
from trialcapture.system.files import remove_tree

_LINES_A_WRITE = 20_000
"""Lines written at a time (our choice)."""

Progress = Callable[[str, float | None], None]
"""Called with the name of the step under way and how far it is (0 to 1), or None where that is not known."""


@dataclass(frozen=True, slots=True)
class LooseFiles:
    """Files for `trialcapture.archive.collect.collect`.

    Attributes:
        nmea_logs: NMEA logs in order of time.
        engine_logs: Engine logs.
        config: The settings.
        truth: The truth, not to be read by anything but tests.
    """

    nmea_logs: tuple[Path, ...]
    engine_logs: tuple[Path, ...]
    config: Path
    truth: Path


def truth_path(out: Path) -> Path:
    """Return where the truth of a session is written: beside it, so that nothing reads it by accident."""
    return out.with_name(f"{out.name}.truth.json")


def nmea_log(trial: SimulatedTrial, form: Form, *, line_end: bytes = b"\r\n") -> Iterator[bytes]:
    r"""Yield the NMEA log of a trial in parts of whole lines.

    Args:
        trial: The trial.
        form: ``journal`` as the recorder keeps it; ``plain`` the bytes as they came, all sources in one file;
            ``tagged`` with another logger's TAG block: source and whole seconds only,
            before what looks like a sentence.
        line_end: Line end of intact sentences in ``plain`` and ``tagged`` files: CRLF, LF or CR.
    """
    table = trial.lines
    for batch in table.to_batches(max_chunksize=_LINES_A_WRITE):
        pieces = batch["bytes"].to_pylist()
        if form == "plain":
            yield b"".join(_with_end(piece, line_end) for piece in pieces)
            continue
        sources = batch["source"].to_pylist()
        wall_ms, mono_us = batch["wall_ms"].to_pylist(), batch["mono_us"].to_pylist()
        if form == "tagged":
            yield b"".join(
                (_tag(source, ms // 1000) if piece.startswith((b"$", b"!")) else b"") + _with_end(piece, line_end)
                for piece, source, ms in zip(pieces, sources, wall_ms, strict=True)
            )
            continue
        yield b"".join(
            encode_line(*_payload(piece), source=source, wall_ms=ms, mono_us=us)
            if piece.endswith(b"\r\n")
            else _encode_odd(piece, source, ms, us)
            for piece, source, ms, us in zip(pieces, sources, wall_ms, mono_us, strict=True)
        )


def write_session(trial: SimulatedTrial, out: Path, *, progress: Progress = lambda _step, _share: None) -> Session:
    """Write a session as the recorder would have left it, and the truth beside it.

    Args:
        trial: The trial.
        out: Folder of the session; it must not exist, or be empty.
        progress: See `Progress`.

    Raises:
        TrialCaptureError: The folder is in use, or the disk is full.
    """
    created = utc_text(trial.start_utc_ns, 0.0)
    create_session(
        out, trial.config, made_by=f"trialcapture {__version__} rehearse", created=created,
        config_text=trial.config_text,
    )  # fmt: skip
    try:
        total = max(trial.lines.num_rows, 1)
        with open_replacement(out / "raw" / "nmea.log") as file:
            for count, part in enumerate(nmea_log(trial, trial.scenario.form)):
                file.write(part)
                progress("writing the NMEA log", min(1.0, count * _LINES_A_WRITE / total))
        for log in trial.engine_logs:
            write_file(out / "raw" / "engine" / log.file, log.data)
        write_file(out / "raw" / "notes.jsonl", notes_text(trial).encode())
        last_ms = trial.lines["wall_ms"][-1].as_py() if trial.lines.num_rows else 0
        seal_closed(out, by="rehearse", t=utc_text(last_ms * 1_000_000, 0.0))
        write_file(truth_path(out), truth_text(trial).encode())
        return open_session(out)
    except BaseException:
        remove_tree(out)  # it was made here
        raise


def write_files(
    trial: SimulatedTrial,
    folder: Path,
    *,
    form: Form = "plain",
    packing: Literal["", "gz", "zst"] = "",
    parts: int = 1,
    line_end: bytes = b"\r\n",
) -> LooseFiles:
    """Write a trial as loose files, for `collect`: NMEA logs, engine logs, settings, and the truth.

    Args:
        trial: The trial.
        folder: Where to put them.
        form: See `nmea_log`.
        packing: ``gz`` or ``zst`` to pack the NMEA logs.
        parts: Into how many NMEA logs the trial is cut.
        line_end: Line end of intact sentences.

    Raises:
        TrialCaptureError: A file cannot be written.
    """
    data = b"".join(nmea_log(trial, form, line_end=line_end))
    last = line_end[-1:]
    cuts = [0]
    for n in range(1, parts):
        cuts.append(data.index(last, len(data) * n // parts) + 1)
    cuts.append(len(data))
    logs = []
    for n, (a, b) in enumerate(pairwise(cuts), start=1):
        name = "trial.nmea" if parts == 1 else f"trial-{n}.nmea"
        path = folder / (name + (f".{packing}" if packing else ""))
        write_file(path, _pack(data[a:b], packing))
        logs.append(path)
    engines = []
    for log in trial.engine_logs:
        engines.append(folder / log.file)
        write_file(engines[-1], log.data)
    config, truth = folder / "boat.toml", folder / "trial.truth.json"
    head = "# Settings of a simulated trial; configs/ holds the same boats with comments.\n\n"
    write_file(config, (head + trial.config_text).encode())
    write_file(truth, truth_text(trial).encode())
    return LooseFiles(tuple(logs), tuple(engines), config, truth)


def notes_text(trial: SimulatedTrial) -> str:
    """Return ``notes.jsonl`` of a trial."""
    return "".join(json.dumps(note, ensure_ascii=False) + "\n" for note in trial.notes)


def truth_text(trial: SimulatedTrial) -> str:
    """Return the truth of a trial as JSON."""
    return json.dumps(trial.truth, indent=1, ensure_ascii=False) + "\n"


def _pack(data: bytes, packing: str) -> bytes:
    if packing == "gz":
        return gzip.compress(data, 6, mtime=0)
    if packing == "zst":
        return zstandard.ZstdCompressor(level=19).compress(data)
    if packing:
        raise TrialCaptureError("files cannot be packed that way", seen=packing, expected="use gz or zst")
    return data


def _payload(piece: bytes) -> tuple[bytes]:
    return (piece[:-2],)


def _encode_odd(piece: bytes, source: str, wall_ms: int, mono_us: int) -> bytes:
    end = piece[-1:] if piece.endswith((b"\r", b"\n")) else b""
    payload = piece[: len(piece) - len(end)]
    return encode_line(payload, source=source, wall_ms=wall_ms, mono_us=mono_us, line_end=end)


def _with_end(piece: bytes, line_end: bytes) -> bytes:
    return piece[:-2] + line_end if piece.endswith(b"\r\n") else piece


def _tag(source: str, seconds: int) -> bytes:
    block = f"s:{source},c:{seconds}".encode()
    return b"\\%s*%02X\\" % (block, xor_checksum(block))
