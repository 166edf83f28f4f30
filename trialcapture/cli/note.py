"""``trialcapture note``: what people saw, measured or found, into the notes of a session."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

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

if TYPE_CHECKING:
    from trialcapture.archive.session import Session

_WRITER = "note"


def _field_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, field in reversed(list(FIELDS.items())):
        text = field.help + (f": {', '.join(field.allowed)}" if 0 < len(field.allowed) < 5 else "")
        command = click.option(f"--{name.replace('_', '-')}", name, metavar="X", help=f"{text}.")(command)
    return command


# a value may be a negative number, which click would take for an option
@click.command(context_settings={"ignore_unknown_options": True})
@path_argument("SESSION")
@click.argument("kind", metavar="[KIND]", type=click.Choice(list(KINDS)), required=False)
@click.argument("value", metavar="[VALUE]", required=False)
@click.option("--unit", default="", metavar="U", help="Unit of the value.")
@click.option("--where", default="", metavar="W", help="Place on board.")
@click.option("--at", "at", metavar="T", help="When, UTC: 2026-05-14T10:12:30Z; now when not given.")
@click.option("--by", default="", metavar="NAME", help="Who notes it.")
@click.option("--photo", metavar="FILE", type=PATH, help="A photo to copy into the session.")
@click.option(
    "--list",
    "checklist",
    metavar="[FILE]",
    is_flag=False,
    flag_value="",
    default=None,
    help="Instead of noting, show what of the walk round is open, by a checklist such as configs/walk_round.toml.",
)
@_field_options
@accept_option
@json_option
def note(
    session: Path,
    kind: str | None,
    value: str | None,
    unit: str,
    where: str,
    at: str | None,
    by: str,
    photo: Path | None,
    checklist: str | None,
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
    trialcapture note monday photo --photo bow.jpg --camera-zone +02:00
    trialcapture note monday undo 2026-05-14T10:12:30Z --of trim
    trialcapture note monday --list walk_round.toml
    """
    from trialcapture.archive.notes import add_notes, complete_photo, entered_time, note_time, read_notes, session_time  # noqa: PLC0415
    from trialcapture.archive.seal import NOTE  # noqa: PLC0415
    from trialcapture.archive.session import open_session  # noqa: PLC0415
    from trialcapture.system.session_lock import is_locked  # noqa: PLC0415

    if value is not None and value.startswith("--"):
        raise click.NoSuchOption(value)
    opened = open_session(session)
    if checklist is not None:
        _show_open(opened, checklist, kind, as_json)
        return
    if kind is None:
        raise click.UsageError("Missing argument 'KIND': one of " + ", ".join(KINDS) + "; or --list.")
    now, notes = datetime.now(UTC), read_notes(opened)
    shown = session_time(notes, now)
    entry = note_entry(
        kind,
        value,
        unit=unit,
        where=where,
        by=by,
        t=note_time(shown) if at is None else entered_time(at, shown, where="--at"),
        fields={name: typed for name, typed in fields.items() if typed is not None},
        engine_ids=opened.config.engine_ids,
        notes=notes,
        units=opened.config.report.units,  # the answer says which gallon
    )
    if at is not None:
        entry["entered"] = note_time(shown)
    if kind == "photo":
        if photo is None:
            raise TrialCaptureError("a photo needs its file", seen="no --photo", expected="--photo FILE")
        if remark := complete_photo(entry, photo, notes, opened.folder):
            tell(f"{remark}. --at gives another")

    done = add_notes(
        session,
        [entry],
        writer=_WRITER,
        what=NOTE,
        by=by or "note",
        t=note_time(now, "seconds"),
        accept=acceptance(accept, by),
        is_recorded=lambda: is_locked(session),
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


def _show_open(session: Session, checklist: str, kind: str | None, as_json: bool) -> None:
    """Print the items of a checklist with what is open.

    Raises:
        TrialCaptureError: There is no checklist, or it cannot be read.
    """
    from trialcapture.archive.notes import observations_of, read_notes  # noqa: PLC0415
    from trialcapture.config import read_walk_round  # noqa: PLC0415
    from trialcapture.reduce.note_record import walk_round_entries  # noqa: PLC0415

    if kind is not None:
        raise click.UsageError("--list shows what is open and notes nothing: leave out the kind and its value.")
    items = read_walk_round(Path(checklist)) if checklist else session.config.trial.walk_round
    if not items:
        raise TrialCaptureError(
            "the settings of this session have no checklist", where=str(session.folder),
            expected="--list FILE, or walk_round = \"walk_round.toml\" under [trial] of the settings",
        )  # fmt: skip
    found = walk_round_entries(items, observations_of(read_notes(session)))
    if as_json:
        from trialcapture.reduce.summary import as_json as plain  # noqa: PLC0415

        print_json({"session": session.id, "items": plain(found)})
        return
    for area in dict.fromkeys(item.area for item in found):
        tell(area)
        for item in (i for i in found if i.area == area):
            state = "open" if item.is_open else "done"
            about = f"measure, {item.unit}" if item.kind == "measure" else "finding"
            tell(f"  {state}  {item.what} ({about}{'' if item.is_standard else ', optional'})")
    left = sum(i.is_open and i.is_standard for i in found)
    tell(f"{left} of {sum(i.is_standard for i in found)} standard items open")
