"""From prepared segments to band table, summary and page, with what only the whole flow knows of them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture import __version__
from trialcapture.archive.manifest import hash_file, raw_files
from trialcapture.archive.session import Session, unmatched_engine_files
from trialcapture.buffers import integers
from trialcapture.config import Config, config_hash
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.reading import Rejected, SentenceCounts
from trialcapture.prepare.health import DataHealth, page_one, utc_text
from trialcapture.prepare.review import as_reviewed
from trialcapture.prepare.review_entry import ReviewEntry
from trialcapture.reduce.reviewed import reduce_reviewed
from trialcapture.reduce.trial import reduce_trial

SUMMARY_SCHEMA_VERSION = 1
NOT_DRIVEN = ("lying still", "in neutral", "idling", "turning")
"""Limits that say what the boat was doing, not that a run on one course failed."""


@dataclass(frozen=True, slots=True)
class PreparedTrial:
    """What the reduction and the report need.

    Attributes:
        segments: As prepared, before anybody reviewed them.
        clocks: The clocks table.
        overview: A row a second of the samples.
        counts: Sentences good, bad and not decoded.
        rejected: Counts of rejects.
        warnings: Of reading and preparing, as sentences for people.
        health: What is wrong with the data.
        air: Pressure and temperature of the air, as far as told.
    """

    segments: pa.Table
    clocks: pa.Table
    overview: pa.Table
    counts: SentenceCounts
    rejected: Rejected
    warnings: list[str]
    health: DataHealth
    air: dict[str, float]


@dataclass(frozen=True, slots=True)
class Results:
    """What is written into ``reduction/``; the segments go back into the trial set with their review."""

    segments: pa.Table
    bands: pa.Table
    legs: pa.Table
    summary: dict[str, Any]


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


def no_gnss(session: Session, counts: SentenceCounts) -> TrialCaptureError:
    """Return the error of a session that tells neither position nor speed."""
    seen = sorted({f"{talker}{formatter}" for _, talker, formatter in counts})
    return TrialCaptureError(
        "no position and no speed over ground in this session, so there is nothing to place the trial on",
        seen="sentences " + ", ".join(seen[:12]) if seen else "no sentence at all",
        where=str(session.folder / "raw"),
        expected="RMC, or GGA with VTG, from a GNSS receiver with a fix; the raw data is kept as it is",
    )


def reduce_prepared(
    trial: PreparedTrial,
    session: Session,
    config: Config,
    reviews: Sequence[ReviewEntry],
    raw: Sequence[Mapping[str, Any]],
) -> Results:
    """Reduce a prepared trial as people reviewed it.

    Args:
        trial: The trial.
        session: The session.
        config: Settings as used.
        reviews: What people noted about segments.
        raw: From `hash_raw`.
    """
    segments, (bands, legs, summary) = reduce_reviewed(
        trial.segments,
        reviews,
        lambda s: reduce_trial(s, config, clocks=trial.clocks, samples=trial.overview),
    )
    summary["conditions"] = summary.get("conditions", {}) | trial.air
    summary = _with_evidence(summary, trial, session, config, as_reviewed(segments), raw)
    return Results(segments, bands, legs, summary)


def _with_evidence(
    summary: dict[str, Any],
    trial: PreparedTrial,
    session: Session,
    config: Config,
    segments: pa.Table,
    raw: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    """Add to the reduction's summary what only the whole flow knows: origin, hashes, counts, clocks, refusals."""
    # as numbers: a timestamp in nanoseconds becomes a Python value only by way of pandas
    starts_ns = integers(segments["start"])[0].tolist()
    verdicts = segments.select(["accepted", "reason", "duration_s"]).to_pylist()
    refused = [
        row | {"start_ns": start_ns} for row, start_ns in zip(verdicts, starts_ns, strict=True) if not row["accepted"]
    ]
    warnings = list(summary.get("warnings", []))
    warnings += [
        {"code": "data", "severity": _severity(text), "text": text, "where": ""}
        for text in dict.fromkeys(trial.warnings)
    ]
    warnings += [
        {"code": "data-health", "severity": line.severity, "text": f"{line.what} {line.text}", "where": ""}
        for line in page_one(trial.health)
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
        "raw": list(raw),
        "counts": [
            {"source": s, "talker": t, "formatter": f, "good": n[0], "bad": n[1], "not_decoded": n[2]}
            for (s, t, f), n in sorted(trial.counts.items())
        ],
        "clocks": trial.clocks.to_pylist(),
        "data_health": trial.health.as_json(),
        "dropped": {
            "segments": _tally([r["reason"].split(":")[0] for r in refused]),
            "longest_segment": _longest(refused),
            "rejects": trial.rejected.by_reason,
        },
        "warnings": warnings,
    }


def _severity(text: str) -> str:
    return "red" if "not used" in text or "cannot" in text or "left out" in text else "yellow"


def _longest(refused: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return start, length and reason of the longest refused stretch that may have been meant for a run."""
    meant = [r for r in refused if r["reason"].split(":")[0] not in NOT_DRIVEN and r["duration_s"] is not None]
    if not meant:
        return None
    longest = max(meant, key=lambda r: float(r["duration_s"]))
    return {"start": utc_text(longest["start_ns"]), "duration_s": longest["duration_s"], "reason": longest["reason"]}


def _tally(words: Sequence[str]) -> dict[str, int]:
    return {word: words.count(word) for word in sorted(set(words))}
