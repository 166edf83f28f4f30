"""The page after the trial: engine logs, processing, review of stretches, exports, verification and seal.

Everything here is done by the code of the commands ``collect``, ``process``, ``review``, ``pack``, ``verify`` and
``seal``. What is offered for download is a fixed list of names; no part of an address is a path.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import tempfile
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from shutil import copyfileobj
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from trialcapture.archive.collect import collect
from trialcapture.archive.note_entry import Wanted, enter_reviews
from trialcapture.archive.notes import read_notes, read_segments, reviews_of
from trialcapture.archive.parquet import read_parquet
from trialcapture.archive.seal import (
    CLOSED_LATE,
    Acceptance,
    hold_seal,
    read_chain,
    refuse_changed,
    seal_closed,
    short_root,
    utc_now,
)
from trialcapture.archive.session import Session, engine_files, unmatched_engine_files
from trialcapture.archive.verify import read_timeline
from trialcapture.config import load_config
from trialcapture.desk.access import Posted, Role, post_route
from trialcapture.desk.dock import FORM_BYTES, FORM_FIELDS, RESERVED_NAME, Dock, in_words
from trialcapture.desk.dock_forms import parse_number
from trialcapture.desk.engine_log_forms import (
    AsRead,
    DroppedLog,
    as_read,
    declared_table,
    log_form,
    look_at,
    rows_shown,
    settings_with,
    times_shown,
)
from trialcapture.desk.entries import WRITER, entry_name
from trialcapture.desk.jobs import JobKind, Jobs, for_form
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.segment_review import review_segments
from trialcapture.prepare.steady.segments import segments_schema
from trialcapture.report.figures_trial import clocks_figure
from trialcapture.report.format import ReaderUnits, own_decimals
from trialcapture.safe_text import clean_lines
from trialcapture.system.session_files import SessionLock, lock_if_there, read_whole, require_plain

if TYPE_CHECKING:
    from trialcapture.desk.entries import Day
    from trialcapture.desk.server import Desk

Floats = npt.NDArray[np.float64]

LOG_BYTES = 512 << 20
"""Largest engine log taken by the page: a day of 50 channels at 10 Hz has a quarter of it (our choice)."""
_MOST_LOGS = 20
_MOST_RESULT_BYTES = 256 << 20

RESULTS: Mapping[str, tuple[str, str]] = {
    "sheet.html": ("reduction", "text/html; charset=utf-8"),
    "report.html": ("reduction", "text/html; charset=utf-8"),
    "trial.xlsx": ("reduction", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "bands.csv": ("reduction", "text/csv; charset=utf-8"),
    "legs.csv": ("reduction", "text/csv; charset=utf-8"),
    "manoeuvres.csv": ("reduction", "text/csv; charset=utf-8"),
    "summary.json": ("reduction", "application/json"),
    "track.gpx": ("reduction", "application/gpx+xml"),
    "track.geojson": ("reduction", "application/geo+json"),
}
"""Names that may be asked for, where each lies in the session, and its type."""
_SHOWN = ("sheet.html", "report.html")
"""Those a browser shows; all others it saves."""
EXPORTS = (
    ("trial.xlsx", "Workbook", "tables for any spreadsheet, the safe choice where decimals have a comma"),
    ("bands.csv", "Bands", "one row an RPM band, units in the headings"),
    ("legs.csv", "Legs", "the runs behind each band"),
    ("manoeuvres.csv", "Manoeuvres", "accelerations, stops and turns"),
    ("track.gpx", "Track, GPX", "for charts and maps"),
    ("track.geojson", "Track, GeoJSON", "for maps and programs"),
    ("summary.json", "Summary", "all results for programs"),
)
_PAGE_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox allow-modals allow-popups"
)
"""A report may come from a session that somebody else made: it may look as it likes and do nothing."""
_POINTS = 700
"""Points of each line on the time line."""
_NAME_LETTERS = re.compile(r"[^\w .,()+#@=&~-]+")


@dataclass(slots=True)
class _Pending:
    """A dropped log on the page.

    Attributes:
        log: What a first look shows.
        typed: What stands in its fields.
        faults, field_faults: What is wrong with them.
        read: What the declarations make of it, once they were tried.
        said: Why it was not read.
    """

    log: DroppedLog
    typed: Mapping[str, Sequence[str]] | None = None
    faults: Sequence[str] = ()
    field_faults: Mapping[str, Sequence[str]] = field(default_factory=dict)
    read: AsRead | None = None
    said: str = ""


class Ahead:
    """Has everything prepared as soon as a recording ends or its files change here, so that processing takes less.

    Only of a session that this desk saw recorded, or that was changed on its pages: opening one starts nothing.

    Args:
        day: The day on the desk.
        jobs: Work under way.
    """

    def __init__(self, day: Day, jobs: Jobs) -> None:
        self._day, self._jobs = day, jobs
        self.is_due = False

    def look(self) -> None:
        """Begin where it is due and nothing is in the way; called once a second."""
        if self._day.stage() == "under way":
            self.is_due = True
        elif self.is_due and self._day.has_session and self._jobs.state_of("process").state != "running":
            self.is_due = False
            self._jobs.stop("prepare")  # it works on what was
            with suppress(TrialCaptureError):  # what cannot be read is told where somebody asks for it
                self._jobs.start("prepare", str(self._day.open_session().folder))


class After:
    """The page after the trial.

    Args:
        desk: What it is a part of.
        jobs: Work under way.
    """

    def __init__(self, desk: Desk, jobs: Jobs) -> None:
        self._desk, self._jobs = desk, jobs
        self._ahead = Ahead(desk.day, jobs)
        desk.watchers.append(self._ahead.look)
        self._place = tempfile.TemporaryDirectory(prefix="trialcapture-desk-")
        self._pending: dict[int, _Pending] = {}
        self._last = 0
        self._one_at_a_time = threading.Lock()

    def routes(self) -> list[BaseRoute]:
        """Return the routes of the page, of what it posts and of what it offers."""
        access, words = self._desk.access, partial(in_words, self._desk)
        return [
            Route("/after", self._page),
            Route("/after/clocks.svg", self._clocks_picture),
            Route("/after/pack/{kind}", self._packed),
            Route("/results/{name}", self._result),
            post_route("/after/log", words(self._dropped), access, most_bytes=LOG_BYTES, most_files=8, owner_only=True),
            post_route(
                "/after/declare", words(self._declare), access, most_bytes=FORM_BYTES, most_fields=FORM_FIELDS,
                owner_only=True,
            ),
            post_route("/after/process", words(self._process), access, owner_only=True),
            post_route("/after/review", words(self._review), access, owner_only=True),
            post_route("/after/verify", words(self._verify), access, owner_only=True),
            post_route("/after/pack", words(self._pack), access, owner_only=True),
            post_route("/after/seal", words(self._seal), access, owner_only=True),
        ]  # fmt: skip

    # The page.

    def _page(self, request: Request) -> Response:
        said = _SAID.get(request.query_params.get("said", ""), "")
        return self._render(request.scope["role"], said=said)

    def _render(
        self, role: Role, *, said: str = "", fault: str = "", typed: Mapping[str, str] | None = None, status: int = 200
    ) -> Response:
        day = self._desk.day
        context: dict[str, Any] = {
            "said": said, "fault": fault, "typed": typed or {}, "has_session": day.has_session,
            "once": secrets.token_hex(12),
        }  # fmt: skip
        if day.has_session:
            session = day.open_session()
            context |= self._about(session)
        return self._desk.page(role, "after.html", status, **context)

    def _about(self, session: Session) -> dict[str, Any]:
        folder = session.folder
        units = self._desk.day.units()
        chain = read_chain(folder)
        stretches, warnings = self._stretches(session)
        times = _times(folder)
        line = None if times is None else _time_line(times, stretches)
        bands = _bands(folder, units)
        pending = {}
        for number, waiting in self._pending.items():
            groups, loose = log_form(
                waiting.log, session.config.engine_ids, typed=waiting.typed, faults=waiting.faults,
                field_faults=waiting.field_faults,
            ) if waiting.log.look is not None else ([], [])  # fmt: skip
            look = waiting.log.look
            pending[number] = {
                "name": waiting.log.path.name, "groups": groups, "loose": loose, "questions": waiting.log.questions,
                "rows": rows_shown(look) if look is not None else [], "times": times_shown(look) if look else [],
                "sheets": waiting.log.sheets if look is None else (), "read": waiting.read, "said": waiting.said,
                "delimiters": list(look.delimiters.items()) if look else [],
                "described": waiting.log.described is not None,
            }  # fmt: skip
        return {
            "is_recorded": self._desk.day.is_recorded(),
            "logs": _logs(session),
            "pending": pending,
            "has_results": bands is not None,
            "is_older": _is_older(folder),
            "bands": bands,
            "clocks": _clocks(folder),
            "stretches": stretches,
            "review_warnings": warnings,
            "line": line,
            "exports": [(n, title, about) for n, title, about in EXPORTS if (folder / RESULTS[n][0] / n).is_file()],
            "root": None if chain is None or chain.root is None else (short_root(chain.root), chain.root),
            "seal_lines": [] if chain is None else [(s.number, s.t, s.what, s.by) for s in chain.lines],
            "jobs": {kind: self._jobs.state_of(kind).as_json() for kind in ("process", "verify", "pack", "share")},
            "steps": session.config.plan.steps_rpm if session.config.plan else session.config.bands.steps_rpm,
        }

    def _stretches(self, session: Session) -> tuple[list[dict[str, Any]], list[str]]:
        """Return the stretches found, with what people decided about them; none before processing."""
        if not (session.folder / "trialset" / "segments.parquet").is_file():
            return [], []
        try:
            segments = read_segments(session.folder, segments_schema(session.config.engine_ids))
            found = review_segments(segments, reviews_of(read_notes(session)))
        except TrialCaptureError as fault:
            return [], [clean_lines(str(fault))]
        rows = [_stretch(row, self._desk.day.units()) for row in found.segments.to_pylist()]
        return rows, [clean_lines(warning["text"]) for warning in found.warnings]

    # Engine logs.

    def _dropped(self, posted: Posted) -> Response:
        session = self._desk.day.open_session()
        uploads = [file for files in posted.uploads.values() for file in files]
        if not uploads:
            return self._render(posted.role, fault="No file came along. Choose an engine log, or drop one.", status=422)
        faults = []
        with self._one_at_a_time:
            for upload in uploads:
                if len(self._pending) >= _MOST_LOGS:
                    faults.append("Too many logs wait for their declarations; collect or drop some first.")
                    break
                self._last += 1
                folder = Path(self._place.name) / str(self._last)
                folder.mkdir()
                path = folder / log_name(upload.name)
                with path.open("wb") as file:
                    upload.file.seek(0)
                    copyfileobj(upload.file, file, 1 << 20)
                try:
                    log = look_at(path, session.config, session.config_text)
                except TrialCaptureError as fault:
                    path.unlink()
                    faults.append(f"{upload.name[:100]}: {_without_place(fault, path)}")
                    continue
                self._pending[self._last] = _Pending(log)
                if log.described is not None:
                    self._try(self._pending[self._last], session, {})
        if faults:
            return self._render(posted.role, fault=clean_lines(" ".join(faults)), status=422)
        return RedirectResponse(f"/after#log-{self._last}", 303)

    def _declare(self, posted: Posted) -> Response:
        session = self._desk.day.open_session()
        number = posted.fields.get("log", "")
        action = posted.fields.get("action", "try")
        with self._one_at_a_time:
            waiting = self._pending.get(int(number)) if re.fullmatch(r"\d{1,9}", number) else None
            if waiting is None:
                return self._render(posted.role, fault="This log is not waiting any more; drop it again.", status=404)
            if action == "drop":
                self._forget_log(int(number))
                return RedirectResponse("/after#logs", 303)
            if action == "sheet":
                log = look_at(
                    waiting.log.path, session.config, session.config_text, posted.fields.get("sheet", "")[:200]
                )
                self._pending[int(number)] = _Pending(log)
                return RedirectResponse(f"/after#log-{number}", 303)
            typed = {name: list(values) for name, values in posted.several.items() if name.startswith("engine_log.")}
            if action.startswith("add:"):
                name = action.removeprefix("add:")
                groups, _ = log_form(waiting.log, session.config.engine_ids, typed=typed)
                taken = [g.name for top in groups for g in top.every_group() if g.name.rpartition(".")[0] == name]
                typed[f"{name}.{len(taken)}.begun"] = [""]
                waiting.typed = typed
                return RedirectResponse(f"/after#log-{number}", 303)
            config_text = self._try(waiting, session, typed)
            if action != "collect" or config_text is None:
                return self._render(posted.role, status=200 if config_text is not None else 422)
            return self._collect(posted, session, int(number), waiting, config_text)

    def _try(self, waiting: _Pending, session: Session, typed: Mapping[str, Sequence[str]]) -> str | None:
        """Read a log by what is declared; return the settings that do, None where it cannot be read."""
        waiting.typed, waiting.read, waiting.said, waiting.faults = typed or None, None, "", ()
        table: Mapping[str, Any] = waiting.log.draft
        field_faults: dict[str, list[str]] = {}
        if typed:
            table, field_faults = declared_table(waiting.log, typed, session.config.engine_ids)
        waiting.field_faults = field_faults
        if field_faults:
            waiting.said = "Something is not decided yet, or cannot be read: see beside the fields."
            return None
        text, config, faults = settings_with(session.config_text, waiting.log, table)
        if config is None:
            waiting.faults, waiting.said = faults, "The declarations are not complete: see beside the fields."
            return None
        try:
            waiting.read = as_read(waiting.log.path, config)
        except TrialCaptureError as fault:
            waiting.said = _without_place(fault, waiting.log.path)
            return None
        return text

    def _collect(self, posted: Posted, session: Session, number: int, waiting: _Pending, config_text: str) -> Response:
        told: list[str] = []
        try:
            with lock_if_there(session.folder):
                collect(
                    [], [waiting.log.path], load_config(config_text), session.folder, created=utc_now(),
                    config_text=config_text, accept=_acceptance(posted.fields), warn=told.append,
                )  # fmt: skip
        except TrialCaptureError as fault:
            return self._render(posted.role, fault=_without_place(fault, waiting.log.path), status=422)
        self._forget_log(number)
        self._ahead.is_due = True
        self._jobs.forget("process", "verify", "pack", "share")
        return RedirectResponse("/after?said=collected", 303)

    def _forget_log(self, number: int) -> None:
        waiting = self._pending.pop(number, None)
        if waiting is not None:
            waiting.log.path.unlink(missing_ok=True)

    # Work.

    def _process(self, posted: Posted) -> Response:
        del posted
        session = self._desk.day.open_session()
        self._jobs.forget("verify", "pack", "share")
        self._ahead.is_due = False
        self._jobs.stop("prepare")  # or both would do the same
        self._jobs.start("process", str(session.folder))
        return RedirectResponse("/after#process", 303)

    def _verify(self, posted: Posted) -> Response:
        session = self._desk.day.open_session()
        root = re.sub(r"[\s-]", "", posted.fields.get("root", ""))[:200]
        self._jobs.start("verify", str(session.folder), *([root] if root else []))
        return RedirectResponse("/after#seal", 303)

    def _pack(self, posted: Posted) -> Response:
        session = self._desk.day.open_session()
        kind: JobKind = "share" if posted.fields.get("kind") == "share" else "pack"
        out = Path(self._place.name) / f"{kind}.zip"
        if self._jobs.state_of(kind).state != "running":
            out.unlink(missing_ok=True)
            self._jobs.start(kind, str(session.folder), str(out), posted.fields.get("damage", "").strip()[:500])
        return RedirectResponse("/after#exports", 303)

    def _packed(self, request: Request) -> Response:
        kind = {"pack": "pack", "share": "share"}.get(request.path_params["kind"])
        if request.scope["role"] != "owner" or kind is None:
            raise HTTPException(404)
        path = Path(self._place.name) / f"{kind}.zip"
        if not path.is_file() or self._jobs.state_of(kind).state != "done":  # type: ignore[arg-type]
            raise HTTPException(404)
        name = "shared_trial" if kind == "share" else log_name(self._desk.day.open_session().folder.name)
        return FileResponse(path, media_type="application/zip", filename=f"{name}.zip")

    def _review(self, posted: Posted) -> Response:
        session = self._desk.day.open_session()
        fields = posted.fields
        try:
            segments = read_segments(session.folder, segments_schema(session.config.engine_ids))
            wanted = _all_wanted(posted.several.get("stretch", ()), fields)
            with self._one_at_a_time:
                _, told = enter_reviews(
                    session, segments, wanted, reason=fields.get("reason", "")[:500], by=fields.get("by", "")[:200],
                    writer=WRITER, accept=_acceptance(fields), once=_review_name(posted),
                )  # fmt: skip
        except TrialCaptureError as fault:
            return self._render(posted.role, fault=_for_form(fault), typed=fields, status=422)
        self._ahead.is_due = True
        self._jobs.forget("process", "verify", "pack", "share")
        said = "Noted. Process again to see the result with it."
        if told:
            said += " " + " ".join(warning["text"] for warning in told)
        return self._render(posted.role, said=clean_lines(said))

    def _seal(self, posted: Posted) -> Response:
        """Close a recording that was cut off, or take over what was changed."""
        session = self._desk.day.open_session()
        by = " ".join(posted.fields.get("by", "").split())[:200]
        try:
            with SessionLock(session.folder), hold_seal(session.folder):
                found = refuse_changed(
                    session.folder, read_timeline(session.folder).recording, _acceptance(posted.fields)
                )
                if found.state == "unsealed":
                    seal_closed(session.folder, by=_named(by), t=utc_now(), what=CLOSED_LATE, reason=found.reason)
                    said = f"Closed late: {found.reason}"
                else:
                    said = "Sealed, and nothing was changed since."
        except TrialCaptureError as fault:
            return self._render(posted.role, fault=_for_form(fault), typed=posted.fields, status=422)
        self._jobs.forget("verify", "pack", "share")
        return self._render(posted.role, said=clean_lines(said))

    # What is offered.

    def _result(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in RESULTS or not self._desk.day.has_session:
            raise HTTPException(404)
        folder, media_type = RESULTS[name]
        try:
            data = read_whole(self._desk.day.open_session().folder / folder / name, _MOST_RESULT_BYTES)
        except OSError as fault:
            raise HTTPException(404) from fault
        headers = {"content-security-policy": _PAGE_POLICY}
        if name not in _SHOWN:
            headers["content-disposition"] = f'attachment; filename="{name}"'
        return Response(data, media_type=media_type, headers=headers)

    def _clocks_picture(self, request: Request) -> Response:
        del request
        if not self._desk.day.has_session:
            raise HTTPException(404)
        table = _clock_table(self._desk.day.open_session().folder)
        drawing = clocks_figure(table)
        if drawing is None:
            raise HTTPException(404)
        return Response(drawing.svg, media_type="image/svg+xml", headers={"content-security-policy": _PAGE_POLICY})


_SAID = {"collected": "The log is in the session, as it came, and sealed. Process the session to use it."}


def log_name(name: str) -> str:
    """Return the name under which a log is kept: that of the file, without what some system cannot have."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    plain = _NAME_LETTERS.sub("_", last).strip(" .")[-120:].lstrip(" .")
    return f"log-{plain}" if RESERVED_NAME.fullmatch(plain) else plain or "engine_log.csv"


