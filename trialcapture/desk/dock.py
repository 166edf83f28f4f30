"""The dock page: settings, load sheet, preflight, safety brief, and the start of the recorder.

The settings are a file that other programs may change while the page is open. What is saved is the difference between
what the page showed and what was typed, put into the text as it was read; where the file is another one by then,
nothing is written, and the page shows both. The recorder is started as a process of its own: the desk may end, or be
ended, and it goes on.
"""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import tempfile
import threading
import time
import zlib
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from trialcapture.acquire.ending import is_being_recorded
from trialcapture.acquire.preflight import RESULT
from trialcapture.archive.atomic import open_replacement, write_file
from trialcapture.archive.session import FILE_NAME
from trialcapture.bounded_parsing import MOST_TOML_BYTES, parse_toml
from trialcapture.config import Config, whole_settings
from trialcapture.desk.access import Posted, Role, post_route
from trialcapture.desk.dock_forms import (
    FormField,
    FormGroup,
    KeyChange,
    apply_changes,
    build_form,
    check_text,
    read_form,
    reader_units,
)
from trialcapture.desk.jobs import KINDS, Jobs
from trialcapture.errors import ConfigError, TrialCaptureError
from trialcapture.reduce.conditions import load_sheet
from trialcapture.report.format import ReaderUnits
from trialcapture.safe_text import clean_lines, clean_text
from trialcapture.system.operating_system import own_program, start_apart

if TYPE_CHECKING:
    from trialcapture.desk.server import Desk

PREFLIGHT_S = 30
"""How long the preflight listens, as the command does."""
FORM_BYTES = 8 << 20
FORM_FIELDS = 20_000
_STARTING_S = 30.0
"""So long a recorder may take to open its sources (our choice)."""

BRIEF: tuple[tuple[str, str], ...] = (
    ("skipper", "The skipper decides, may refuse any run and stop it at any time. Local law comes first."),
    ("lookout", "A lookout is named and keeps watch by sight and hearing; safe speed at all times (COLREG 5 and 6)."),
    ("helm", "One person drives, another minds this computer. Nobody at the helm reads a screen under way."),
    ("jackets", "Life jackets are worn on measured runs, as the law here asks or better."),
    ("cut_off", "The engine cut-off link is clipped on wherever the boat has one."),
    ("seated", "Everybody knows a seat and a hand-hold; nobody stands, sits forward or is on the swim platform in full "
     "throttle, turns and stops."),
    ("manoeuvres", "Turns, stops and gear astern only if the skipper agrees to each; the stern wave catches up."),
    ("stop_word", "One word stops any run at once, and everybody on board may say it."),
    ("overboard", "Man overboard: who points, who throws, who drives."),
    ("radio", "The radio was checked; somebody ashore knows where we go and when we are back."),
    ("fire", "Fire extinguishers and first aid: where they are, and who uses them."),
    ("water", "The area is deep enough, clear and long enough; speed limits, reserves and wash are known."),
    ("listen", "This computer only listens on the boat's network; its cables are clear of helm and hands."),
)  # fmt: skip
"""Common practice; COLREG rules 5 and 6. What the law asks differs from place to place and is not certified here."""


@dataclass(frozen=True, slots=True)
class SettingsFile:
    """The file of settings as it was read.

    Attributes:
        path: Where it lies.
        data: Its bytes; None where there is none.
    """

    path: Path
    data: bytes | None

    @property
    def text(self) -> str:
        """Return its text.

        Raises:
            TrialCaptureError: It is no UTF-8.
        """
        try:
            return (self.data or b"").decode("utf-8-sig")
        except UnicodeDecodeError as fault:
            raise TrialCaptureError(
                "the settings are no UTF-8 text", where=str(self.path), expected="save them as UTF-8"
            ) from fault

    @property
    def stamp(self) -> str:
        """Return what a page brings back, so that nothing is written over a file that was changed meanwhile."""
        packed = b"" if self.data is None else urlsafe_b64encode(zlib.compress(self.data, 9))
        return f"{'absent' if self.data is None else hashlib.sha256(self.data).hexdigest()}.{packed.decode('ascii')}"


