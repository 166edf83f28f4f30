"""``trialcapture note``: what people saw, measured or found, into the notes of a session."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click

from trialcapture.archive.note_kinds import FIELDS, KINDS, note_entry
from trialcapture.cli.output import (
    PATH,
    accept_option,
    acceptance,
    json_option,
    path_argument,
    print_json,
    root_text,
    tell,
)
from trialcapture.errors import TrialCaptureError

_WRITER = "note"


def _field_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, field in reversed(list(FIELDS.items())):
        text = field.help + (f": {', '.join(field.allowed)}" if 0 < len(field.allowed) < 5 else "")
        command = click.option(f"--{name.replace('_', '-')}", name, metavar="X", help=f"{text}.")(command)
    return command


# a value may be a negative number, which click would take for an option
@click.command(context_settings={"ignore_unknown_options": True})
@path_argument("SESSION")
@click.argument("kind", metavar="KIND", type=click.Choice(list(KINDS)))
@click.argument("value", metavar="[VALUE]", required=False)
@click.option("--unit", default="", metavar="U", help="Unit of the value.")
@click.option("--where", default="", metavar="W", help="Place on board.")
@click.option("--at", "at", metavar="T", help="When, UTC: 2026-05-14T10:12:30Z; now when not given.")
@click.option("--by", default="", metavar="NAME", help="Who notes it.")
@click.option("--photo", metavar="FILE", type=PATH, help="A photo to copy into the session.")
@_field_options
@accept_option
@json_option
def note(
    session: Path,
    kind: str,
    value: str | None,
    unit: str,
    where: str,
    at: str | None,
    by: str,
    photo: Path | None,
    accept: str | None,
    as_json: bool,
    **fields: str | None,
) -> None:
    """Note what was seen, measured or found.

    The entry is added to raw/notes-note.jsonl and sealed; nothing that was
    noted is changed. A recorder may be at work: it seals the entry when it
    ends.

    \b
    trialcapture note monday mark
    trialcapture note monday trim 25 --unit % --side port --by Kim
    trialcapture note monday sound 71.5 --where helm --doors closed
    trialcapture note monday reading 2400 --unit rpm --quantity rpm --engine port
    trialcapture note monday finding "hose chafed" --grade watch --photo hose.jpg
    trialcapture note monday undo 2026-05-14T10:12:30Z --of trim
    """
    from trialcapture.archive.notes import add_notes, read_notes  # noqa: PLC0415
    from trialcapture.archive.seal import NOTE  # noqa: PLC0415
    from trialcapture.archive.session import open_session  # noqa: PLC0415
    from trialcapture.system.session_lock import NAME, SessionLock  # noqa: PLC0415

    if value is not None and value.startswith("--"):
        raise click.NoSuchOption(value)
    opened = open_session(session)
    now = datetime.now(UTC)
    entry = note_entry(
        kind,
        value,
        unit=unit,
        where=where,
        by=by,
        t=_utc(now) if at is None else _time_of(at),
        fields={name: typed for name, typed in fields.items() if typed is not None},
        engine_ids=opened.config.engine_ids,
        notes=read_notes(opened),
    )
    if at is not None:
        entry["entered"] = _utc(now)
    if (kind == "photo") != (photo is not None) and kind == "photo":
        raise TrialCaptureError("a photo needs its file", seen="no --photo", expected="--photo FILE")

    def is_recorded() -> bool:
        if not (session / NAME).exists():
            return False
        try:
            with SessionLock(session):
                return False  # left by a recorder that was killed
        except TrialCaptureError:
            return True

    done = add_notes(
        session,
        [entry],
        writer=_WRITER,
        what=NOTE,
        by=by or "note",
        t=_utc(now, "seconds"),
        accept=acceptance(accept, by),
        is_recorded=is_recorded,
        photo=photo,
    )
    root = None if done.sealed is None else done.sealed.root
    if as_json:
        print_json({"session": opened.id, "added": done.entries[0], "root": root})
        return
    told = "" if entry["value"] is None else f" {entry['value']} {entry['unit']}".rstrip()
    tell(f"noted: {kind}{told} at {entry['t']}")
    if root is None:
        tell("not sealed yet: the session is not sealed; a recorder at work seals it when it ends")
    else:
        for line in root_text(root).split("\n"):
            tell(line)


def _utc(at: datetime, width: str = "milliseconds") -> str:
    return at.isoformat(timespec=width).replace("+00:00", "Z")


def _time_of(text: str) -> str:
    """Return a time that was typed as UTC, as it is written.

    Raises:
        TrialCaptureError: It is no time, has no zone, or lies in the future.
    """
    try:
        at = datetime.fromisoformat(text.strip())
        zone = at.utcoffset()
    except ValueError:
        zone = None
    if zone is None:
        raise TrialCaptureError(
            "this is no time with its zone", seen=text[:80], where="--at", expected="UTC, such as 2026-05-14T10:12:30Z"
        )
    if at > datetime.now(UTC) + timedelta(days=1):
        raise TrialCaptureError("this time lies in the future", seen=text[:80], where="--at")
    return _utc(at.astimezone(UTC))
