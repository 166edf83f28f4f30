"""``trialcapture archive process``: all sessions of an archive derived again."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click

from trialcapture.archive.atomic import write_file
from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.archive.fleet.fleet_index import update_index
from trialcapture.cli.output import counted, print_json, say, shown_progress, tell
from trialcapture.pipeline.archive_processing import DerivedStored, process_archive
from trialcapture.safe_text import spreadsheet_text

_MOST_CHANGES = 12
"""Changes of one session that are printed one by one (our choice); --out and --json have all of them."""


@click.pass_context
def process_all(
    context: click.Context, archive: str, workers: int | None, scheduler: str | None, names: tuple[str, ...],
    again: bool, out: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Derive all sessions again and print what changed."""
    if workers is not None and scheduler is not None:
        raise click.UsageError("--workers are processes of this computer; a scheduler has workers of its own.")
    opened = open_archive(archive)
    keys = [opened.find(name).key for name in names] or None
    place = archive if "://" in archive else str(Path(archive).absolute())
    with shown_progress() as progress:

        def told(one: DerivedStored, done: int, every: int) -> None:
            if not as_json:
                _tell_derived(one, done, every)
            progress("deriving", done / every)

        found = process_archive(place, workers=workers, scheduler=scheduler, keys=keys, again=again, told=told)
        updated = update_index(opened, progress=progress)
    if out is not None:
        _write_changes(found, out)
    failed = [one for one in found if one.state == "failed"]
    if as_json:
        states = {state: sum(one.state == state for one in found) for state in dict.fromkeys(o.state for o in found)}
        entries = [{**asdict(one), "changes": [asdict(c) for c in one.changes]} for one in found]
        print_json({"archive": opened.place, "states": states, "sessions": entries, "index": updated.faults})
    else:
        _tell_differences(found, out)
    context.exit(1 if failed or updated.faults else 0)


def _tell_derived(one: DerivedStored, done: int, every: int) -> None:
    name = one.session_id or one.key
    words = {"derived": "derived", "equal": "derived again, equal bytes", "there": "this version had derived it"}
    tries = f" (try {one.tries})" if one.tries > 1 else ""
    if one.state == "failed":
        say(f"{name}: {one.fault}{tries}", label=f"[{done}/{every}] failed")
        return
    changes = counted(len(one.changes), "change")
    against = f", {changes} against {one.before}" if one.before is not None and one.changes else ""
    tell(f"[{done}/{every}] {name}: {words[one.state]}, results {one.results}{tries}{against}")


def _tell_differences(found: Sequence[DerivedStored], out: Path | None) -> None:
    changed = [one for one in found if one.changes]
    for one in changed:
        tell("")
        why = "; ".join(one.causes) or "nothing that it was made with differs: please report this"
        say(
            f"{one.session_id}: results {one.results} against the former ones. Differs: {why}",
            label="changed",
            err=False,
        )
        for change in one.changes[:_MOST_CHANGES]:
            tell(f"  {change}")
        if len(one.changes) > _MOST_CHANGES:
            tell(f"  and {len(one.changes) - _MOST_CHANGES} more")
    counts = {state: sum(one.state == state for one in found) for state in ("derived", "equal", "there", "failed")}
    names = {"derived": "derived", "equal": "equal", "there": "there before", "failed": "failed"}
    tell("")
    tell(f"{counted(len(found), 'session')}: " + ", ".join(f"{n} {names[state]}" for state, n in counts.items() if n))
    compared = sum(one.before is not None for one in found)
    tell(f"{len(changed)} of {compared} with former results changed by more than their printed digits")
    if out is not None:
        tell(f"differences: {out}")


def _write_changes(found: Sequence[DerivedStored], out: Path) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["session_id", "state", "version_before", "version_after", "why", "where", "what", "before",
                     "after", "unit", "fault"])  # fmt: skip
    for one in found:
        head = [one.session_id or one.key, one.state, one.before or "", one.after or "", "; ".join(one.causes)]
        rows = [[c.where, c.what, c.before, c.after, c.unit] for c in one.changes] or [[""] * 5]
        for row in rows:
            writer.writerow([spreadsheet_text(cell) for cell in (*head, *row, one.fault)])
    write_file(out, text.getvalue().encode())