def read_settings(path: Path) -> SettingsFile:
    """Return the file of settings as it is now, or that there is none.

    Raises:
        TrialCaptureError: It cannot be read, or is larger than settings are.
    """
    try:
        with path.open("rb") as file:  # a device may be named, and has no end
            data = file.read(MOST_TOML_BYTES + 1)
    except FileNotFoundError:
        return SettingsFile(path, None)
    except OSError as fault:
        raise TrialCaptureError("the settings cannot be read", seen=fault.strerror, where=str(path)) from fault
    if len(data) > MOST_TOML_BYTES:
        raise TrialCaptureError(
            "the settings are larger than settings are", seen=f"more than {MOST_TOML_BYTES} bytes", where=str(path)
        )
    return SettingsFile(path, data)


def file_of_stamp(stamp: str, path: Path) -> SettingsFile:
    """Return the file as a page was made from it.

    Raises:
        TrialCaptureError: The page did not bring it back whole.
    """
    digest, _, packed = stamp.partition(".")
    if digest == "absent":
        return SettingsFile(path, None)
    try:
        unpack = zlib.decompressobj()
        data = unpack.decompress(urlsafe_b64decode(packed.encode("ascii")), MOST_TOML_BYTES + 1)
    except (ValueError, zlib.error) as fault:
        raise TrialCaptureError("this page came back damaged", expected="load it again") from fault
    if hashlib.sha256(data).hexdigest() != digest:
        raise TrialCaptureError("this page came back damaged", expected="load it again")
    return SettingsFile(path, data)


def write_settings(now: SettingsFile, text: str) -> None:
    """Write settings in place of a file, if it is still as it was read.

    Raises:
        SettingsChangedError: It is not; nothing was written.
        TrialCaptureError: It cannot be written.
    """
    data = text.encode("utf-8")
    if now.data is not None and now.data.startswith(b"\xef\xbb\xbf"):
        data = b"\xef\xbb\xbf" + data

    def still_the_same(_temporary: Path) -> None:
        if read_settings(now.path).data != now.data:
            raise SettingsChangedError(now.path)

    still_the_same(now.path)
    with open_replacement(now.path, needed_bytes=len(data), check=still_the_same) as file:
        file.write(data)


class SettingsChangedError(TrialCaptureError):
    """The file of settings was changed by somebody else since it was read."""

    def __init__(self, path: Path) -> None:
        super().__init__("the settings were changed behind this page", where=str(path))


def check_settings(text: str, path: Path) -> tuple[Config | None, str, list[str]]:
    """Return the settings of a text with plan and checklist that it names, the whole text, and faults.

    Args:
        text: TOML.
        path: Where it lies or will lie; files that it names lie beside it.
    """
    try:
        whole = whole_settings(text, path)
    except ConfigError as fault:
        return None, text, fault.faults
    except TrialCaptureError as fault:
        return None, text, [f"{_named_in(fault, path)}: {fault}"]
    config, faults = check_text(whole, str(path))
    return config, whole, faults


def _named_in(fault: TrialCaptureError, path: Path) -> str:
    return "trial.walk_round" if "checklist" in fault.what else "plan" if "plan" in fault.what else path.name


# ------------------------------------------------------------------------------
# The page.
# ------------------------------------------------------------------------------


@dataclass(slots=True)
class _Shown:
    """What a page of the dock says beside its forms."""

    typed: Mapping[str, Sequence[str]] | None = None
    field_faults: Mapping[str, Sequence[str]] | None = None
    faults: Sequence[str] = ()
    said: str = ""
    conflict: bool = False
    theirs: Sequence[tuple[str, str, str]] = ()
    start_fault: str = ""
    start_typed: Mapping[str, Sequence[str]] = field(default_factory=dict)
    may_save_with_faults: bool = False