def _without_place(fault: TrialCaptureError, path: Path) -> str:
    """Return a fault as a sentence; where a file lies meanwhile is nobody's business."""
    return _for_form(fault).replace(str(path), path.name).replace(str(path.parent), "")


def _for_form(fault: TrialCaptureError) -> str:
    return clean_lines(for_form(str(fault)))


def _acceptance(fields: Mapping[str, str]) -> Acceptance | None:
    reason, by = (" ".join(fields.get(name, "").split())[:500] for name in ("accept", "by"))
    if not reason:
        return None
    if not by:
        raise TrialCaptureError("changes are not accepted without saying who does", expected="give a name")
    return Acceptance(by, reason, utc_now())


def _named(by: str) -> str:
    if not by:
        raise TrialCaptureError("a session is not closed without saying who does it", expected="give a name")
    return by


def _review_name(posted: Posted) -> str:
    """Return a name for what a form of the review asks for: that of the form, with a hash of what was typed into it.

    A page that was gone back to has the name of the form that was sent already, and may ask for something else.
    """
    form = entry_name(posted.fields.get("once", ""))
    typed = [
        posted.several.get("stretch", ()),
        *(posted.fields.get(n) for n in ("verdict", "band_rpm", "reason", "by")),
    ]
    return form and f"{form}-{hashlib.sha256(json.dumps(typed).encode()).hexdigest()[:16]}"


