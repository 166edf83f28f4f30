"""The whole flow on one screen: raw session in, trial set, reduction and report out."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa

from trialcapture import __version__
from trialcapture.archive.accounting import read_timeline
from trialcapture.archive.manifest import hash_file, raw_files
from trialcapture.archive.notes import marks_of, read_notes, trims_of
from trialcapture.archive.parquet import write_file, write_parquet
from trialcapture.archive.raw import read_blocks, read_whole
from trialcapture.archive.session import (
    Session,
    engine_files,
    nmea_files,
    open_session,
    unmatched_engine_files,
)
from trialcapture.config import Config, config_hash, load_config
from trialcapture.decode.can import CanDecoder
from trialcapture.decode.engine_log import decode_engine_log
from trialcapture.decode.nmea0183 import decode_nmea
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.trial import prepare_trial, rejects_table
from trialcapture.reduce.tables import bands_csv, legs_csv
from trialcapture.reduce.trial import reduce_trial
from trialcapture.report.page import render_report

SUMMARY_SCHEMA_VERSION = 1

Progress = Callable[[str, float | None], None]
"""Called with the name of the step under way and how far it is (0 to 1), or None where that is not known."""


def process(
    folder: Path, config_text: str | None = None, progress: Progress = lambda _step, _share: None
) -> dict[str, Any]:
    """Derive everything from a session's raw files: trial set, reduction, report.

    Equal raw files, settings and program version give byte-identical files. Each file is complete or absent.

    Args:
        folder: The session.
        config_text: Settings to use instead of those in ``session.toml``.
        progress: See `Progress`.

    Returns:
        ``bands`` and ``legs`` (Arrow tables), ``summary`` (JSON-able) and ``paths`` of the files written.

    Raises:
        TrialCaptureError: There is no session, no NMEA log, or no GNSS data in it; or the disk is full.
    """
    session = open_session(folder)
    config = session.config if config_text is None else load_config(config_text)
    nmea, rejects, counts, told = _decode_nmea(session, config, progress)
    _add_can(session, nmea, rejects, counts)
    logs, log_rejects = _decode_logs(session, config)
    notes = read_notes(session)
    samples, segments, clocks, placed, warned = prepare_trial(
        nmea,
        logs,
        config,
        trims=trims_of(notes),
        marks_ns=marks_of(notes),
        progress=lambda s: progress(s, None),
    )
    if samples.num_rows == 0:
        raise _no_gnss(session, counts)
    progress("reduction", None)
    all_rejects = rejects_table([*rejects, *log_rejects], placed)
    bands, legs, summary = reduce_trial(segments, config, clocks=clocks, samples=samples)
    summary = _with_evidence(summary, session, config, counts, clocks, segments, all_rejects, [*told, *warned])
    progress("writing", None)
    provenance = {
        "trialcapture_version": __version__,
        "config_sha256": summary["config_hash"],
        "raw_sha256": json.dumps({r["path"]: r["sha256"] for r in summary["raw"]}, sort_keys=True),
        "session_id": session.id,
    }
    trialset, reduction = folder / "trialset", folder / "reduction"
    tables = {"samples": samples, "segments": segments, "clocks": clocks, "rejects": all_rejects}
    for name, table in tables.items():
        write_parquet(trialset / f"{name}.parquet", table, provenance)
    write_parquet(reduction / "bands.parquet", bands, provenance)
    write_file(reduction / "bands.csv", bands_csv(bands))
    write_file(reduction / "legs.csv", legs_csv(legs))
    write_file(reduction / "summary.json", (json.dumps(_plain(summary), indent=1, allow_nan=False) + "\n").encode())
    progress("report", None)
    page = render_report(bands=bands, legs=legs, summary=summary, **tables)
    write_file(reduction / "report.html", page.encode())
    paths = {n: trialset / f"{n}.parquet" for n in tables}
    paths |= {
        "bands": reduction / "bands.csv",
        "report": reduction / "report.html",
        "summary": reduction / "summary.json",
    }
    return {"bands": bands, "legs": legs, "summary": summary, "paths": paths}


def _decode_nmea(
    session: Session, config: Config, progress: Progress
) -> tuple[list[tuple[str, dict[str, pa.Table]]], list[tuple[str, pa.Table]], list[pa.Table], list[str]]:
    """Decode every NMEA log of a session block by block."""
    files = nmea_files(session)
    if not files and not (session.folder / "raw" / "can.log").is_file():
        raise TrialCaptureError(
            "this session holds no NMEA log and no CAN log",
            where=str(session.folder / "raw"),
            expected="record one, or put one there with 'trialcapture collect'",
        )
    decoded, rejects, counts = [], [], []
    told: list[str] = []
    lenient = {s.id for s in config.source if not s.require_checksum}
    total = sum(path.stat().st_size for path in files) or 1
    done = 0
    for path in files:
        label = path.relative_to(session.folder).as_posix()
        tables: dict[str, list[pa.Table]] = {}
        for first_line, block in read_blocks(path, warn=told.append):
            sentences, bad, seen = decode_nmea(
                block,
                source=path.name.split(".")[0],
                first_line=first_line,
                xdr=config.xdr,
                require_checksum=not lenient or len(lenient) < len(config.source),
                without_checksum=lenient,
            )
            for name, table in sentences.items():
                tables.setdefault(name, []).append(table)
            rejects.append((label, bad))
            counts.append(seen)
            done += len(block)
            progress("decoding", min(done / total, 1.0))
        decoded.append((label, _joined(tables)))
    return decoded, rejects, counts, told


def _joined(blocks: Mapping[str, list[pa.Table]]) -> dict[str, pa.Table]:
    """Return one table a kind of what came block by block."""
    return {name: pa.concat_tables(parts).unify_dictionaries() for name, parts in blocks.items()}


def _add_can(
    session: Session,
    decoded: list[tuple[str, dict[str, pa.Table]]],
    rejects: list[tuple[str, pa.Table]],
    counts: list[pa.Table],
) -> None:
    """Decode the CAN log of a session, where there is one, and add it to what the NMEA logs gave."""
    path = session.folder / "raw" / "can.log"
    if not path.is_file():
        return
    label = path.relative_to(session.folder).as_posix()
    decoder = CanDecoder(read_timeline(session.folder).epoch_wall_ns)
    tables: dict[str, list[pa.Table]] = {}
    for first_line, block in read_blocks(path):
        found, bad, seen = decoder.decode(block, first_line)
        for name, table in found.items():
            tables.setdefault(name, []).append(table)
        rejects.append((label, bad))
        counts.append(seen)
    bad, seen = decoder.finish()
    rejects.append((label, bad))
    counts.append(seen)
    decoded.append((label, _joined(tables)))


def _decode_logs(
    session: Session, config: Config
) -> tuple[list[tuple[str, Any, pa.Table]], list[tuple[str, pa.Table]]]:
    """Decode every engine log of a session."""
    logs, rejects = [], []
    for path, spec in engine_files(session):
        rows, bad = decode_engine_log(
            read_whole(path),
            spec,
            config.engine_ids,
            where=path.name,
            density_kg_per_m3=config.fuel.density_kg_per_m3,
        )
        logs.append((path.name, spec, rows))
        rejects.append((path.name, bad))
    return logs, rejects


def _no_gnss(session: Session, counts: list[pa.Table]) -> TrialCaptureError:
    seen = sorted({f"{r['talker']}{r['formatter']}" for table in counts for r in table.to_pylist()})
    return TrialCaptureError(
        "no position and no speed over ground in this session, so there is nothing to place the trial on",
        seen="sentences " + ", ".join(seen[:12]) if seen else "no sentence at all",
        where=str(session.folder / "raw"),
        expected="RMC, or GGA with VTG, from a GNSS receiver with a fix; the raw data is kept as it is",
    )


def _with_evidence(
    summary: dict[str, Any],
    session: Session,
    config: Config,
    counts: list[pa.Table],
    clocks: pa.Table,
    segments: pa.Table,
    rejects: pa.Table,
    told: list[str],
) -> dict[str, Any]:
    """Add to the reduction's summary what only the whole flow knows: origin, hashes, counts, clocks, refusals."""
    raw = []
    for path in raw_files(session.folder):
        digest, size = hash_file(path)
        raw.append({"path": path.relative_to(session.folder).as_posix(), "sha256": digest, "bytes": size})
    totals: dict[tuple[str, str, str], list[int]] = {}
    for table in counts:
        for r in table.to_pylist():
            entry = totals.setdefault((r["source"], r["talker"], r["formatter"]), [0, 0, 0])
            for i, kind in enumerate(("good", "bad", "not_decoded")):
                entry[i] += r[kind]
    refused = [r for r in segments.select(["accepted", "reason"]).to_pylist() if not r["accepted"]]
    warnings = list(summary.get("warnings", []))
    warnings += [
        {"code": "data", "severity": _severity(text), "text": text, "where": ""} for text in dict.fromkeys(told)
    ]
    warnings += [
        {
            "code": "log",
            "severity": "red",
            "text": f"no [[engine_log]] table describes raw/engine/{p.name}",
            "where": p.name,
        }
        for p in unmatched_engine_files(session)
    ]
    return summary | {
        "schema_version": SUMMARY_SCHEMA_VERSION,
        "session": {"id": session.id, "created": session.created, "made_by": session.made_by},
        "software_version": __version__,
        "config_hash": config_hash(config),
        "raw": raw,
        "counts": [
            {"source": s, "talker": t, "formatter": f, "good": n[0], "bad": n[1], "not_decoded": n[2]}
            for (s, t, f), n in sorted(totals.items())
        ],
        "clocks": clocks.to_pylist(),
        "dropped": {
            "segments": _tally([r["reason"].split(":")[0] for r in refused]),
            "rejects": _tally(rejects["reason"].to_pylist()),
        },
        "warnings": warnings,
    }


def _severity(text: str) -> str:
    return "red" if "not used" in text or "cannot" in text or "left out" in text else "yellow"


def _tally(words: list[str]) -> dict[str, int]:
    return {word: words.count(word) for word in sorted(set(words))}


def _plain(value: Any) -> Any:
    """Return a value as JSON can hold it: NaN and infinity become null, keys become text."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value
