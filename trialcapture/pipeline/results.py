"""From prepared segments to band table, summary and page, with what only the whole flow knows of them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import ceil
from typing import TYPE_CHECKING, Any
from unicodedata import normalize

import pyarrow as pa
from threadpoolctl import threadpool_limits

from trialcapture import __version__
from trialcapture.archive.manifest import ManifestEntry, hash_file
from trialcapture.archive.notes import (
    DAMAGED,
    SPEED,
    Note,
    mark_texts_of,
    marks_of,
    observations_of,
    on_utc,
    readings_of,
    reviews_of,
    standing,
    trims_of,
)
from trialcapture.archive.parquet import open_sample_rows
from trialcapture.archive.result_set import ResultSet
from trialcapture.archive.seal import ACCEPTED, CLOSED_LATE, SESSION, SealComparison, compare_seal, versions_now
from trialcapture.archive.session import Session, unmatched_engine_files
from trialcapture.archive.verify import read_timeline
from trialcapture.buffers import integers
from trialcapture.config import Config, config_hash
from trialcapture.measure.plan_result import NOT_DRIVEN, NotedForPlan, SignOff, compare_plan, plan_warnings
from trialcapture.pipeline.reuse import FormerResults, PreparedTrial
from trialcapture.prepare.data_health import page_one, utc_text
from trialcapture.prepare.steady.segment_review import as_reviewed, with_readings
from trialcapture.prepare.steady.segments import with_trims
from trialcapture.reduce.note_record import with_note_record, with_observations
from trialcapture.reduce.reduction import Result, reduce_reviewed
from trialcapture.reduce.summary import (
    ClockEntry,
    Dropped,
    Findings,
    LongestRefused,
    RawFile,
    SealChange,
    SealEvent,
    SealStatement,
    SentenceCount,
    SessionOrigin,
    Severity,
    SoftwareVersions,
    Summary,
    TrialWarning,
    complete,
)

if TYPE_CHECKING:
    from trialcapture.measure.circumstances import ReadSamples
    from trialcapture.measure.trial import TrialParts


@dataclass(frozen=True, slots=True)
class Results:
    """What is written into ``reduction/``; the segments go back into the trial set with their review."""

    segments: pa.Table
    bands: pa.Table
    legs: pa.Table
    summary: Summary


_TOLD_OFF_S = 2.0
"""A computer's clock off by so much is told of where people noted by it (our choice)."""


def compare_with_seal(session: Session, raw: Sequence[Mapping[str, Any]]) -> SealComparison:
    """Compare a session with its seal by the hashes of its raw files, so that no file is read twice."""
    files = [ManifestEntry(SESSION, *hash_file(session.folder / SESSION))]
    files += [ManifestEntry(normalize("NFC", r["path"]), r["sha256"], r["bytes"]) for r in raw]
    return compare_seal(session.folder, read_timeline(session.folder).recording, files)