def _all_wanted(numbers: Sequence[str], fields: Mapping[str, str]) -> list[Wanted]:
    if not numbers:
        raise TrialCaptureError("no stretch was chosen", expected="choose one or more, then say what and why")
    return [_wanted(number, fields) for number in numbers]


def _wanted(number: str, fields: Mapping[str, str]) -> Wanted:
    verdict = fields.get("verdict", "")
    if not re.fullmatch(r"\d{1,9}", number) or verdict not in ("exclude", "include", "relabel", "review-undo"):
        raise TrialCaptureError("this is no change of a stretch", seen=f"{verdict} {number}"[:100])
    more: dict[str, Any] = {}
    if verdict == "relabel":
        try:
            more["band_rpm"] = float(parse_number(fields.get("band_rpm", "")))
        except ValueError as fault:
            raise TrialCaptureError("a band is named by its engine speed", seen=str(fault)) from fault
    return verdict, int(number), more


# ------------------------------------------------------------------------------
# What the page shows of a session, as text and as points.
# ------------------------------------------------------------------------------


def _logs(session: Session) -> list[tuple[str, str]]:
    found = [(path.name, f"declared by files = {log.files!r}") for path, log in engine_files(session)]
    return found + [(path.name, "not declared: not used") for path in unmatched_engine_files(session)]