class Dock:
    """The dock page of a desk.

    Args:
        desk: What it is a part of.
        jobs: Work under way.
        command: The program, to start the recorder with.
        preflight_s: How long the preflight listens [s].
    """

    def __init__(
        self,
        desk: Desk,
        jobs: Jobs,
        command: Sequence[str] = (),
        preflight_s: int = PREFLIGHT_S,
    ) -> None:
        self._desk, self._jobs, self._preflight_s = desk, jobs, preflight_s
        self._command = list(command) or own_program("trialcapture")
        self._one_at_a_time = threading.Lock()

    def routes(self) -> list[BaseRoute]:
        """Return the routes of the page and of what it posts."""
        access, words = self._desk.access, partial(in_words, self._desk)
        return [
            Route("/dock", self._page),
            Route("/work/{kind}", self._work),
            post_route(
                "/dock/settings", words(self._settings), access, most_bytes=FORM_BYTES, most_fields=FORM_FIELDS,
                owner_only=True,
            ),
            post_route("/dock/preflight", words(self._preflight), access, owner_only=True),
            post_route("/dock/start", words(self._start), access, owner_only=True),
        ]  # fmt: skip

    def _page(self, request: Request) -> Response:
        return self._render(request.scope["role"], _Shown(said=_SAID.get(request.query_params.get("said", ""), "")))

    def _work(self, request: Request) -> Response:
        kind = next((kind for kind in KINDS if kind == request.path_params["kind"]), None)
        if kind is None:
            return JSONResponse({"error": "There is no such work."}, 404)
        return JSONResponse(self._jobs.state_of(kind).as_json())

    def _render(self, role: Role, shown: _Shown, status: int = 200) -> Response:
        day = self._desk.day
        if day.settings is None:
            return self._desk.page(role, "dock.html", status, form=None, shown=shown, **_NOTHING_TO_SHOW)
        now = read_settings(day.settings)
        trouble = ""
        groups: list[FormGroup] = []
        config: Config | None = None
        loose: list[str] = []
        units = ReaderUnits()
        try:
            text = now.text
            data = parse_toml(text)
        except (TrialCaptureError, ValueError) as fault:
            trouble = f"The file is no TOML that can be read, so it has no form: {fault}. Mend it with a text editor."
        else:
            units = reader_units(data)
            config, _, faults = check_settings(text, day.settings)
            groups, loose = build_form(
                data, units, typed=shown.typed, faults=[*shown.faults] if shown.typed is not None else faults,
                field_faults=shown.field_faults,
            )  # fmt: skip
        return self._desk.page(
            role, "dock.html", status, form=groups, shown=shown, loose=loose, trouble_of_file=trouble, stamp=now.stamp,
            file_name=day.settings.name, is_new=now.data is None, is_ready=config is not None and now.data is not None,
            load=None if config is None else load_lines(config, units), brief=BRIEF, seconds=self._preflight_s,
            preflight=self._jobs.state_of("preflight").as_json(), is_recorded=day.is_recorded(),
            folder=_folder_name(config, day.settings), settings_path=str(day.settings.resolve()),
            count_of_faults=sum(_faults_in(g) for g in groups) + len(loose),
            summary=_summary_of(groups),
        )  # fmt: skip

    # Settings.

    def _settings(self, posted: Posted) -> Response:
        path = self._desk.day.settings
        if path is None:
            raise TrialCaptureError("the desk was opened without a file of settings")
        base = file_of_stamp(posted.fields.get("stamp", ""), path)
        action = posted.fields.get("action", "save")
        typed = {
            name: list(values) for name, values in posted.several.items() if name not in ("stamp", "action", "other")
        }
        if action == "drop":
            return RedirectResponse("/dock", 303)
        data = _parsed(base)
        units = reader_units(data)
        if action.startswith("add:"):
            return self._with_one_more(posted, typed, data, units, action.removeprefix("add:"))
        changes, field_faults = read_form(data, typed, units)
        if field_faults:
            return self._render(posted.role, _Shown(typed, field_faults, said="Nothing was saved."), 422)
        with self._one_at_a_time:
            now = read_settings(path)
            if action == "beside":
                return self._save_beside(posted, path, base, changes)
            if now.data != base.data:
                return self._conflict(posted, now, data, typed, units)
            return self._save(posted, now, changes, typed, with_faults=action == "save_with_faults")

    def _save(
        self, posted: Posted, now: SettingsFile, changes: Sequence[KeyChange], typed: Mapping[str, Sequence[str]],
        *, with_faults: bool,
    ) -> Response:  # fmt: skip
        text, kept = apply_changes(now.text, changes)
        _config, _, faults = check_settings(text, now.path)
        if faults and not with_faults:
            said = "Nothing was saved: see beside the fields."
            return self._render(posted.role, _Shown(typed, faults=faults, said=said, may_save_with_faults=True), 422)
        if not changes and now.data is not None:
            return RedirectResponse("/dock?said=same", 303)
        try:
            write_settings(now, text or "# Settings of a boat and her trial; see configs/ for examples.\n")
        except SettingsChangedError:
            data = _parsed(now)
            return self._conflict(posted, read_settings(now.path), data, typed, reader_units(data))
        self._jobs.forget("preflight")
        return RedirectResponse("/dock?said=" + ("saved" if kept else "plain"), 303)

    def _with_one_more(
        self, posted: Posted, typed: dict[str, list[str]], data: Mapping[str, Any], units: ReaderUnits, name: str
    ) -> Response:
        groups, _ = build_form(data, units, typed=typed)
        lists = {list_name for g in groups for inner in g.every_group() for list_name, _ in inner.adds}
        if name in lists:
            items = [g.name for top in groups for g in top.every_group() if g.is_item]
            numbers = [int(i.rsplit(".", 1)[1]) for i in items if i.rsplit(".", 1)[0] == name]
            typed[f"{name}.{max(numbers, default=-1) + 1}.begun"] = [""]
        return self._render(posted.role, _Shown(typed, said="Not saved yet."))

    def _conflict(
        self, posted: Posted, now: SettingsFile, data: Mapping[str, Any], typed: Mapping[str, Sequence[str]],
        units: ReaderUnits,
    ) -> Response:  # fmt: skip
        """Show the file as it is now with what was typed put upon it, and say which entries differ."""
        mine, _ = build_form(data, units, typed=typed)
        changed = {f.name: f for g in mine for f in g.every_field() if f.is_changed and f.name in typed}
        try:
            theirs_data = parse_toml(now.text)
        except ValueError:
            theirs_data = {}
        theirs_units = reader_units(theirs_data)
        theirs, _ = build_form(theirs_data, theirs_units)
        there = {f.name: f for g in theirs for f in g.every_field()}
        upon = {name: list(typed[name]) for name in changed}
        upon |= {name: list(values) for name, values in typed.items() if name.endswith((".remove", ".begun"))}
        both = [(_where(f), f.typed, there[name].shown if name in there else "") for name, f in changed.items()]
        said = "The file was changed by somebody else since this page was loaded. Nothing was saved."
        shown = _Shown(upon, said=said, conflict=True, theirs=both)
        if units.system != theirs_units.system:  # what was typed would mean another number
            shown.typed = {}
            shown.said += f" It is in {theirs_units.system} units now: type your entries anew."
        return self._render(posted.role, shown, 409)

    def _save_beside(self, posted: Posted, path: Path, base: SettingsFile, changes: Sequence[KeyChange]) -> Response:
        """Save what was typed, upon the file as the page knew it, under a name that is not taken."""
        text, _ = apply_changes(base.text, changes)
        number = 2
        while (other := path.with_name(f"{path.stem}-{number}{path.suffix}")).exists():
            number += 1
        write_settings(SettingsFile(other, None), text)
        return self._render(posted.role, _Shown(said=f"Saved beside it as {other.name}; this page shows {path.name}."))

    # Preflight and start.

    def _preflight(self, posted: Posted) -> Response:
        path = self._desk.day.settings
        if path is None or self._desk.day.is_recorded():
            raise TrialCaptureError("a preflight listens before recording", expected="end the recording first")
        self._jobs.start("preflight", str(path), str(self._preflight_s))
        del posted
        return RedirectResponse("/dock#preflight", 303)

    def _start(self, posted: Posted) -> Response:
        with self._one_at_a_time:
            try:
                self._start_recorder(posted)
            except TrialCaptureError as fault:
                shown = _Shown(start_fault=clean_lines(str(fault)), start_typed=posted.several)
                return self._render(posted.role, shown, 422)
        return RedirectResponse("/", 303)

    def _start_recorder(self, posted: Posted) -> None:
        day = self._desk.day
        if day.settings is None:
            raise TrialCaptureError("the desk was opened without a file of settings")
        if day.is_recorded():
            raise TrialCaptureError("a recorder is at work already", expected="end it under way first")
        by = " ".join(posted.fields.get("by", "").split())[:200]
        reason = " ".join(posted.fields.get("reason", "").split())[:500]
        ticked = [key for key, _ in BRIEF if posted.fields.get(f"brief.{key}")]
        left = [key for key, _ in BRIEF if key not in ticked]
        if not by:
            raise TrialCaptureError("a trial is not begun without saying who gave the brief", expected="give a name")
        if left and not reason:
            raise TrialCaptureError(
                "the safety brief is not ticked off",
                seen=f"{len(left)} of {len(BRIEF)} lines left",
                expected="tick each line once it was said to all on board, or give the reason why one does not apply",
            )
        folder = folder_for(posted.fields.get("folder", ""), day.settings)
        config, _, faults = check_settings(read_settings(day.settings).text, day.settings)
        if config is None:
            raise ConfigError(str(day.settings), list(faults))
        second = second_disk(posted.fields.get("second", ""), folder)
        command = [*self._command, "record", str(day.settings.resolve()), "--into", str(folder)]
        command += ["--second", str(second)] if second is not None else []
        with tempfile.TemporaryFile(prefix="trialcapture-record-") as output:
            try:
                recorder = start_apart(command, output)
            except OSError as fault:
                raise TrialCaptureError("the recorder could not be started", seen=fault.strerror) from fault
            self._await_recorder(recorder, folder, output)
        self._keep_preflight(folder)
        day.session, day.second = folder, None if second is None else second / folder.name
        day.looked_anew()
        said = "; ".join(key.replace("_", " ") for key in ticked)
        value = f"{len(ticked)} of {len(BRIEF)} lines ticked off: {said}" if ticked else "no line ticked off"
        if left:
            value += f"; left: {', '.join(key.replace('_', ' ') for key in left)}, because {reason}"
        self._desk.entries.enter("brief", {"value": value[:2000], "by": by})

    def _keep_preflight(self, folder: Path) -> None:
        """Put what the preflight found into the session, as the command does; the recorder seals it at its end."""
        job = self._jobs.state_of("preflight")
        if job.state == "done":
            kept = {name: job.result[name] for name in ("t", "listened_s", "checks", "heard")}
            data = (json.dumps(kept, indent=1, ensure_ascii=False) + "\n").encode("utf-8", "backslashreplace")
            write_file(folder / "raw" / RESULT, data)

    @staticmethod
    def _await_recorder(recorder: subprocess.Popen[bytes], folder: Path, output: Any) -> None:
        until = time.monotonic() + _STARTING_S
        while time.monotonic() < until:
            if recorder.poll() is not None:
                output.seek(0)
                said = output.read(1 << 16).decode("utf-8", "replace").strip()
                raise TrialCaptureError(
                    "the recorder ended at once", seen=clean_text(said[-1500:]) or "it said nothing",
                    expected="mend what it says, and start again",
                )  # fmt: skip
            if (folder / FILE_NAME).exists() and is_being_recorded(folder):
                return
            time.sleep(0.1)
        raise TrialCaptureError(
            "the recorder was started and shows no sign of work", seen=f"nothing for {_STARTING_S:.0f} s",
            where=str(folder), expected="look at it in a terminal: trialcapture record --attach " + str(folder),
        )  # fmt: skip


