"""The whole flow on one screen: raw session in, trial set, reduction and report out.

Memory does not grow with the length of a session: decoded blocks are set aside on the disk, what must be known of
all of it is found from an outline, and the samples are made and written hour by hour.
"""

from __future__ import annotations

import json
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Any

from trialcapture.archive.parquet import write_file, write_parquet
from trialcapture.archive.second_process import (
    SecondProcess,
    is_long,
    one_thread_each,
    open_second_process,
    release_memory,
)  # fmt: skip
from trialcapture.archive.session import open_session
from trialcapture.config import UnitSystem, load_config
from trialcapture.pipeline.evidence import provenance_of
from trialcapture.pipeline.preparing import prepare_session
from trialcapture.pipeline.reading import Progress
from trialcapture.pipeline.results import make_results
from trialcapture.reduce.summary import as_json
from trialcapture.reduce.tables import bands_csv, legs_csv
from trialcapture.report.reader_units import ReaderUnits

__all__ = ["Progress", "process"]


def process(
    folder: Path,
    config_text: str | None = None,
    progress: Progress = lambda _step, _share: None,
    second: SecondProcess | None = None,
    units: UnitSystem | None = None,
) -> dict[str, Any]:
    """Derive everything from a session's raw files: trial set, reduction, report.

    Equal raw files, settings and program version give byte-identical files. Each file is complete or absent.

    Args:
        folder: The session.
        config_text: Settings to use instead of those in ``session.toml``.
        progress: See `Progress`.
        units: What people read is in these; None for those of the settings. No file but the report depends on it.
        second: Shares the work, where the caller has one; None to open one where the session is long.

    Returns:
        ``bands`` and ``legs`` (Arrow tables), ``summary`` (JSON-able), ``findings`` (the same, typed), ``units`` (of
        the reader) and ``paths`` of the files written.

    Raises:
        TrialCaptureError: There is no session, no NMEA log, or no GNSS data in it; or the disk is full.
    """
    session = open_session(folder)
    config = session.config if config_text is None else load_config(config_text)
    trialset, reduction = folder / "trialset", folder / "reduction"
    paths = {n: trialset / f"{n}.parquet" for n in ("samples", "segments", "clocks", "rejects")}
    with one_thread_each(), _shared_with(second, folder) as helper:
        made = prepare_session(session, config, trialset, helper, progress)
        release_memory()
        read_in = ReaderUnits(units or config.report.units, config.report.also)
        results, page = make_results(made, helper, lambda step: progress(step, None), read_in)
    progress("writing", None)
    bands, legs, summary = results.bands, results.legs, as_json(results.summary)
    provenance = provenance_of(session, config, made.raw)
    write_parquet(paths["segments"], results.segments, provenance)
    write_parquet(paths["clocks"], made.clocks, provenance)
    write_parquet(reduction / "bands.parquet", bands, provenance)
    write_file(reduction / "bands.csv", bands_csv(bands))
    write_file(reduction / "legs.csv", legs_csv(legs))
    write_file(reduction / "summary.json", (json.dumps(summary, indent=1, allow_nan=False) + "\n").encode())
    write_file(reduction / "report.html", page.encode())
    paths |= {
        "bands": reduction / "bands.csv",
        "report": reduction / "report.html",
        "summary": reduction / "summary.json",
    }
    return {
        "bands": bands, "legs": legs, "summary": summary, "findings": results.summary, "units": read_in, "paths": paths,
    }  # fmt: skip


def _shared_with(second: SecondProcess | None, folder: Path) -> AbstractContextManager[SecondProcess]:
    return open_second_process(is_long(folder), ready_for=__name__) if second is None else nullcontext(second)
