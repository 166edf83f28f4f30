"""From raw files to samples, rejects and segments: the stages that see every line of a session."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from trialcapture.archive.notes import marks_of, read_notes, reviews_of, trims_of
from trialcapture.archive.sample_rows import open_sample_rows
from trialcapture.archive.second_process import SecondProcess, release_memory
from trialcapture.archive.session import Session
from trialcapture.archive.spill import open_spill
from trialcapture.config import Config
from trialcapture.pipeline.evidence import hash_raw, no_gnss, provenance_of
from trialcapture.pipeline.gridding import write_samples
from trialcapture.pipeline.pieces import find_pieces
from trialcapture.pipeline.reading import Progress, merged_counts, read_engine_logs, read_logs
from trialcapture.pipeline.rejects import log_rejections, write_rejects
from trialcapture.pipeline.results import Prepared, warm_up, warm_up_here
from trialcapture.prepare.channels.grid import spike_items
from trialcapture.prepare.channels.receiver_choice import receiver_of
from trialcapture.prepare.channels.resolution import find_roundings
from trialcapture.prepare.data_health import find_holes, rejection_items, undecoded_items
from trialcapture.prepare.steady.segments import check_segments, silence_holes
from trialcapture.prepare.trial_alignment import arrange_trial


def prepare_session(
    session: Session, config: Config, trialset: Path, second: SecondProcess, progress: Progress
) -> Prepared:
    """Decode a session, tie its clocks, write samples and rejects, and judge its steady stretches.

    Args:
        session: The session.
        config: Boat and trial settings.
        trialset: Folder for ``samples.parquet`` and ``rejects.parquet``.
        second: Shares the work.
        progress: Called with the name of each step and its share.

    Raises:
        TrialCaptureError: There is no NMEA log, or no GNSS data in it; or the disk is full.
    """
    notes = read_notes(session)
    with ExitStack() as stack:
        aside = stack.enter_context(open_spill(session.folder))
        hashing = stack.enter_context(ThreadPoolExecutor(1)).submit(hash_raw, session)
        # the engine logs first: they are the second process's until it is free to share the rest
        waiting = second.submit(read_engine_logs, session, config, aside) if second.is_there else None
        logs, counts, told = read_logs(session, config, aside, second, progress)
        engine_logs = waiting.result() if waiting else read_engine_logs(session, config, aside)
        release_memory()
        if second.is_there:
            # it has nothing else to do until there are windows to make, and this process would do the same later, alone
            second.submit(warm_up)
            warm_up_here()
        arrangement = arrange_trial(
            [(log.name, log.outline) for log in logs],
            [(log.name, log.spec, log.outline) for log in engine_logs],
            config,
            marks_ns=marks_of(notes),
            progress=lambda step: progress(step, None),
        )
        release_memory()
        if arrangement.span_ns is None:
            raise no_gnss(session, counts)
        raw = hashing.result()
        provenance = provenance_of(session, config, raw)
        pieces = find_pieces(logs, engine_logs, arrangement)
        rejected = write_rejects(trialset / "rejects.parquet", provenance, logs, engine_logs, arrangement)
        rankings, span_ns, clocks = arrangement.rankings, arrangement.span_ns, arrangement.clocks
        told += [*(text for log in engine_logs for text in log.told), *arrangement.warnings]
        health = arrangement.health.with_items(item for log in engine_logs for item in log.items)
        health, screen = health.with_items(log_rejections(engine_logs)), arrangement.screen
        resolutions, on_change, air = arrangement.resolutions, arrangement.on_change, arrangement.air
        # the outlines have done their work; they are the largest thing held, and windows need room
        del logs, engine_logs, arrangement
        release_memory()
        gridded = write_samples(
            trialset / "samples.parquet",
            provenance,
            pieces,
            rankings,
            on_change,
            span_ns,
            config,
            aside,
            second,
            progress,
        )
    hours = (span_ns[1] - span_ns[0]) / 3.6e12
    health = health.with_items(spike_items(gridded.left_out, rankings, hours, config))
    progress("segments", None)
    health = health.with_items(silence_holes(gridded.stretches, gridded.first_ns, config))
    with open_sample_rows(trialset / "samples.parquet") as samples:
        leading = next(iter(rankings["velocity"]), "")
        segments, contradictions = check_segments(
            samples.read, gridded.first_ns, gridded.stretches, config, trims_of(notes), receiver_of(leading),
            partial(screen.u_kn, leading), resolutions,
        )  # fmt: skip
    health = health.with_items([*contradictions, *find_roundings(segments, resolutions, config.engine_ids)])
    health = health.with_items(find_holes(gridded.overview, segments, config.engine_ids, health.holes))
    heard = merged_counts(counts)
    health = health.with_items([*rejection_items(rejected.by_field, heard), *undecoded_items(heard)])
    return Prepared(
        session, config, raw, heard, segments, clocks, gridded.overview, rejected, reviews_of(notes),
        told, health, air,
    )  # fmt: skip
