"""The whole flow on one screen: raw session in, trial set, reduction and report out."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from trialcapture import __version__
from trialcapture.acquire.ending import is_being_recorded
from trialcapture.archive.halves import missing_half
from trialcapture.archive.manifest import hash_raw
from trialcapture.archive.notes import marks_of, read_notes
from trialcapture.archive.parquet import write_file, write_parquet
from trialcapture.archive.photos import small_pictures
from trialcapture.archive.result_set import ResultSet, open_result_set, write_result_hashes
from trialcapture.archive.session import Session, as_recorded_so_far, can_files, nmea_files, open_session
from trialcapture.archive.verify import read_timeline
from trialcapture.config import Config, UnitSystem, config_hash, load_config
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.results import Results, compare_with_seal, provenance_of, reduce_prepared
from trialcapture.pipeline.reuse import (
    FormerResults,
    PreparedTrial,
    find_prepared,
    forget_ahead,
    has_prepared,
    keep_prepared,
    note_results,
    origin_of,
    set_ahead,
)
from trialcapture.prepare.steady.segments import segment_engines, with_session
from trialcapture.reduce.summary import Summary, TrialWarning, as_json
from trialcapture.reduce.tables import bands_csv, legs_csv, manoeuvres_csv
from trialcapture.report.format import ReaderUnits, join_words
from trialcapture.report.note_sections import MOST_PICTURES
from trialcapture.report.page import PDFS, pdf_library, render_report, render_sheet, trial_pdfs
from trialcapture.report.sheet import build_sheet
from trialcapture.report.spreadsheet import trial_xlsx
from trialcapture.report.track import track_geojson, track_gpx

if TYPE_CHECKING:
    from trialcapture.pipeline.reading import Progress

_LONG_BYTES = 64 << 20
"""From here on a log counts as that of a day: three hours of a small boat's network (our choice)."""
_FILES_AT_ONCE = 4
"""Results written at a time (our choice: with more the disk takes as long)."""


def process(
    folder: Path,
    config_text: str | None = None,
    progress: Progress = lambda _step, _share: None,
    units: UnitSystem | None = None,
    pdf: bool = False,
    hashing: Future[list[dict[str, Any]]] | None = None,
) -> dict[str, Any]:
    """Derive everything from a session's raw files: trial set, reduction, report.

    The session is compared with its seal first, and the summary says what was changed since; nothing is sealed. Equal
    raw files, settings, seal and versions of program and libraries give byte-identical files. They are put in their
    places all together or not at all.

    Args:
        folder: The session.
        config_text: Settings to use instead of those in ``session.toml``.
        progress: See `Progress`.
        units: What people read is in these; None for those of the settings. Of the files only
            report, sheet and workbook depend on it.
        pdf: Make sheet and report as PDF too. Where an earlier run left them they are made again in any case: they
            would be those of another result.
        hashing: `trialcapture.archive.manifest.hash_raw` of the session, where that has begun already.

    Returns:
        ``bands`` and ``legs`` (Arrow tables), ``summary`` (as JSON holds it), ``findings`` (the same, typed), ``units``
        (of the reader), ``paths`` of the files written, and ``told``: what was odd about files of former runs.

    Raises:
        TrialCaptureError: There is no session, no NMEA log, or no GNSS data in it; the disk is full; or a PDF is asked
            for and cannot be made here.
    """
    if pdf:
        pdf_library()  # before the work, not after it
    session, remarks = _as_it_stands(open_session(folder))
    with _allocator_for(session), open_result_set(folder) as files:
        known = None if session.lengths else hashing  # of a file that grows only what is read now counts
        made = _derive(session, config_text, progress, units, files, remarks, pdf=pdf, hashing=known)
        progress("writing", None)
        files.put_in_place()
    forget_ahead(session)
    note_results(folder, session.id)
    return made


def prepare_ahead(folder: Path, progress: Progress = lambda _step, _share: None) -> None:
    """Do now what `process` would do, and keep what takes long: it is there at once when somebody asks for it.

    There are no results yet, and those of an earlier run stand as they were. `process` uses again what has the hashes
    that are noted here and is made of the same files; the bytes of its results are the same either way.

    Args:
        folder: The session.
        progress: See `Progress`.

    Raises:
        TrialCaptureError: As `process`.
    """
    session, remarks = _as_it_stands(open_session(folder))
    with _allocator_for(session), open_result_set(folder) as files:
        _derive(session, None, progress, None, files, remarks, pdf=False, ahead=True)
        set_ahead(session, files)


