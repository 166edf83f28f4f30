"""What people enter at the desk: notes of every kind, changes of the plan, acknowledgements, photos, leaving.

Each becomes a line of ``raw/notes-desk.jsonl`` by the same checks and the same code as ``trialcapture note``. A
recorder at work seals them when it ends; in a session that is sealed, each entry is an event of the seal.

A page that had no answer sends its entry again. The name that the page gave it (``once``) stands in the line itself,
so that the entry stands once, also where the desk was killed between writing and answering and was started again.
"""

from __future__ import annotations

import re
import shutil
import tempfile
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from trialcapture.acquire.ending import STOP_NAME, is_being_recorded
from trialcapture.archive.atomic import write_error
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
from trialcapture.desk.access import Access, Posted, Upload, fault_answer, post_route
from trialcapture.desk.day import Day
from trialcapture.errors import TrialCaptureError

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
