"""What only the whole flow knows of a result: origin, hashes, counts, clocks, refusals."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pyarrow as pa

from trialcapture import __version__
from trialcapture.archive.manifest import hash_file, raw_files
from trialcapture.archive.session import Session, unmatched_engine_files
from trialcapture.buffers import integers
from trialcapture.config import Config, config_hash
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.rejects import Rejected
from trialcapture.prepare.data_health import DataHealth, page_one, utc_text
from trialcapture.reduce.summary import (
    ClockEntry,
    Dropped,
    Findings,
    LongestRefused,
    RawFile,
    SentenceCount,
    SessionOrigin,
    Severity,
    Summary,
    TrialWarning,
    complete,
)


def hash_raw(session: Session) -> list[dict[str, Any]]:
    """Return path, SHA-256 and size of every raw file."""
    found = []
    for path in raw_files(session.folder):
        digest, size = hash_file(path)
        found.append({"path": path.relative_to(session.folder).as_posix(), "sha256": digest, "bytes": size})
    return found


def provenance_of(session: Session, config: Config, raw: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Return what every Parquet file says about its origin."""
    return {
        "trialcapture_version": __version__,
        "config_sha256": config_hash(config),
        "raw_sha256": json.dumps({r["path"]: r["sha256"] for r in raw}, sort_keys=True),
        "session_id": session.id,
    }


def no_gnss(session: Session, counts: Sequence[pa.Table]) -> TrialCaptureError:
    """Return the error of a session that tells neither position nor speed."""
    seen = sorted({f"{r['talker']}{r['formatter']}" for table in counts for r in table.to_pylist()})
    return TrialCaptureError(
        "no position and no speed over ground in this session, so there is nothing to place the trial on",
        seen="sentences " + ", ".join(seen[:12]) if seen else "no sentence at all",
        where=str(session.folder / "raw"),
        expected="RMC, or GGA with VTG, from a GNSS receiver with a fix; the raw data is kept as it is",
    )


def with_evidence(
    findings: Findings,
    session: Session,
    config: Config,
    *,
    raw: Sequence[Mapping[str, Any]],
    counts: Mapping[tuple[str, str, str], Sequence[int]],
    clocks: pa.Table,
    segments: pa.Table,
    rejected: Rejected,
    told: Sequence[str],
    health: DataHealth,
) -> Summary:
    """Return the summary: the findings of the reduction and what only the whole flow knows.

    Args:
        findings: Of the reduction.
        session: The session.
        config: Settings as used.
        raw: From `hash_raw`.
        counts: Sentences good, bad and not decoded, by source, talker and formatter.
        clocks: The clocks table.
        segments: The segments as they were used.
        rejected: Counts of rejects.
        told: Warnings of reading and preparing, as sentences for people.
        health: What is wrong with the data.
    """
    # as numbers: a timestamp in nanoseconds becomes a Python value only by way of pandas
    starts_ns = integers(segments["start"])[0].tolist()
    told_of = segments.select(["accepted", "reason", "duration_s"]).to_pylist()
    refused = [
        row | {"start_ns": start_ns} for row, start_ns in zip(told_of, starts_ns, strict=True) if not row["accepted"]
    ]
    warnings = list(findings.warnings)
    warnings += [TrialWarning("data", _severity(text), text, "") for text in dict.fromkeys(told)]
    warnings += [
        TrialWarning("data-health", line.severity, f"{line.what} {line.text}", "") for line in page_one(health)
    ]
    warnings += [
        TrialWarning("log", "red", f"no [[engine_log]] table describes raw/engine/{p.name}", p.name)
        for p in unmatched_engine_files(session)
    ]
    return complete(
        replace(findings, warnings=tuple(warnings)),
        session=SessionOrigin(session.id, session.created, session.made_by),
        software_version=__version__,
        config_hash=config_hash(config),
        raw=tuple(RawFile(**entry) for entry in raw),
        counts=tuple(SentenceCount(*key, *n) for key, n in sorted(counts.items())),
        clocks=tuple(ClockEntry(**row) for row in clocks.to_pylist()),
        data_health=health,
        dropped=Dropped(
            segments=_tally([r["reason"].split(":")[0] for r in refused]),
            longest_segment=_longest(refused),
            rejects=rejected.by_reason,
        ),
    )


def _severity(text: str) -> Severity:
    return "red" if "not used" in text or "cannot" in text or "left out" in text else "yellow"


NOT_DRIVEN = ("lying still", "in neutral", "idling", "turning")
"""Limits that say what the boat was doing, not that a run on one course failed."""


def _longest(refused: Sequence[Mapping[str, Any]]) -> LongestRefused | None:
    """Return start, length and reason of the longest refused stretch that may have been meant for a run."""
    meant = [r for r in refused if r["reason"].split(":")[0] not in NOT_DRIVEN and r["duration_s"] is not None]
    if not meant:
        return None
    longest = max(meant, key=lambda r: float(r["duration_s"]))
    return LongestRefused(utc_text(longest["start_ns"]), longest["duration_s"], longest["reason"])


def _tally(words: Sequence[str]) -> dict[str, int]:
    return {word: words.count(word) for word in sorted(set(words))}
