"""``trialcapture archive compare``: two trials, or two groups, at equal engine speed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.console import Console

from trialcapture.archive.atomic import write_file
from trialcapture.archive.compared_sessions import read_side
from trialcapture.archive.fleet.fleet_archive import open_archive
from trialcapture.cli.archive_commands import SHARED_KINDS
from trialcapture.cli.output import print_json, shown_progress, tell
from trialcapture.reduce.session_comparison import SessionsCompared, compare_sessions
from trialcapture.reduce.summary import as_json as to_json
from trialcapture.report.comparison_sheet import comparison_screen, render_comparison
from trialcapture.report.reader_units import ReaderUnits


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