_SAID = {
    "saved": "Saved. Every comment of the file is as it was.",
    "plain": "Saved. The file was written in a way that could only be kept without its comments.",
    "same": "Nothing was changed, so nothing was written.",
}
_NOTHING_TO_SHOW: Mapping[str, Any] = {
    "loose": (), "trouble_of_file": "", "stamp": "", "file_name": "", "is_new": False, "is_ready": False, "load": None,
    "brief": BRIEF, "seconds": PREFLIGHT_S, "preflight": {}, "is_recorded": False, "folder": "",
    "settings_path": "", "count_of_faults": 0,
    "summary": (),
}  # fmt: skip


def _faults_in(group: FormGroup) -> int:
    own = sum(len(inner.faults) for inner in group.every_group())
    return own + sum(len(f.faults) for f in group.every_field())


def _where(entry: FormField) -> str:
    return " ".join(str(part + 1) if isinstance(part, int) else part for part in entry.path)


def _summary_of(groups: Sequence[FormGroup]) -> list[tuple[str, str, int]]:
    """Return the tables by their first names, for the list of contents, with how many faults each has."""
    found: dict[str, tuple[str, int]] = {}
    for group in groups:
        first = group.name.split(".")[0]
        title, count = found.get(first, (group.title.split(" 1")[0].split(":")[0], 0))
        found[first] = (title, count + _faults_in(group))
    return [(name, title, count) for name, (title, count) in found.items()]


