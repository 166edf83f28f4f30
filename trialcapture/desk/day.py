"""What a desk is opened on: settings, and a session once there is one; and the files its pages are made of.

No part of an address is ever used as a path: pages and what belongs to them are read once, by their fixed names, when
the desk starts.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from trialcapture.acquire.ending import is_being_recorded
from trialcapture.archive.halves import missing_half
from trialcapture.archive.session import FILE_NAME, Session, open_session
from trialcapture.config import Config, read_config
from trialcapture.errors import TrialCaptureError
from trialcapture.report.reader_units import ReaderUnits
from trialcapture.system.folders import cache_folder

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
