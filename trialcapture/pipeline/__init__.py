"""The whole flow on one screen: raw session in, trial set, reduction and report out.

Memory does not grow with the length of a session: decoded blocks are set aside on the disk once, what must be known
of all of it is found from outlines, and the samples are made and written hour by hour.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from trialcapture.archive.notes import Note, marks_of, read_notes, reviews_of, trims_of
from trialcapture.archive.parquet import open_sample_rows, write_file, write_parquet
from trialcapture.archive.session import Session, open_session
from trialcapture.archive.work_folder import open_run_folder
from trialcapture.config import Config, load_config
from trialcapture.pipeline.gridding import find_slices, write_samples
from trialcapture.pipeline.reading import Progress, log_rejections, read_engine_logs, read_logs, write_rejects
from trialcapture.pipeline.results import PreparedTrial, hash_raw, no_gnss, provenance_of, reduce_prepared
from trialcapture.prepare.channels.grid import spike_items
from trialcapture.prepare.channels.receiver_choice import receiver_of
from trialcapture.prepare.channels.resolution import find_roundings
from trialcapture.prepare.data_health import find_holes, rejection_items, undecoded_items
from trialcapture.prepare.steady.segments import check_segments, silence_holes
from trialcapture.prepare.trial_alignment import arrange_trial
from trialcapture.reduce.summary import as_json
from trialcapture.reduce.tables import bands_csv, legs_csv
from trialcapture.report.page import render_report

__all__ = ["Progress", "process"]


def process(
    folder: Path,
    config_text: str | None = None,
    progress: Progress = lambda _step, _share: None,
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
    notes = read_notes(session)
    # where a program loaded NumPy before this package, its linear algebra takes every core for small matrices
    with threadpool_limits(limits=1, user_api="blas"), ThreadPoolExecutor(1) as beside:
        hashing = beside.submit(hash_raw, session)
        trial = prepare_trial(session, config, notes, hashing, progress)
        raw = hashing.result()
        progress("reduction", None)
        results = reduce_prepared(trial, session, config, reviews_of(notes), raw)
        summary = as_json(results.summary)
        progress("report", None)
        page = render_report(
            bands=results.bands, legs=results.legs, summary=summary, samples=trial.overview,
            segments=results.segments, clocks=trial.clocks, rejects=trial.rejected.by_source,
        )  # fmt: skip
    progress("writing", None)
    provenance = provenance_of(session, config, raw)
    trialset, reduction = folder / "trialset", folder / "reduction"
    write_parquet(trialset / "segments.parquet", results.segments, provenance)
    write_parquet(trialset / "clocks.parquet", trial.clocks, provenance)
    write_parquet(reduction / "bands.parquet", results.bands, provenance)
    write_file(reduction / "bands.csv", bands_csv(results.bands))
    write_file(reduction / "legs.csv", legs_csv(results.legs))
    summary_text = json.dumps(summary, indent=1, allow_nan=False) + "\n"
    write_file(reduction / "summary.json", summary_text.encode())
    write_file(reduction / "report.html", page.encode())
    paths = {n: trialset / f"{n}.parquet" for n in ("samples", "segments", "clocks", "rejects")}
    paths |= {
        "bands": reduction / "bands.csv",
        "report": reduction / "report.html",
        "summary": reduction / "summary.json",
    }
    return {"bands": results.bands, "legs": results.legs, "summary": summary, "paths": paths}


def prepare_trial(
    session: Session,
    config: Config,
    notes: Sequence[Note],
    hashing: Future[list[dict[str, Any]]],
    progress: Progress = lambda _step, _share: None,
) -> PreparedTrial:
    """Decode a session, place it on UTC, write samples and rejects, and judge its steady stretches.

    Args:
        session: The session.
        config: Boat and trial settings.
        notes: Its notes.
        hashing: Gives the hashes of the raw files.
        progress: See `Progress`.

    Raises:
        TrialCaptureError: There is no NMEA log, or no GNSS data in it; or the disk is full.
    """
    trialset = session.folder / "trialset"
    with open_run_folder(session.folder) as aside:
        logs, counts, warnings = read_logs(session, config, aside, progress)
        engine_logs = read_engine_logs(session, config, aside)
        arrangement = arrange_trial(
            [(log.name, log.outline) for log in logs],
            [(log.name, log.spec, log.outline) for log in engine_logs],
            config,
            marks_ns=marks_of(notes),
            progress=lambda step: progress(step, None),
        )
        rankings, span_ns, resolutions = arrangement.rankings, arrangement.span_ns, arrangement.resolutions
        if span_ns is None:
            raise no_gnss(session, counts)
        provenance = provenance_of(session, config, hashing.result())
        rejected = write_rejects(trialset / "rejects.parquet", provenance, logs, engine_logs, arrangement)
        slices = find_slices(logs, engine_logs, arrangement)
        gridded = write_samples(
            trialset / "samples.parquet", provenance, slices, rankings, arrangement.on_change, span_ns, config, progress
        )
    progress("segments", None)
    leading = next(iter(rankings["velocity"]), "")
    with open_sample_rows(trialset / "samples.parquet") as samples:
        segments, contradictions = check_segments(
            samples.read, gridded.first_ns, gridded.stretches, config, trims_of(notes), receiver_of(leading),
            partial(arrangement.screen.u_kn, leading), resolutions,
        )  # fmt: skip
    warnings += [*(text for log in engine_logs for text in log.warnings), *arrangement.warnings]
    health = arrangement.health.with_items(item for log in engine_logs for item in log.items)
    health = health.with_items(log_rejections(engine_logs))
    health = health.with_items(spike_items(gridded.left_out, rankings, (span_ns[1] - span_ns[0]) / 3.6e12, config))
    health = health.with_items(silence_holes(gridded.stretches, gridded.first_ns, config))
    health = health.with_items([*contradictions, *find_roundings(segments, resolutions, config.engine_ids)])
    health = health.with_items(find_holes(gridded.overview, segments, config.engine_ids, health.holes))
    health = health.with_items([*rejection_items(rejected.by_field, counts), *undecoded_items(counts)])
    return PreparedTrial(
        segments, arrangement.clocks, gridded.overview, counts, rejected, warnings, health, arrangement.air
    )
