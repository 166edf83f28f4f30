"""The whole flow on one screen: raw session in, trial set, reduction and report out.

Memory does not grow with the length of a session: decoded blocks are set aside on the disk, what must be known of
all of it is found from an outline, and the samples are made and written hour by hour.
"""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from trialcapture.archive.notes import marks_of, read_notes, reviews_of, trims_of
from trialcapture.archive.parquet import write_file, write_parquet
from trialcapture.archive.sample_rows import open_sample_rows
from trialcapture.archive.second_process import open_second_process, release_memory
from trialcapture.archive.session import open_session
from trialcapture.archive.spill import open_spill
from trialcapture.config import load_config
from trialcapture.pipeline.evidence import hash_raw, no_gnss, plain, provenance_of
from trialcapture.pipeline.gridding import write_samples
from trialcapture.pipeline.pieces import find_pieces
from trialcapture.pipeline.reading import Progress, is_long, merged_counts, read_engine_logs, read_logs
from trialcapture.pipeline.rejects import write_rejects
from trialcapture.pipeline.results import Prepared, make_results, warm_up
from trialcapture.prepare.arrange import arrange_trial
from trialcapture.prepare.segments import make_segments
from trialcapture.reduce.tables import bands_csv, legs_csv

__all__ = ["Progress", "process"]


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
    notes = read_notes(session)
    trialset, reduction = folder / "trialset", folder / "reduction"
    paths = {n: trialset / f"{n}.parquet" for n in ("samples", "segments", "clocks", "rejects")}
    with ExitStack() as stack:
        aside = stack.enter_context(open_spill(folder))
        second = stack.enter_context(open_second_process(wanted=is_long(session)))
        hashing = stack.enter_context(ThreadPoolExecutor(1)).submit(hash_raw, session)
        # the engine logs first: they are the second process's until it is free to share the rest
        waiting = second.submit(read_engine_logs, session, config, aside) if second.is_there else None
        logs, counts, told = read_logs(session, config, aside, second, progress)
        engine_logs = waiting.result() if waiting else read_engine_logs(session, config, aside)
        release_memory()
        arrangement = arrange_trial(
            [(log.name, log.outline) for log in logs],
            [(log.name, log.spec, log.outline) for log in engine_logs],
            config,
            marks_ns=marks_of(notes),
            progress=lambda step: progress(step, None),
        )
        if arrangement.span_ns is None:
            raise no_gnss(session, counts)
        raw = hashing.result()
        provenance = provenance_of(session, config, raw)
        gridded = write_samples(
            paths["samples"],
            provenance,
            find_pieces(logs, engine_logs, arrangement),
            arrangement.rankings,
            arrangement.span_ns,
            config,
            aside,
            second,
            progress,
        )
        if second.is_there:
            second.submit(warm_up)
        rejected = write_rejects(paths["rejects"], provenance, logs, engine_logs, arrangement)
        release_memory()
        progress("segments", None)
        with open_sample_rows(paths["samples"]) as samples:
            segments = make_segments(samples.read, gridded.first_ns, gridded.stretches, config, trims_of(notes))
        release_memory()
        made = Prepared(
            session, config, raw, merged_counts(counts), segments, arrangement.clocks, gridded.overview, rejected,
            reviews_of(notes), [*told, *arrangement.warnings],
        )  # fmt: skip
        if second.is_there:
            progress("reduction and report", None)
            results = second.submit(make_results, made).result()
        else:
            results = make_results(made, lambda step: progress(step, None))
    progress("writing", None)
    bands, legs, summary = results.bands, results.legs, results.summary
    write_parquet(paths["segments"], results.segments, provenance)
    write_parquet(paths["clocks"], arrangement.clocks, provenance)
    write_parquet(reduction / "bands.parquet", bands, provenance)
    write_file(reduction / "bands.csv", bands_csv(bands))
    write_file(reduction / "legs.csv", legs_csv(legs))
    write_file(reduction / "summary.json", (json.dumps(plain(summary), indent=1, allow_nan=False) + "\n").encode())
    write_file(reduction / "report.html", results.page.encode())
    paths |= {
        "bands": reduction / "bands.csv",
        "report": reduction / "report.html",
        "summary": reduction / "summary.json",
    }
    return {"bands": bands, "legs": legs, "summary": summary, "paths": paths}