def _is_older(folder: Path) -> bool:
    """Return whether something was noted or collected since the results were made."""
    try:
        made = (folder / "reduction" / "results.json").stat().st_mtime
        inputs = [
            folder / "session.toml",
            *(folder / "raw").glob("notes*.jsonl"),
            *(folder / "raw" / "engine").glob("*"),
        ]
        return any(path.stat().st_mtime > made for path in inputs)
    except OSError:
        return False


def _clock_table(folder: Path) -> pa.Table | None:
    path = folder / "trialset" / "clocks.parquet"
    try:
        return read_parquet(path) if path.is_file() else None
    except TrialCaptureError:  # the page says that it must be processed anew
        return None


def _clocks(folder: Path) -> list[dict[str, str]]:
    table = _clock_table(folder)
    rows = [] if table is None else table.to_pylist()
    return [
        {
            "source": str(row.get("source") or ""),
            "offset": _signed(row.get("offset_s"), 2, " s"),
            "pm": "" if row.get("offset_u_s") is None else f"± {2 * row['offset_u_s']:.2f} s",
            "drift": _signed(row.get("drift_ppm"), 0, " ppm"),
            "method": str(row.get("method") or ""),
            "quality": str(row.get("quality") or ""),
        }
        for row in rows
    ]


def _signed(value: float | None, decimals: int, unit: str) -> str:
    return "–" if value is None or not np.isfinite(value) else f"{value:+.{decimals}f}{unit}".replace("-", "\u2212")