def load_lines(config: Config, units: ReaderUnits) -> dict[str, Any]:
    """Return the load sheet as text: its lines, their sum, and what nobody stated."""
    sheet = load_sheet(config)
    return {
        "items": [(item.name or "unnamed", units.say(item.kg, "kg", 0, thousands=True)) for item in sheet.items],
        "sum": None if sheet.displacement_kg is None else units.say(sheet.displacement_kg, "kg", 0, thousands=True),
        "missing": sheet.missing,
    }


_PLAIN_NAME = re.compile(r"[\w][\w .()+-]{0,79}")
RESERVED_NAME = re.compile(r"(?:con|prn|aux|nul|com\d|lpt\d)(?:\..*)?", re.IGNORECASE)
"""A file name that Windows keeps for a device."""


def _folder_name(config: Config | None, settings: Path) -> str:
    """Return a name for the new session that is not taken: boat and day."""
    boat = re.sub(r"[^a-z0-9]+", "_", (config.boat.name if config is not None else settings.stem).lower()).strip("_")
    stem = f"{boat[:40] or 'trial'}_{datetime.now(UTC).astimezone():%Y-%m-%d}"
    name, number = stem, 1
    while (settings.parent / name).exists():
        number += 1
        name = f"{stem}_{number}"
    return name


