"""What a desk is opened on, and what people enter at it: notes, changes of the plan, acknowledgements, photos, leaving.

Each entry becomes a line of ``raw/notes-desk.jsonl`` by the same checks and the same code as ``trialcapture note``. A
recorder at work seals them when it ends; in a session that is sealed, each entry is an event of the seal.

A page that had no answer sends its entry again. The name that the page gave it (``once``) stands in the line itself,
so that the entry stands once, also where the desk was killed between writing and answering and was started again.

A desk is opened on settings, and on a session once there is one. No part of an address is ever used as a path: pages
and what belongs to them are read once, by their fixed names, when the desk starts.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from importlib.resources import files
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, Literal

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from trialcapture.acquire.ending import STOP_NAME, is_being_recorded
from trialcapture.archive.atomic import write_error
from trialcapture.archive.halves import missing_half
from trialcapture.archive.note_entry import note_entry
from trialcapture.archive.note_kinds import FIELDS, KINDS
from trialcapture.archive.notes import (
    CameraZoneUnknownError,
    Note,
    add_notes,
    complete_photo,
    entered_time,
    note_time,
    read_notes,
    refuse_unsealed,
    session_time,
    standing,
)
from trialcapture.archive.seal import NOTE, hold_seal
from trialcapture.archive.session import FILE_NAME, Session, open_session
from trialcapture.config import Config, read_config
from trialcapture.desk.access import Access, Posted, Upload, fault_answer, post_route
from trialcapture.errors import TrialCaptureError
from trialcapture.report.format import ReaderUnits
from trialcapture.system.files import cache_folder

Stage = Literal["dock", "under way", "after"]

_TYPES = {
    ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
    ".png": "image/png", ".woff2": "font/woff2", ".json": "application/json",
}  # fmt: skip
_LOOK_S = 1.0
"""So often it is looked whether a recorder is at work (our choice)."""
_SECRET_BYTES = 32
_SECRET_S = 24 * 3600.0
"""A secret serves one day: links that were shared do not outlive it (our choice)."""


@dataclass(slots=True)
class Day:
    """The trial day on the desk.

    Attributes:
        settings: File of settings; None where only a session is given.
        session: Folder of the session; None at the dock, before there is one.
        second: Its folder on a second disk, once it is known that it is recorded on two.
        units_given: Units asked for on the command line, before those of the settings.
    """

    settings: Path | None = None
    session: Path | None = None
    second: Path | None = None
    units_given: ReaderUnits | None = None
    _looked: tuple[float, bool] = field(default=(-1e9, False))

    @property
    def has_session(self) -> bool:
        """True where there is a session."""
        return any((folder / FILE_NAME).exists() for folder in self.halves)

    @property
    def halves(self) -> list[Path]:
        """The folders of the session, that on the first disk first."""
        return [folder for folder in (self.session, self.second) if folder is not None]

    def open_session(self) -> Session:
        """Return the session as it is now.

        Raises:
            TrialCaptureError: There is none yet, or it cannot be read.
        """
        if self.session is None:
            raise TrialCaptureError(
                "there is no session yet", expected="begin one: trialcapture record SETTINGS --into FOLDER --desk"
            )
        # a first disk that was pulled out does not end the day
        there = [folder for folder in self.halves if (folder / FILE_NAME).exists()]
        return open_session((there or self.halves)[0])

    def config(self) -> Config:
        """Return the settings: those of the session where there is one, else those of the file.

        Raises:
            TrialCaptureError, ConfigError: They cannot be read.
        """
        if self.has_session:
            return self.open_session().config
        if self.settings is not None:
            return read_config(self.settings)[0]
        return Config()

    def units(self) -> ReaderUnits:
        """Return the units of the reader; metric while the settings cannot be read."""
        if self.units_given is not None:
            return self.units_given
        try:
            report = self.config().report
        except TrialCaptureError:  # the dock shows each fault beside its field
            return ReaderUnits()
        return ReaderUnits(report.units, report.also)

    def is_recorded(self) -> bool:
        """Return whether a recorder is at work on the session; looked at once a second at most."""
        now_s = time.monotonic()
        if now_s - self._looked[0] > _LOOK_S:
            was_recorded = self._looked[1]
            self._looked = (now_s, any(is_being_recorded(folder) for folder in self.halves))
            if was_recorded and not self._looked[1]:
                self._go_to_whole()
        return self._looked[1]

    def _go_to_whole(self) -> None:
        """Go to the second disk where the recorder, at its end, made the session whole there."""
        if self.session is None or self.second is None:
            return
        with contextlib.suppress(OSError, TrialCaptureError):
            is_whole = (self.session / FILE_NAME).exists() and not missing_half(self.session)
            if not is_whole and not missing_half(self.second):
                self.session = self.second
        self.second = None

    def looked_anew(self) -> None:
        """Forget whether a recorder is at work: one was just started, or ended."""
        self._looked = (-1e9, False)

    def stage(self) -> Stage:
        """Return which part of the day it is."""
        if not self.has_session:
            return "dock"
        return "under way" if self.is_recorded() else "after"


def day_of(given: Path | None) -> Day:
    """Return the day that a person named.

    Args:
        given: A settings file, a session, a folder that a recorder will make, or None for the current folder where
            that is a session, and else for a dock without settings.

    Raises:
        TrialCaptureError: It is neither.
    """
    if given is None:
        here = Path.cwd()
        return Day(session=here) if (here / FILE_NAME).exists() else Day()
    if given.is_file() and given.name == FILE_NAME:
        return Day(session=given.parent)
    if given.is_file() or (given.suffix == ".toml" and not given.exists() and given.parent.is_dir()):
        return Day(settings=given)  # the forms of the dock make a file that is not there yet
    if (given / FILE_NAME).exists():
        return Day(session=given)
    raise TrialCaptureError(
        "the desk is opened on settings or on a session",
        seen="a folder without session.toml" if given.is_dir() else "nothing there",
        where=str(given),
        expected="give a settings file such as boat.toml, or the folder that 'record', 'collect' or 'rehearse' made",
    )


# ------------------------------------------------------------------------------
# Pages and what belongs to them.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PageFile:
    """A file of the pages: what it holds, of which type, and the tag by which a browser knows it again."""

    data: bytes
    media_type: str
    tag: str


@cache
def page_files() -> Mapping[str, PageFile]:
    """Return every file of the pages that a browser may ask for, by its name."""
    found = {}
    for entry in sorted((files("trialcapture.desk") / "pages").iterdir(), key=lambda entry: entry.name):
        media_type = _TYPES.get(os.path.splitext(entry.name)[1])  # noqa: PTH122  a resource, which need be no file
        if media_type is not None and entry.is_file():
            data = entry.read_bytes()
            found[entry.name] = PageFile(data, media_type, f'"{hashlib.sha256(data).hexdigest()[:32]}"')
    return found


@cache
def _pages() -> Environment:
    return Environment(
        loader=PackageLoader("trialcapture.desk", "pages"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render_page(name: str, context: Mapping[str, Any]) -> str:
    """Return a page; every text in it stays text.

    Args:
        name: Of its template, fixed in the program.
        context: What it is made of.
    """
    return _pages().get_template(name).render(context)


# ------------------------------------------------------------------------------
# The secret that tokens are made of: kept, so that pages and links go on when a desk is started again.
# ------------------------------------------------------------------------------


def desk_secret(day: Day, now_s: float) -> bytes:
    """Return the secret of a day's desk; made anew where there is none, or it is older than a day.

    It lies in the user's own cache folder, readable to this user alone. Where it cannot be kept, the desk works, and
    pages that are open have to be loaded again when it is started again.

    Args:
        day: The day.
        now_s: Now [s since 1970].
    """
    folder = cache_folder() / "desk"
    about = str((day.session or day.settings or Path.cwd()).resolve())
    path = folder / f"{hashlib.sha256(about.encode('utf-8', 'surrogateescape')).hexdigest()[:32]}.secret"
    try:
        if now_s - path.stat().st_mtime < _SECRET_S:
            kept = path.read_bytes()
            if len(kept) == _SECRET_BYTES:
                return kept
    except OSError:
        pass  # there is none yet
    made = secrets.token_bytes(_SECRET_BYTES)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(made)
    except OSError:
        pass  # it serves as long as this desk runs
    return made


WRITER = "desk"
WRITER_ON_SECOND = "desk-2"
"""On the second disk: two files of one name could not be joined."""
PHOTO_BYTES = 100 << 20
"""Largest photo: a camera's unpacked picture of 50 megapixels (our choice)."""
_MOST_AGO_S = 6 * 3600.0
"""An entry that waited longer for the desk was made on another day (our choice)."""
_LONGEST_ENTRY_NAME = 80
_DELAYED_S = 5.0
"""From so long on an entry says when it was handed in beside when it was made (our choice)."""
_HEAD = ("value", "unit", "where", "by", "at", "ago_s", "once")
_NOT_A_NAME = re.compile(r"[^A-Za-z0-9._-]+")