def _bands(folder: Path, units: ReaderUnits) -> dict[str, Any] | None:
    """Return the band table as text in the reader's units; None before processing."""
    path = folder / "reduction" / "bands.parquet"
    try:
        rows = read_parquet(path).to_pylist() if path.is_file() else None
    except TrialCaptureError:
        return None
    if rows is None:
        return None

    def measured(row: Mapping[str, Any], name: str, key: str, unit: str, usual: int) -> str:
        u, k = row.get(f"{key}_u_{name.removeprefix(key + '_')}"), row.get(f"{key}_k")
        half = None if u is None or k is None else k * u
        return units.measured(row.get(name), half, unit, own_decimals(half, usual), result=False)

    return {
        "rows": [
            {
                "name": str(row.get("band_name") or row.get("band_rpm") or ""),
                "ways": str(row.get("ways") or ""),
                "speed": measured(row, "speed_kn", "speed", "kn", 2),
                "fuel": measured(row, "fuel_l_per_h", "fuel", "l/h", 1),
                "economy": measured(row, "economy_nm_per_l", "economy", "nm/l", 3),
                "range": measured(row, "range_nm", "range", "nm", 0),
                "flags": str(row.get("flags") or "").replace(";", ", ").replace("-", " "),
            }
            for row in rows
        ]
    }


