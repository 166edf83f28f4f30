"""The whole flow on one screen: raw session in, trial set, reduction and report out.

Memory does not grow with the length of a session: decoded blocks are set aside on the disk once, what must be known
of all of it is found from outlines, and the samples are made and written hour by hour.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pyarrow as pa
from threadpoolctl import threadpool_limits

from trialcapture.archive.notes import marks_of, read_notes
from trialcapture.archive.parquet import open_sample_rows, write_file, write_parquet
from trialcapture.archive.session import Session, open_session
from trialcapture.archive.work_folder import open_run_folder
from trialcapture.config import Config, UnitSystem, load_config
from trialcapture.pipeline.gridding import find_slices, write_samples
from trialcapture.pipeline.reading import (
    Progress,
    counts_table,
    log_rejections,
    read_engine_logs,
    read_logs,
    write_rejects,
)
from trialcapture.pipeline.results import PreparedTrial, hash_raw, no_gnss, provenance_of, reduce_prepared
from trialcapture.pipeline.reuse import find_prepared, has_prepared, keep_prepared, origin_of
from trialcapture.prepare.channels.grid import spike_items
from trialcapture.prepare.channels.receiver_choice import receiver_of
from trialcapture.prepare.channels.resolution import find_roundings
from trialcapture.prepare.data_health import find_holes, rejection_items, undecoded_items
from trialcapture.prepare.steady.segments import check_segments, segment_engines, silence_holes, with_session
from trialcapture.prepare.trial_alignment import align_trial
from trialcapture.reduce.summary import as_json
from trialcapture.reduce.tables import bands_csv, legs_csv
from trialcapture.report.page import render_report
from trialcapture.report.reader_units import ReaderUnits

__all__ = ["Progress", "process"]


def process(
    folder: Path,
    config_text: str | None = None,
    progress: Progress = lambda _step, _share: None,
    units: UnitSystem | None = None,
) -> dict[str, Any]:
    """Derive everything from a session's raw files: trial set, reduction, report.

    Equal raw files, settings and program version give byte-identical files. Each file is complete or absent.

    Args:
        folder: The session.
        config_text: Settings to use instead of those in ``session.toml``.
        progress: See `Progress`.
        units: What people read is in these; None for those of the settings. Of the files only the report depends on it.

    Returns:
        ``bands`` and ``legs`` (Arrow tables), ``summary`` (as JSON holds it), ``findings`` (the same, typed), ``units``
        (of the reader) and ``paths`` of the files written.

    Raises:
        TrialCaptureError: There is no session, no NMEA log, or no GNSS data in it; or the disk is full.
    """
    session = open_session(folder)
    config = session.config if config_text is None else load_config(config_text)
    notes = read_notes(session)
    marks_ns = marks_of(notes)
    # where a program loaded NumPy before this package, its linear algebra takes every core for small matrices
    with threadpool_limits(limits=1, user_api="blas"), ThreadPoolExecutor(1) as beside:
        hashing = beside.submit(hash_raw, session)

        def origin() -> dict[str, str]:
            return origin_of(session, config, marks_ns, hashing.result())

        trial, keeping = (find_prepared(session, origin()) if has_prepared(session) else None), None
        if trial is None:
            trial = prepare_trial(session, config, marks_ns, origin, progress)
            keeping = beside.submit(keep_prepared, session, origin(), trial)
        pa.default_memory_pool().release_unused()
        raw = hashing.result()
        progress("reduction", None)
        results = reduce_prepared(trial, session, config, notes, raw)
        read_in = ReaderUnits(units or config.report.units, config.report.also)
        progress("report", None)
        page = render_report(
            bands=results.bands, legs=results.legs, summary=results.summary, samples=trial.overview,
            segments=results.segments, clocks=trial.clocks, rejects=trial.rejects, units=read_in,
        )  # fmt: skip
        if keeping is not None:
            keeping.result()
    progress("writing", None)
    provenance = provenance_of(session, config, raw)
    trialset, reduction = folder / "trialset", folder / "reduction"
    write_parquet(trialset / "segments.parquet", with_session(results.segments, session.id), provenance)
    by_engine = segment_engines(results.segments, config.engine_ids, session.id)
    write_parquet(trialset / "segment_engines.parquet", by_engine, provenance)
    write_parquet(trialset / "clocks.parquet", trial.clocks, provenance)
    write_parquet(reduction / "bands.parquet", results.bands, provenance)
    write_file(reduction / "bands.csv", bands_csv(results.bands))
    write_file(reduction / "legs.csv", legs_csv(results.legs))
    summary = as_json(results.summary)
    summary_text = json.dumps(summary, indent=1, allow_nan=False) + "\n"
    write_file(reduction / "summary.json", summary_text.encode())
    write_file(reduction / "report.html", page.encode())
    paths = {n: trialset / f"{n}.parquet" for n in ("samples", "segments", "segment_engines", "clocks", "rejects")}
    paths |= {
        "bands": reduction / "bands.csv",
        "report": reduction / "report.html",
        "summary": reduction / "summary.json",
    }
    return {
        "bands": results.bands, "legs": results.legs, "summary": summary, "findings": results.summary, "units": read_in,
        "paths": paths,
    }  # fmt: skip


def prepare_trial(
    session: Session,
    config: Config,
    marks_ns: Sequence[int],
    origin: Callable[[], dict[str, str]],
    progress: Progress = lambda _step, _share: None,
) -> PreparedTrial:
    """Decode a session, place it on UTC, write samples and rejects, and judge its steady stretches.

    Args:
        session: The session.
        config: Boat and trial settings.
        marks_ns: Marks a person made, by the recording computer's clock [ns since 1970].
        origin: Called when it is needed: what the samples are made of, for their metadata.
        progress: See `Progress`.

    Raises:
        TrialCaptureError: There is no NMEA log, or no GNSS data in it; or the disk is full.
    """
    trialset = session.folder / "trialset"
    with open_run_folder(session.folder) as aside:
        logs, counts, warnings = read_logs(session, config, aside, progress)
        engine_logs = read_engine_logs(session, config, aside)
        arrangement = align_trial(
            [(log.name, log.outline) for log in logs],
            [(log.name, log.spec, log.outline) for log in engine_logs],
            config,
            marks_ns=marks_ns,
            progress=lambda step: progress(step, None),
        )
        rankings, span_ns, resolutions = arrangement.rankings, arrangement.span_ns, arrangement.resolutions
        if span_ns is None:
            raise no_gnss(session, counts)
        # what is free goes back to the system, so that the peak of the next step does not lie on top of this one's
        pa.default_memory_pool().release_unused()
        made_of = origin()
        rejected = write_rejects(trialset / "rejects.parquet", made_of, logs, engine_logs, arrangement)
        slices = find_slices(logs, engine_logs, arrangement)
        warnings += [*(text for log in engine_logs for text in log.warnings), *arrangement.warnings]
        health = arrangement.health.with_items(item for log in engine_logs for item in log.items)
        health = health.with_items(log_rejections(engine_logs))
        # the outlines have done their work; they are the largest thing held, and windows need room
        arrangement = replace(arrangement, logs={})
        del logs, engine_logs
        gridded = write_samples(
            trialset / "samples.parquet", made_of, slices, rankings, arrangement.on_change, span_ns, config, progress
        )
    progress("segments", None)
    leading = next(iter(rankings["velocity"]), "")
    with open_sample_rows(trialset / "samples.parquet") as samples:
        segments, contradictions = check_segments(
            samples.read, gridded.first_ns, gridded.stretches, config, receiver_of(leading),
            partial(arrangement.screen.u_kn, leading), resolutions,
        )  # fmt: skip
    health = health.with_items(spike_items(gridded.left_out, rankings, (span_ns[1] - span_ns[0]) / 3.6e12, config))
    health = health.with_items(silence_holes(gridded.stretches, gridded.first_ns, config))
    health = health.with_items([*contradictions, *find_roundings(segments, resolutions, config.engine_ids)])
    health = health.with_items(find_holes(gridded.overview, segments, config.engine_ids, health.holes))
    health = health.with_items([*rejection_items(rejected.by_field, counts), *undecoded_items(counts)])
    return PreparedTrial(
        segments,
        arrangement.clocks,
        gridded.overview,
        counts_table(counts),
        rejected.by_source,
        warnings,
        health,
        arrangement.air,
    )