def provenance_of(session: Session, config: Config, raw: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Return what every Parquet file says about its origin."""
    return {
        "trialcapture_version": __version__,
        "config_sha256": config_hash(config),
        "raw_sha256": json.dumps({r["path"]: r["sha256"] for r in raw}, sort_keys=True),
        "session_id": session.id,
    }


def reduce_prepared(
    trial: PreparedTrial,
    session: Session,
    config: Config,
    notes: Sequence[Note],
    raw: Sequence[Mapping[str, Any]],
    former: FormerResults,
    seal: SealComparison,
    files: ResultSet,
    remarks: Sequence[TrialWarning] = (),
) -> Results:
    """Reduce a prepared trial with what people noted and as they reviewed it.

    Args:
        trial: The trial.
        session: The session.
        config: Settings as used.
        notes: Trim settings and reviews among them have a part in the results.
        raw: From `trialcapture.archive.manifest.hash_raw`.
        former: Results of former runs; of equal segments they are used again.
        seal: What is there, compared with the seal.
        files: The results as files, of which the samples are read.
        remarks: What is to be said of the session itself.
    """
    with _open_episodes(files, trial, config) as read_samples:
        segments, bands, legs, findings = reduce_noted(
            trial, config, notes, session.id, read_samples, former.get, remarks
        )
    observed = observations_of(on_utc(notes, trial.wall_offsets)[0], session.folder)
    findings = with_observations(findings, observed, bands, legs)
    findings = with_note_record(findings, observed, legs, trial.overview, config)
    summary = _with_evidence(findings, trial, session, config, as_reviewed(segments), raw, seal)
    return Results(segments, bands, legs, summary)


def reduce_noted(
    trial: PreparedTrial,
    config: Config,
    notes: Sequence[Note],
    session_id: str,
    read_samples: ReadSamples,
    get: Callable[..., Any] = lambda make, *given: make(*given),
    remarks: Sequence[TrialWarning] = (),
    *,
    parts: TrialParts | None = None,
) -> tuple[pa.Table, pa.Table, pa.Table, Findings]:
    """Reduce a prepared trial with what people noted, and compare it with the plan: the same while it is recorded.

    Args:
        trial: The trial.
        config: Settings as used.
        notes: By people.
        session_id: Of the session.
        read_samples: Reads the full rate of an episode.
        get: Returns ``make(*given)``, where it can without making it again.
        remarks: What is to be said of the session itself.
        parts: How the costly parts are made; None for all of them, from nothing.

    Returns:
        Segments with their review, bands, legs and findings.
    """
    texts = mark_texts_of(notes)
    notes, off_s = on_utc(notes, trial.wall_offsets)

    def reduce(segments: pa.Table, texts: Sequence[str]) -> Result:
        from trialcapture.measure.circumstances import Mark  # noqa: PLC0415  a second look may need none of it
        from trialcapture.measure.trial import WHOLE, measure_trial  # noqa: PLC0415

        # where a program loaded NumPy before this package, its linear algebra takes every core for small matrices
        with threadpool_limits(limits=1, user_api="blas"):
            return measure_trial(
                segments, config, clocks=trial.clocks, samples=trial.overview, session_id=session_id,
                read_samples=read_samples,
                marks=[Mark(t_ns, text) for t_ns, text in zip(trial.marks_ns, texts, strict=True)],
                parts=parts or WHOLE,
            )  # fmt: skip

    readings, faults = readings_of(notes, config.engine_ids)
    noted, lost = with_readings(with_trims(trial.segments, trims_of(notes), config), readings, config)
    segments, (bands, legs, findings) = reduce_reviewed(
        noted, reviews_of(notes), lambda segments: get(reduce, segments, texts)
    )
    air = replace(
        findings.conditions, pressure_hpa=trial.air.get("pressure_hpa"), air_temp_c=trial.air.get("air_temp_c")
    )
    told = tuple(TrialWarning("reading", "yellow", text, "") for text in (*faults, *lost))
    told += tuple(
        TrialWarning("faster-than-time", "yellow", f"{note.value}; its figures are those of no boat", "")
        for note in notes
        if note.kind == SPEED
    )
    if abs(off_s) >= _TOLD_OFF_S:
        way = "behind" if off_s > 0 else "ahead of"
        text = f"the computer's clock was up to {abs(off_s):.0f} s {way} UTC; what was noted by it is moved by as much"
        told += (TrialWarning("noted-by-clock", "info", text, "raw/notes"),)
    damaged = sum(note.kind == DAMAGED for note in notes)
    if damaged:
        text = f"lines of the notes that could not be read: {damaged}; they count for nothing"
        told += (TrialWarning("notes", "yellow", text, "raw/notes"),)
    findings = replace(findings, conditions=air, warnings=(*remarks, *findings.warnings, *told))
    findings = _with_plan(findings, config, as_reviewed(segments), legs, bands, notes)
    return segments, bands, legs, findings


def _with_plan(
    findings: Findings, config: Config, segments: pa.Table, legs: pa.Table, bands: pa.Table, notes: Sequence[Note]
) -> Findings:
    """Return findings with what became of the plan; it rests on notes too, so no former result holds it."""
    plan = compare_plan(config, segments, legs, bands, findings, _noted_for_plan(notes))
    return replace(findings, plan=plan, warnings=(*findings.warnings, *plan_warnings(plan, config, bands)))


def _noted_for_plan(notes: Sequence[Note]) -> NotedForPlan:
    def said(note: Note, key: str) -> str:
        return str(note.more.get(key, "")).strip()

    valid = standing(notes)
    return NotedForPlan(
        sign_offs=tuple(
            SignOff(said(n, "step"), said(n, "way"), said(n, "reason"), n.by) for n in valid if n.kind == "hole"
        ),
        marks_ns=tuple(marks_of(notes)),
        sounds=sum(note.kind == "sound" for note in valid),
    )


def episode_rows(start_ns: int, stop_ns: int, first_ns: int, grid_hz: float, rows: int) -> tuple[int, int]:
    """Return the rows [start, stop) of the samples that an episode covers.

    Args:
        start_ns, stop_ns: Of the episode [ns UTC].
        first_ns: Of the first sample [ns UTC].
        grid_hz: Samples a second [Hz].
        rows: How many there are.
    """
    start, stop = (min(max(ceil((t_ns - first_ns) * grid_hz / 1e9), 0), rows) for t_ns in (start_ns, stop_ns))
    return start, stop


@contextmanager
def _open_episodes(files: ResultSet, trial: PreparedTrial, config: Config) -> Iterator[ReadSamples]:
    """Open the samples of a trial, to read the full rate of an episode of it."""
    with open_sample_rows(files.current("trialset/samples.parquet")) as samples:
        first_ns = integers(samples.read(0, 1, ["t"])["t"])[0][0]
        rows = trial.overview.num_rows * max(round(config.samples.grid_hz), 1)

        def read(start_ns: int, stop_ns: int, columns: Sequence[str]) -> pa.Table:
            return samples.read(*episode_rows(start_ns, stop_ns, int(first_ns), config.samples.grid_hz, rows), columns)

        yield read


def _with_evidence(
    findings: Findings,
    trial: PreparedTrial,
    session: Session,
    config: Config,
    segments: pa.Table,
    raw: Sequence[Mapping[str, Any]],
    seal: SealComparison,
) -> Summary:
    """Return the summary: the findings of the reduction and what only the whole flow knows."""
    # as numbers: a timestamp in nanoseconds becomes a Python value only by way of pandas
    starts_ns = integers(segments["start"])[0].tolist()
    verdicts = segments.select(["accepted", "reason", "duration_s"]).to_pylist()
    refused = [
        row | {"start_ns": start_ns} for row, start_ns in zip(verdicts, starts_ns, strict=True) if not row["accepted"]
    ]
    has_own_settings = config_hash(config) == config_hash(session.config)
    warnings = [*_seal_warnings(seal, has_own_settings), *findings.warnings]
    warnings += [TrialWarning("data", _severity(text), text, "") for text in dict.fromkeys(trial.warnings)]
    warnings += [
        TrialWarning("data-health", line.severity, f"{line.what} {line.text}", "") for line in page_one(trial.health)
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
        versions=SoftwareVersions(**versions_now()),
        seal=_seal_statement(seal, has_own_settings),
        raw=tuple(RawFile(**entry) for entry in raw),
        counts=tuple(SentenceCount(**row) for row in trial.counts.to_pylist()),
        clocks=tuple(ClockEntry(**row) for row in trial.clocks.to_pylist()),
        data_health=trial.health,
        dropped=Dropped(
            segments=_tally([r["reason"].split(":")[0] for r in refused]),
            longest_segment=_longest(refused),
            rejects=_sums(trial.rejects.to_pylist()),
        ),
    )


def _seal_statement(seal: SealComparison, has_own_settings: bool) -> SealStatement:
    return SealStatement(
        state=seal.state,
        root=seal.root,
        root_of_files=seal.root_of_files,
        changes=tuple(SealChange(change.path, change.kind, change.text) for change in seal.changes),
        reason=seal.reason,
        events=tuple(SealEvent(line.t, line.what, line.by, line.root, line.reason) for line in seal.lines),
        settings="of the session" if has_own_settings else "others",
    )


def _seal_warnings(seal: SealComparison, has_own_settings: bool) -> list[TrialWarning]:
    """Return what is to be said where the result does not rest on what was sealed, or somebody accepted changes."""
    told = [
        TrialWarning("seal", "red", f"CHANGED since it was sealed: {change}", change.path) for change in seal.changes
    ]
    if seal.state == "unsealed":
        told.append(TrialWarning("not-sealed", "yellow", f"not sealed: {seal.reason}", "seal.jsonl"))
    told += [
        TrialWarning(
            "seal", "yellow", f"{line.what} on {line.t} by {line.by}: {line.reason or '; '.join(line.found)}", ""
        )
        for line in seal.lines
        if line.what in (ACCEPTED, CLOSED_LATE) or line.found
    ]
    if not has_own_settings:
        text = "computed with other settings than those of the session, which the seal covers"
        told.append(TrialWarning("other-settings", "yellow", text, "session.toml"))
    return told


def _severity(text: str) -> Severity:
    return "red" if "not used" in text or "cannot" in text or "left out" in text else "yellow"


def _longest(refused: Sequence[Mapping[str, Any]]) -> LongestRefused | None:
    """Return start, length and reason of the longest refused stretch that may have been meant for a run."""
    meant = [r for r in refused if r["reason"].split(":")[0] not in NOT_DRIVEN and r["duration_s"] is not None]
    if not meant:
        return None
    longest = max(meant, key=lambda r: float(r["duration_s"]))
    return LongestRefused(utc_text(longest["start_ns"]), longest["duration_s"], longest["reason"])


def _sums(rejects: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    found: dict[str, int] = {}
    for row in sorted(rejects, key=lambda r: str(r["reason"])):
        found[row["reason"]] = found.get(row["reason"], 0) + row["count"]
    return found


def _tally(words: Sequence[str]) -> dict[str, int]:
    return {word: words.count(word) for word in sorted(set(words))}
