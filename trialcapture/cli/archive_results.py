"""``trialcapture archive compare`` and ``process``: trials held against each other, and all derived again."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from trialcapture.archive.atomic import write_file
from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.archive.fleet.fleet_index import update_index
from trialcapture.archive.fleet.fleet_query import read_side
from trialcapture.cli.commands import SHARED_KINDS
from trialcapture.cli.output import counted, print_json, say, shown_progress, tell
from trialcapture.pipeline.archive_processing import DerivedStored, process_archive
from trialcapture.reduce.session_comparison import SessionsCompared, compare_sessions
from trialcapture.reduce.summary import as_json as to_json
from trialcapture.report.comparison_sheet import comparison_screen, render_comparison
from trialcapture.report.format import ReaderUnits
from trialcapture.safe_text import spreadsheet_text


def compare(
    places: tuple[str, ...], out: Path | None, units: str, also: str | None, same: tuple[str, ...],
    other: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Compare two sides and write the sheet."""
    if len(places) not in (2, 3):
        raise click.UsageError("Give an archive and two sides, or the folders of two sessions.")
    both = sorted(set(same) & set(other))
    if both:
        raise click.UsageError(f"--same and --other contradict each other: {', '.join(both)}.")
    with shown_progress() as progress:
        progress("reading sessions", None)
        opened = open_archive(places[0]) if len(places) == 3 else None
        first, second = (read_side(opened, text) for text in places[-2:])
    stated = {SHARED_KINDS[name]: name in same for name in (*same, *other)}
    found = compare_sessions(first, second, stated)
    _tell_comparison(found, out or Path("comparison.html"), units, also, as_json=as_json)


def _tell_comparison(found: SessionsCompared, out: Path, units: Any, also: Any, *, as_json: bool) -> None:
    read_in = ReaderUnits(units, also)
    write_file(out, render_comparison(found, read_in).encode())
    if as_json:
        sides = {name: [s.session.id for s in of] for name, of in (("first", found.first), ("second", found.second))}
        versions = {s.session.id: s.software_version for s in (*found.first, *found.second)}
        kept = {name: to_json(getattr(found, name)) for name in ("shared", "bands", "top", "not_compared")}
        remarks = {"remarks": found.remarks, "rule": found.rule, "versions": versions}
        print_json({**sides, **remarks, **kept, "sheet": out})
        return
    Console(soft_wrap=False).print(comparison_screen(found, read_in))
    tell(f"sheet: {out}")


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