class Entries:
    """Takes entries, one after the other.

    Args:
        day: The day on the desk.
        board: Returns the board now, None where there is none.
        now: The time, UTC.
    """

    def __init__(
        self,
        day: Day,
        board: Callable[[], Mapping[str, Any] | None],
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._day, self._board, self._now = day, board, now
        self._one_at_a_time = threading.Lock()

    def routes(self, access: Access) -> list[Route]:
        """Return what may be posted."""
        return [
            post_route("/entry/{kind}", self._enter_any, access, most_bytes=PHOTO_BYTES, most_files=1),
            post_route("/photo", partial(self._enter, "photo"), access, most_bytes=PHOTO_BYTES, most_files=1),
            post_route("/plan", partial(self._enter, "plan_change"), access),
            post_route("/acknowledge", partial(self._enter, "acknowledged"), access),
            post_route("/leave", self._leave, access, owner_only=True),
        ]  # fmt: skip

    def _enter_any(self, posted: Posted) -> Mapping[str, Any] | Response:
        kind = posted.path["kind"]
        if kind not in KINDS:
            return JSONResponse({"error": "There is no such kind of entry.", "kinds": list(KINDS)}, 404)
        return self._enter(kind, posted)

    def _enter(self, kind: str, posted: Posted) -> Mapping[str, Any] | Response:
        with self._one_at_a_time:
            try:
                return self.enter(kind, posted.fields, _only(posted.uploads))
            except CameraZoneUnknownError as fault:
                return fault_answer(fault, asks="camera_zone", clock=fault.clock)

    def enter(self, kind: str, fields: Mapping[str, str], photo: Upload | None = None) -> dict[str, Any]:
        """Note one entry.

        Args:
            kind: One of `KINDS`.
            fields: As they were typed; empty ones count as left out. ``at`` is when, UTC; ``ago_s`` how long ago by
                the clock of the device, where the entry waited for the desk; ``once`` names the entry: where one of
                this name stands already, that is returned and nothing is noted.
            photo: Comes along.

        Raises:
            TrialCaptureError: A part is missing or cannot be, or there is no session.
        """
        session = self._day.open_session()
        typed = {name: text for name, text in fields.items() if text.strip()}
        unknown = sorted(set(typed) - set(FIELDS) - set(_HEAD))
        if unknown:
            raise TrialCaptureError("a form has a field that no note has", seen=unknown[0][:80])
        now, notes, once = self._now(), self._notes(), entry_name(typed.get("once", ""))
        stands = next((note for note in notes if note.once == once), None) if once else None
        if stands is not None:
            with hold_seal(session.folder):  # killed between writing and sealing, it is not called taken
                refuse_unsealed(session.folder, None, lambda: is_being_recorded(session.folder))
            return {"entry": stands.entry(), "remark": _taken(kind, typed, stands.entry())}
        at, handed_in = _time(typed, session_time(notes, now), is_photo=kind == "photo")
        entry = note_entry(
            kind,
            typed.get("value"),
            unit=typed.get("unit", ""),
            where=typed.get("where", ""),
            by=typed.get("by", ""),
            t=at,
            fields={name: text for name, text in typed.items() if name in FIELDS},
            engine_ids=session.config.engine_ids,
            notes=notes,
            units=self._day.units().system,
        )
        if handed_in:
            entry["entered"] = handed_in
        if once:
            entry["once"] = once
        if kind == "photo" and photo is None:
            raise TrialCaptureError("a photo needs its file", seen="none came along")
        with tempfile.TemporaryDirectory(prefix="trialcapture-desk-") as place:
            file = None if photo is None else _kept(photo, Path(place))
            remark = "" if file is None or kind != "photo" else complete_photo(entry, file, notes, session.folder)
            done = self._add([entry], typed.get("by", ""), now, file)
        return {"entry": done[0], "remark": " ".join(part for part in (remark, _taken(kind, typed, entry)) if part)}

    def open_holes(self) -> list[Mapping[str, Any]]:
        """Return the open cells of the plan for which nobody has given a reason, as they stand on the board.

        The board follows the notes a little later; what was signed off meanwhile is left out here.
        """
        holes = list((self._board() or {}).get("holes") or [])
        if not holes:
            return []
        signed = [n.more for n in standing(self._notes()) if n.kind == "hole"]
        said = {(str(more.get("step")), str(more.get("way") or "")) for more in signed if more.get("reason")}
        return [h for h in holes if not said & {(_step(h["step"]), ""), (_step(h["step"]), str(h.get("way") or ""))}]

    def _leave(self, posted: Posted) -> Mapping[str, Any] | Response:
        """Leave what is under way: open cells are signed off with a reason, and the recorder may be asked to end."""
        session = self._day.open_session()
        holes = self.open_holes()
        reason, by = posted.fields.get("reason", ""), posted.fields.get("by", "")
        if holes and not reason.strip():
            what = "1 run of the plan is open" if len(holes) == 1 else f"{len(holes)} runs of the plan are open"
            return JSONResponse({"error": f"{what}. Say why, or go on.", "holes": holes}, 409)
        now = self._now()
        t = note_time(session_time(self._notes(), now))
        entries = []
        for hole in holes:
            fields = {"step": _step(hole["step"]), "way": str(hole.get("way") or ""), "reason": reason}
            said = {name: text for name, text in fields.items() if text}
            engines = session.config.engine_ids
            entries.append(note_entry("hole", None, by=by, t=t, fields=said, engine_ids=engines))
        with self._one_at_a_time:
            done = self._add(entries, by, now, None) if entries else ()
        ends = posted.fields.get("end", "") in ("1", "true", "on", "yes") and self._day.is_recorded()
        if ends:
            self._ask_for_the_end()
        return {"signed_off": list(done), "ends": ends}

    def _ask_for_the_end(self) -> None:
        """Leave the recorder word to end, on the first disk that takes it."""
        refused: OSError | None = None
        for folder in self._day.halves:
            try:
                (folder / STOP_NAME).touch()
            except OSError as fault:
                refused = refused or fault
            else:
                return
        if refused is not None:
            raise write_error(refused, self._day.halves[0] / STOP_NAME) from refused

    def _notes(self) -> list[Note]:
        """Return the notes of the session by time, of both disks where it is recorded on two."""
        session = self._day.open_session()
        others = [folder for folder in self._day.halves if folder != session.folder]
        notes = read_notes(session)
        for folder in others:
            with suppress(OSError, TrialCaptureError):  # a disk that was pulled out
                notes = sorted([*notes, *read_notes(replace(session, folder=folder))], key=lambda note: note.t_ns)
        return notes

    def _add(self, entries: Sequence[Mapping[str, Any]], by: str, now: datetime, photo: Path | None) -> Sequence[Any]:
        """Add entries on the first disk that takes them; on the second in a file of its own, to be joined at the end.

        Raises:
            TrialCaptureError: No disk takes them.
        """
        refused: TrialCaptureError | None = None
        for folder in self._day.halves:
            try:
                return self._add_in(folder, entries, by, now, photo)
            except TrialCaptureError as fault:
                refused = refused or fault
        raise refused or TrialCaptureError("there is no session yet")

    def _add_in(
        self, folder: Path, entries: Sequence[Mapping[str, Any]], by: str, now: datetime, photo: Path | None
    ) -> Sequence[Any]:
        return add_notes(
            folder,
            entries,
            writer=WRITER if folder == self._day.session else WRITER_ON_SECOND,
            what=NOTE,
            by=" ".join(by.split()) or WRITER,
            t=note_time(now, "seconds"),
            is_recorded=lambda: is_being_recorded(folder),
            photo=photo,
        ).entries


def entry_name(text: str) -> str:
    """Return the name that a page gave to an entry, "" where it gave none.

    Raises:
        TrialCaptureError: It can be no name.
    """
    if len(text) > _LONGEST_ENTRY_NAME or _NOT_A_NAME.search(text):
        raise TrialCaptureError(
            "an entry cannot have this name", seen=text[:_LONGEST_ENTRY_NAME], where="once",
            expected=f"at most {_LONGEST_ENTRY_NAME} letters, digits, '.', '_' and '-'",
        )  # fmt: skip
    return text


def _time(typed: Mapping[str, str], now: datetime, *, is_photo: bool) -> tuple[str, str]:
    """Return when an entry was made, and when it was handed in where that is another time, else "".

    A photo has a time of its own, and only one that a person typed comes before it.
    """
    if "at" in typed:
        return entered_time(typed["at"], now, where="at"), note_time(now)
    if "ago_s" not in typed:
        return note_time(now), ""
    try:
        ago_s = float(typed["ago_s"])
    except ValueError:
        ago_s = -1.0
    if not 0.0 <= ago_s <= _MOST_AGO_S:
        raise TrialCaptureError(
            "this entry waited for another time than it can", seen=typed["ago_s"][:40], where="ago_s",
            expected=f"0 to {_MOST_AGO_S:.0f} s; enter it anew with its time",
        )  # fmt: skip
    handed_in = note_time(now) if ago_s >= _DELAYED_S and not is_photo else ""
    return note_time(now - timedelta(seconds=ago_s)), handed_in


def _taken(kind: str, typed: Mapping[str, str], entry: Mapping[str, Any]) -> str:
    """Return as what an entry was taken where that is not as it was typed: a gallon that does not say which it is."""
    if "gal" not in (typed.get("unit", "") + typed.get("litres", "")).lower().replace("gph", "gal"):
        return ""
    if kind == "load" and "litres" in entry:
        return f"Taken as {entry['litres']:g} L."
    return f"Taken as {entry['value']:g} {entry['unit']}." if isinstance(entry["value"], int | float) else ""


def _step(step: Any) -> str:
    return f"{step:g}" if isinstance(step, float) else str(step)


def _only(uploads: Mapping[str, Sequence[Upload]]) -> Upload | None:
    return next((files[0] for files in uploads.values() if files), None)


def _kept(photo: Upload, place: Path) -> Path:
    """Write a photo, as it came, under a name that every system takes."""
    path = place / photo_name(photo.name)
    with path.open("wb") as file:
        photo.file.seek(0)
        shutil.copyfileobj(photo.file, file, 1 << 20)
    return path


def photo_name(name: str) -> str:
    """Return a name for a photo that came by a form: what is no plain letter, or has a meaning to a system, goes."""
    last = PurePosixPath(name.replace("\\", "/")).name
    plain = _NOT_A_NAME.sub("_", last).rstrip("._-")
    stem, dot, ending = plain.rpartition(".")
    stem, ending = (stem.strip("._-"), f"{dot}{ending}"[-10:]) if dot else (plain.strip("._-"), "")
    name = f"{stem[-80 + len(ending) :] or 'photo'}{ending}"
    return f"photo-{name}" if PureWindowsPath(name).is_reserved() else name
