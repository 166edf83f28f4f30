"""A trial spread over several sessions or days: kept together verbatim, processed one by one, put into one table."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import tomli_w

from trialcapture import __version__
from trialcapture.archive.atomic import write_error, write_file
from trialcapture.archive.manifest import hash_file, raw_files
from trialcapture.archive.notes import read_notes
from trialcapture.archive.parquet import read_parquet, write_parquet
from trialcapture.archive.session import COMBINED, FILE_NAME, Session, listed_sessions, open_session
from trialcapture.config import UnitSystem
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import process
from trialcapture.pipeline.reading import Progress
from trialcapture.reduce.combined_bands import CombinedTrial, combine_bands, combine_summaries
from trialcapture.reduce.summary import as_json
from trialcapture.reduce.tables import bands_csv, legs_csv, manoeuvres_csv
from trialcapture.report.combined_sheet import build_combined_sheet, render_combined_sheet
from trialcapture.report.format import ReaderUnits
from trialcapture.report.page import sheet_pdf
from trialcapture.report.spreadsheet import combined_xlsx

_KEPT = (FILE_NAME, "manifest.json", "seal.jsonl")
_KEPT_FORMER = "session-former-*.toml"


@dataclass(frozen=True, slots=True)
class CombinedResult:
    """The result of a trial of several sessions: band table, everything else, units of the reader, files written."""

    bands: pa.Table
    trial: CombinedTrial
    units: ReaderUnits
    paths: dict[str, Path]


def combine_sessions(sources: Sequence[Path], into: Path, progress: Progress = lambda _step, _share: None) -> None:
    """Copy sessions into one folder, each with its own settings, raw files and seal, byte for byte.

    The folder is there whole or not at all. Nothing derived is copied: it is made again.

    Args:
        sources: Two sessions or more of one boat.
        into: A folder that does not exist yet, or is empty.
        progress: See `Progress`.

    Raises:
        TrialCaptureError: They are not of one boat, one is given twice, or the folder is in use or cannot be written.
    """
    sessions = [open_session(source) for source in sources]
    _refuse_unlike(sessions)
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise TrialCaptureError(
            "a trial of several sessions needs a folder of its own",
            seen="a folder or file that is in use",
            where=str(into),
            expected="give a name that does not exist yet; one that was combined before is processed by its name alone",
        )
    unfinished = into.with_name(f"{into.name}.unfinished-{os.getpid()}")
    names = [f"{number}-{session.id}" for number, session in enumerate(sessions, 1)]
    try:
        for number, (session, name) in enumerate(zip(sessions, names, strict=True)):
            progress("copying", number / len(sessions))
            _copy(session.folder, unfinished / "sessions" / name)
        listed = {"made_by": f"trialcapture {__version__}", "session": [f"sessions/{name}" for name in names]}
        write_file(unfinished / COMBINED, tomli_w.dumps({"combined": listed}).encode())
        if into.is_dir():
            into.rmdir()
        unfinished.rename(into)
    except OSError as fault:
        raise write_error(fault, into) from fault
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)


def _refuse_unlike(sessions: Sequence[Session]) -> None:
    ids = [session.id for session in sessions]
    if len(set(ids)) < len(ids):
        raise TrialCaptureError(
            "a session is given twice, or two have the same id", seen=", ".join(ids), expected="give each session once"
        )
    first = sessions[0].config
    for session in sessions[1:]:
        other = session.config
        unlike = [f"boat.{k}" for k, v in first.boat.model_dump().items() if getattr(other.boat, k) != v]
        unlike += ["engine"] if other.engine != first.engine else []
        unlike += ["fuel.calibration"] if other.fuel.calibration != first.fuel.calibration else []
        if unlike:
            raise TrialCaptureError(
                "the sessions are not of one boat with the same instruments, so they are no one trial",
                seen=f"other {', '.join(unlike)}",
                where=f"{sessions[0].folder} and {session.folder}",
                expected="sessions whose [boat], [[engine]] and fuel calibration say the same; load and conditions may "
                "differ",
            )


def _copy(source: Path, target: Path) -> None:
    """Copy what a session was made of, and see that every file arrived as it was."""
    kept = [source / name for name in _KEPT if (source / name).is_file()]
    for path in [*kept, *sorted(source.glob(_KEPT_FORMER)), *raw_files(source)]:
        copy = target / path.relative_to(source)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, copy)
        if hash_file(copy) != hash_file(path):
            raise TrialCaptureError("a copy differs from its original", seen=str(path), where=str(copy))


def process_combined(
    folder: Path,
    progress: Progress = lambda _step, _share: None,
    units: UnitSystem | None = None,
    pdf: bool = False,
) -> CombinedResult:
    """Process every session of a trial, and put their bands into one table.

    Args:
        folder: From `combine_sessions`.
        progress: See `Progress`.
        units: Of sheet and reports; None for those of the settings, for the whole those of the first session.
        pdf: Make the sheet, and sheet and report of each session, as PDF too; see `trialcapture.pipeline.process`.

    Raises:
        TrialCaptureError: The list of sessions is damaged, or a session cannot be processed.
    """
    names = listed_sessions(folder)
    results = [process(folder / name, progress=progress, units=units, pdf=pdf) for name in names]
    bands, steps = combine_bands([result["bands"] for result in results])
    trial = combine_summaries([result["findings"] for result in results], names, bands, steps, __version__)
    legs = pa.concat_tables([result["legs"] for result in results])
    segments = [read_parquet(folder / name / "trialset" / "segments.parquet") for name in names]
    of = folder / "reduction"
    origin = {
        "trialcapture_version": __version__,
        "sessions": json.dumps({s.id: s.root_of_files for s in trial.sessions}, sort_keys=True),
    }
    write_parquet(of / "bands.parquet", bands, origin)
    write_parquet(of / "legs.parquet", legs, origin)
    plain = [s.replace_schema_metadata(None) for s in segments]
    write_parquet(of / "segments.parquet", pa.concat_tables(plain, promote_options="default"), origin)
    write_file(of / "bands.csv", bands_csv(bands))
    write_file(of / "legs.csv", legs_csv(legs))
    driven = [manoeuvres_csv(result["findings"].measures, result["findings"].session.id) for result in results]
    write_file(of / "manoeuvres.csv", driven[0] + b"".join(text.partition(b"\n")[2] for text in driven[1:]))
    text = json.dumps(as_json(trial), indent=1, allow_nan=False) + "\n"
    write_file(of / "summary.json", text.encode())
    read_in: ReaderUnits = results[0]["units"]
    findings = [result["findings"] for result in results]
    made = build_combined_sheet(bands, trial, findings, [result["bands"] for result in results], read_in)
    sheet = render_combined_sheet(made, bands, trial, read_in)
    notes = [read_notes(open_session(folder / name)) for name in names]
    write_file(of / "sheet.html", sheet.encode())
    write_file(of / "trial.xlsx", combined_xlsx(bands, legs, made, findings, notes, read_in))
    paths = {"sheet": of / "sheet.html", "bands": of / "bands.csv", "summary": of / "summary.json"}
    paths["spreadsheet"] = of / "trial.xlsx"
    if pdf or (of / "sheet.pdf").exists():
        progress("PDF", None)
        write_file(of / "sheet.pdf", sheet_pdf(sheet))
        paths["sheet pdf"] = of / "sheet.pdf"
    paths |= {f"report {s.id}": folder / s.folder / "reduction" / "report.html" for s in trial.sessions}
    return CombinedResult(bands, trial, read_in, paths)