def folder_for(name: str, settings: Path) -> Path:
    """Return the folder of a new session: one with this plain name beside the settings.

    Raises:
        TrialCaptureError: The name leads elsewhere, some system cannot have it, or it is taken.
    """
    name = name.strip()
    if not _PLAIN_NAME.fullmatch(name) or RESERVED_NAME.fullmatch(name) or name.endswith((".", " ")):
        raise TrialCaptureError(
            "a session cannot have this name",
            seen=name[:100],
            expected="letters, digits, spaces, '_', '-' and '.'; the folder is made beside the settings",
        )
    folder = settings.resolve().parent / name
    if folder.exists():
        raise TrialCaptureError("there is a folder of this name already", seen=name, expected="give another name")
    return folder


def second_disk(name: str, session: Path) -> Path | None:
    """Return the folder on another disk where recording goes on when the first one is full; None where none is named.

    Args:
        name: As it was typed.
        session: The new session.

    Raises:
        TrialCaptureError: There is no such folder, or it is not named in full.
    """
    name = name.strip().strip('"')
    if not name:
        return None
    folder = Path(name)
    if not folder.is_absolute() or not folder.is_dir():
        raise TrialCaptureError(
            "there is no such folder for the second disk", seen=clean_text(name[:200]),
            expected="a folder on another disk that is there now, named in full, such as /media/stick or E:/trials",
        )  # fmt: skip
    if folder.resolve() == session.resolve().parent:
        raise TrialCaptureError(
            "the second disk is the folder of the session itself", seen=clean_text(name[:200]),
            expected="a folder on another disk",
        )  # fmt: skip
    return folder


def _parsed(file: SettingsFile) -> dict[str, Any]:
    try:
        return parse_toml(file.text)
    except ValueError as fault:
        raise TrialCaptureError("the settings are no TOML", seen=str(fault), where=str(file.path)) from fault


def in_words(desk: Desk, handle: Callable[[Posted], Response]) -> Callable[[Posted], Response]:
    """Return a handler whose faults of use are a page that says them and leads back."""

    def handled(posted: Posted) -> Response:
        try:
            return handle(posted)
        except TrialCaptureError as fault:
            return desk.page(posted.role, "cannot.html", 422, said=clean_lines(str(fault)))

    return handled