def _stretch(row: Mapping[str, Any], units: ReaderUnits) -> dict[str, Any]:
    start, stop = row["start"], row["stop"]
    used = bool(row.get("reviewed_accepted"))
    label = row.get("relabelled_rpm")
    return {
        "number": row["segment_id"],
        "start_s": start.timestamp(),
        "stop_s": stop.timestamp(),
        "clock": f"{start:%H:%M:%S}",
        "seconds": f"{row['duration_s']:.0f} s" if row.get("duration_s") is not None else "",
        "rpm": "–" if row.get("rpm_mean") is None else f"{row['rpm_mean']:.0f}",
        "speed": units.say(row.get("sog_kn_mean"), "kn", 2),
        "course": "–" if row.get("cog_true_deg_mean") is None else f"{row['cog_true_deg_mean'] % 360:03.0f}°",
        "used": used,
        "found_used": bool(row.get("accepted")),
        "reason": str(row.get("reason") or ""),
        "review": str(row.get("review_reason") or ""),
        "review_by": str(row.get("review_by") or ""),
        "label": "" if label is None else f"{label:.0f}",
    }


@dataclass(frozen=True, slots=True)
class _Times:
    """Readings along time: seconds since 1970, speed [kn], engine speeds [rpm] by engine; NaN where there is none."""

    t_s: Floats
    sog_kn: Floats
    rpm: Mapping[str, Floats]


