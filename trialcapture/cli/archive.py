"""``trialcapture archive add``, ``verify`` and ``mirror``: sessions are put into an archive and stay as they were."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from trialcapture.archive.atomic import size_text
from trialcapture.archive.fleet.fleet_adding import AddedSession, add_sessions
from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.archive.fleet.fleet_checking import mirror_archive, open_second, verify_archive
from trialcapture.archive.seal import utc_now
from trialcapture.cli.output import counted, print_json, say, say_all, shown_progress, tell
from trialcapture.errors import TrialCaptureError


@click.pass_context
def add(
    context: click.Context, archive: str, sessions: tuple[Path, ...], accept_damage: str | None, as_json: bool
) -> None:
    """Add sessions and print what became of each."""
    opened = open_archive(archive, create=True)
    with shown_progress() as progress:
        found = add_sessions(
            opened,
            sessions,
            t=utc_now,
            accept_damage=accept_damage,
            progress=progress,
            told=(lambda _: None) if as_json else _tell_added,
        )
    refused, untried = (sum(one.outcome == word for one in found) for word in ("refused", "not tried"))
    if as_json:
        print_json(
            {
                "archive": opened.place,
                "sessions": [{**_without_fault(one), "fault": _fault(one.fault)} for one in found],
                "refused": refused,
                "not_tried": untried,
            }
        )
    else:
        if untried:
            say(
                f"{counted(untried, 'session')} not tried, because the archive cannot be reached; the same command "
                "goes on where this one ended",
                label="note",
            )
        counts = {word: sum(one.outcome == word for one in found) for word in dict.fromkeys(o.outcome for o in found)}
        tell(f"{counted(len(found), 'session')}: " + ", ".join(f"{count} {word}" for word, count in counts.items()))
        if refused + untried < len(found):
            tell(f"next: trialcapture archive index {opened.place}")
    context.exit(1 if refused else 0)


def _tell_added(one: AddedSession) -> None:
    if one.fault is not None:
        say(f"{one.folder}: {one.fault}", label="refused")
        return
    results = f", results {one.results}" if one.results is not None else ", no results"
    tell(f"{one.session_id}: {one.outcome}, revision {one.revision}{results}, {size_text(one.bytes_written)} written")
    for remark in one.remarks:
        say(remark, label="note")


def _without_fault(one: AddedSession) -> dict[str, Any]:
    return {name: getattr(one, name) for name in one.__dataclass_fields__ if name != "fault"}


def _fault(fault: TrialCaptureError | None) -> dict[str, Any] | None:
    if fault is None:
        return None
    seen = None if fault.seen is None else str(fault.seen)
    return {"what": fault.what, "seen": seen, "where": fault.where, "expected": fault.expected}


@click.pass_context
def verify(context: click.Context, archive: str, workers: int | None, as_json: bool) -> None:
    """Check every stored file."""
    opened = open_archive(archive)
    with shown_progress() as progress:
        found = verify_archive(opened, workers=workers, progress=progress)
    ending = "damaged" if found.faults else "sound"
    if as_json:
        print_json({"archive": opened.place, **asdict(found), "ending": ending})
    else:
        counts = ((found.sessions, "session"), (found.revisions, "revision"), (found.results, "result set"))
        tell(", ".join(counted(count, noun) for count, noun in counts))
        tell(
            f"{counted(found.files, 'stored file')} as hashed ({size_text(found.bytes)}), "
            f"{counted(found.seals, 'seal')} compared"
        )
        say_all("note", found.remarks)
        say_all("fault", [str(fault) for fault in found.faults])
        tell(ending)
    context.exit(1 if found.faults else 0)


@click.pass_context
def mirror(context: click.Context, archive: str, second: str, workers: int | None, as_json: bool) -> None:
    """Copy to a second archive, and repair each from the other."""
    first = open_archive(archive)
    other = open_second(first, second)
    with shown_progress() as progress:
        done = mirror_archive(first, other, workers=workers, progress=progress)
    if as_json:
        print_json({"archive": first.place, "second": other.place, **asdict(done)})
    else:
        tell(f"{counted(done.sessions, 'session')}, {counted(done.objects, 'object')} compared")
        tell(f"{done.copied} copied, {len(done.repaired)} repaired, {size_text(done.bytes)} written")
        say_all("repaired", done.repaired)
        say_all("only in the second", done.only_in_second)
        say_all("fault", [str(fault) for fault in done.faults])
        if done.only_in_second:
            tell(f"to copy them back: trialcapture archive mirror {other.place} {first.place}")
    context.exit(1 if done.faults else 0)