@contextmanager
def _allocator_for(session: Session) -> Iterator[None]:
    """Have Arrow use the allocator that is fastest for the log of a day; a shorter one takes the least memory.

    The system's own gives back what is free at once, and fetching it again takes a tenth of eight hours (measured).
    """
    before = pa.default_memory_pool()
    if sum(path.stat().st_size for path in [*nmea_files(session), *can_files(session)]) >= _LONG_BYTES:
        with suppress(NotImplementedError):  # not every build of Arrow has it
            pa.set_memory_pool(pa.jemalloc_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(before)


def _derive(
    session: Session,
    config_text: str | None,
    progress: Progress,
    units: UnitSystem | None,
    files: ResultSet,
    remarks: Sequence[TrialWarning],
    *,
    pdf: bool,
    ahead: bool = False,
    hashing: Future[list[dict[str, Any]]] | None = None,
) -> dict[str, Any]:
    """Make all results and write them aside; return what `process` gives."""
    config = session.config if config_text is None else load_config(config_text)
    notes = read_notes(session)
    marks_ns = marks_of(notes)
    told: list[str] = []
    with ThreadPoolExecutor(1) as beside:
        hashing = hashing or beside.submit(hash_raw, session.folder, session.lengths)

        def origin() -> dict[str, str]:
            return origin_of(session, config, marks_ns, hashing.result())

        trial = find_prepared(session, origin(), files, told.append) if has_prepared(session) else None
        keeping = None
        if trial is None:
            from trialcapture.pipeline.preparing import prepare_trial  # noqa: PLC0415  a second look needs none of it

            trial = prepare_trial(session, config, marks_ns, origin, files, progress)
            keeping = beside.submit(partial(keep_prepared, ahead=ahead), origin(), trial, files)
        pa.default_memory_pool().release_unused()
        raw, former = hashing.result(), FormerResults(session, origin())
        seal = compare_with_seal(session, raw)
        progress("reduction", None)
        results = reduce_prepared(trial, session, config, notes, raw, former, seal, files, remarks)
        pa.default_memory_pool().release_unused()
        read_in = ReaderUnits(units or config.report.units, config.report.also)
        progress("report", None)
        sheet = build_sheet(results.bands, results.legs, results.summary, read_in)
        report = render_report(
            bands=results.bands, legs=results.legs, summary=results.summary, sheet=sheet, samples=trial.overview,
            segments=results.segments, clocks=trial.clocks, rejects=trial.rejects, units=read_in, draw=former.get,
            pictures=_pictures(session, results.summary),
        )  # fmt: skip
        first_page = render_sheet(sheet, results.bands, results.summary, read_in, former.get)
        if keeping is not None:
            keeping.result()
    tracks = _tracks(session, trial, results, former)
    former.keep()
    provenance = provenance_of(session, config, raw)
    pages = {"report.html": report.encode(), "sheet.html": first_page.encode(), **tracks}
    pages["trial.xlsx"] = trial_xlsx(results.bands, results.legs, sheet, results.summary, notes, read_in)
    pages |= _pdfs(session, first_page, report, progress, told, is_asked=pdf)
    summary = as_json(results.summary)
    _write(files, session, config, trial, results, summary, pages, provenance)
    write_result_hashes(
        files, root=seal.root_of_files, seal_line=seal.lines[-1].sha256 if seal.lines else "",
        settings_sha256=config_hash(config), units=units or config.report.units,
    )  # fmt: skip
    trialset, reduction = session.folder / "trialset", session.folder / "reduction"
    paths = {n: trialset / f"{n}.parquet" for n in ("samples", "segments", "segment_engines", "clocks", "rejects")}
    paths |= {
        "bands": reduction / "bands.csv",
        "report": reduction / "report.html",
        "sheet": reduction / "sheet.html",
        "summary": reduction / "summary.json",
        "spreadsheet": reduction / "trial.xlsx",
        "gpx": reduction / "track.gpx",
        "geojson": reduction / "track.geojson",
    }
    paths |= {name.replace(".", " "): reduction / name for name in PDFS if name in pages}
    return {
        "bands": results.bands, "legs": results.legs, "summary": summary, "findings": results.summary, "units": read_in,
        "paths": paths, "told": told,
    }  # fmt: skip


def _write(
    files: ResultSet,
    session: Session,
    config: Config,
    trial: PreparedTrial,
    results: Results,
    summary: Any,
    pages: Mapping[str, bytes],
    provenance: Mapping[str, str],
) -> None:
    """Write what is not written yet: tables, summary, tracks, and what people open.

    Most of the time goes into waiting until the disk has each file, so several are written at a time.
    """
    segments, bands, legs = results.segments, results.bands, results.legs
    tables = {
        "trialset/segments.parquet": with_session(segments, session.id),
        "trialset/segment_engines.parquet": segment_engines(segments, config.engine_ids, session.id),
        "trialset/clocks.parquet": trial.clocks,
        "reduction/bands.parquet": bands,
    }
    contents = {
        "bands.csv": bands_csv(bands),
        "legs.csv": legs_csv(legs),
        "manoeuvres.csv": manoeuvres_csv(results.summary.measures, session.id),
        "summary.json": (json.dumps(summary, indent=1, allow_nan=False) + "\n").encode(),
    }
    with ThreadPoolExecutor(_FILES_AT_ONCE) as disk:
        written = [disk.submit(write_parquet, files.place(name), table, provenance) for name, table in tables.items()]
        for name, content in (contents | dict(pages)).items():
            written.append(disk.submit(write_file, files.place(f"reduction/{name}"), content))
        for file in written:
            file.result()


def _tracks(session: Session, trial: PreparedTrial, results: Results, former: FormerResults) -> dict[str, bytes]:
    """Return the files of the track, which neither a note nor another unit changes."""
    reduction, legs = session.folder / "reduction", results.legs
    places, made_by = trial.overview.select(["t", "lat_deg", "lon_deg"]), f"trialcapture {__version__}"
    gpx = former.get_file(reduction / "track.gpx", track_gpx, places, legs, session.id, made_by)
    at = reduction / "track.geojson"
    return {
        "track.gpx": gpx,
        "track.geojson": former.get_file(at, track_geojson, places, legs, results.segments, session.id),
    }


def _pdfs(
    session: Session, sheet: str, page: str, progress: Progress, told: list[str], *, is_asked: bool
) -> dict[str, bytes]:
    """Return sheet and report as PDF where that is asked for or an earlier run left them."""
    former = [name for name in PDFS if (session.folder / "reduction" / name).exists()]
    if not (is_asked or former):
        return {}
    progress("PDF", None)
    try:
        return dict(zip(PDFS, trial_pdfs(sheet, page), strict=True))
    except TrialCaptureError as fault:
        if is_asked:
            raise
        told.append(f"{join_words(former)} belong to an earlier run and were not made again: {fault}")
        return {}


def _pictures(session: Session, summary: Summary) -> Mapping[str, str]:
    photos = () if summary.noted is None else summary.noted.photos[:MOST_PICTURES]
    return small_pictures(session.folder, [photo.file for photo in photos])


def _as_it_stands(session: Session) -> tuple[Session, list[TrialWarning]]:
    """Return the session as it can be read now, and what is to be said of that: recorded on, not closed, a half."""
    if is_being_recorded(session.folder):
        text = (
            "the session is still being recorded: the results hold what had come when it was processed. "
            "Process it again when the recording is closed"
        )
        return as_recorded_so_far(session), [TrialWarning("recording", "yellow", text, "")]
    missing = missing_half(session.folder)
    if missing:
        return session, [TrialWarning("half", "red", missing, "")]
    timeline = read_timeline(session.folder)
    if timeline.begun and not timeline.closed:
        text = (
            "the recording was never closed, as after a crash or a power cut: every line on the disk is used, and what "
            "came in its last second may be missing"
        )
        return session, [TrialWarning("recording", "yellow", text, "")]
    return session, []