def _times(folder: Path) -> _Times | None:
    """Return the readings that the time line draws, thinned to bins; None before processing."""
    path = folder / "trialset" / "samples.parquet"
    try:
        if not path.is_file():
            return None
        require_plain(path)
        with pq.ParquetFile(path) as file:
            names = [name for name in file.schema_arrow.names if name in ("t", "sog_kn") or _is_rpm(name)]
            table = file.read(columns=names)
        t_s = table["t"].cast(pa.timestamp("ns", "UTC")).cast(pa.int64()).to_numpy() / 1e9
        columns = {name: table[name].cast(pa.float64()).to_numpy() for name in names if name != "t"}
    except (OSError, pa.ArrowException, KeyError, ValueError, TrialCaptureError):
        return None  # the page says that the session must be processed anew
    if not t_s.size or "sog_kn" not in columns:
        return None
    edges = np.linspace(0, t_s.size, min(_POINTS, t_s.size) + 1).astype(int)
    thin = {name: _means(values, edges) for name, values in columns.items()}
    rpm = {name.removeprefix("rpm_"): values for name, values in thin.items() if name != "sog_kn"}
    return _Times(_means(t_s, edges), thin["sog_kn"], rpm)


def _is_rpm(name: str) -> bool:
    return name.startswith("rpm_") and not name.endswith(("_s", "_flag"))


def _means(values: Floats, edges: npt.NDArray[np.int_]) -> Floats:
    known = np.isfinite(values)
    sums = np.add.reduceat(np.where(known, values, 0.0), edges[:-1])
    counts = np.add.reduceat(known.astype(float), edges[:-1])
    means: Floats = np.divide(sums, counts, out=np.full(sums.shape, np.nan), where=counts > 0)
    return means


WIDTH, HEIGHT = 1000.0, 270.0
"""Of the time line, in its own units."""
_TOP, _MIDDLE, _LANES = (24.0, 112.0), (132.0, 205.0), (218.0, 240.0)


def _time_line(times: _Times, stretches: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return lines and boxes of the time line as coordinates."""
    first, last = float(times.t_s[0]), float(times.t_s[-1])
    span = max(last - first, 1.0)

    def x(t_s: float) -> float:
        return round(WIDTH * min(max((t_s - first) / span, 0.0), 1.0), 1)

    most_rpm = max([1.0, *(float(np.nanmax(v)) for v in times.rpm.values() if np.isfinite(v).any())])
    most_kn = max(1.0, float(np.nanmax(times.sog_kn)) if np.isfinite(times.sog_kn).any() else 1.0)
    lines = [("speed", "", _points(times.t_s, times.sog_kn, x, _MIDDLE, most_kn))]
    lines += [("rpm", name, _points(times.t_s, values, x, _TOP, most_rpm)) for name, values in times.rpm.items()]
    step_s = next(s for s in (60, 300, 600, 900, 1800, 3600, 7200, 14400, 86400) if span / s <= 8 or s == 86400)
    ticks = []
    for at in np.arange(np.ceil(first / step_s) * step_s, last, step_s):
        ticks.append((x(float(at)), f"{datetime.fromtimestamp(float(at), UTC):%H:%M}"))
    boxes = [
        {"number": s["number"], "x": x(s["start_s"]), "width": max(3.0, round(x(s["stop_s"]) - x(s["start_s"]), 1)),
         "used": s["used"], "words": f"{s['number']}: {s['clock']}, {s['rpm']} rpm, {s['speed']}, {s['course']}"}
        for s in stretches
    ]  # fmt: skip
    return {
        "lines": lines, "ticks": ticks, "boxes": boxes, "width": WIDTH, "height": HEIGHT, "lanes": _LANES,
        "top": _TOP, "middle": _MIDDLE, "most_rpm": f"{most_rpm:.0f} rpm", "most_kn": f"{most_kn:.1f} kn",
    }  # fmt: skip


def _points(t_s: Floats, values: Floats, x: Any, band: tuple[float, float], most: float) -> list[str]:
    """Return polylines, one for each piece between gaps."""
    top, bottom = band
    pieces: list[list[str]] = [[]]
    for at, value in zip(t_s, values, strict=True):
        if not np.isfinite(value):
            if pieces[-1]:
                pieces.append([])
            continue
        share = min(max(float(value) / most, 0.0), 1.0)
        pieces[-1].append(f"{x(float(at))},{bottom - share * (bottom - top):.1f}")
    return [" ".join(piece) for piece in pieces if len(piece) > 1]


def dock_and_after(desk: Desk) -> Sequence[BaseRoute]:
    """Return the routes of the pages before and after the trial, which share their work under way."""
    jobs = Jobs()
    desk.endings.append(jobs.end)
    return [*Dock(desk, jobs).routes(), *After(desk, jobs).routes()]
