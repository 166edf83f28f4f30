"""``trialcapture archive compare``, ``query`` and ``process``: what the sessions of an archive say together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from trialcapture.cli.archive import archive
from trialcapture.cli.output import PATH, json_option, print_json, shown_progress, tell

if TYPE_CHECKING:
    from trialcapture.reduce.session_comparison import SessionsCompared, SharedKind

__all__ = ["archive", "compare"]
_UNITS = click.Choice(["metric", "us", "imperial"])
_KINDS: dict[str, SharedKind] = {
    "receiver": "receiver",
    "fuel": "fuel figures",
    "tachometer": "tachometer",
    "tank": "tank",
}


@archive.command()
@click.argument("places", metavar="[ARCHIVE] A B", nargs=-1, required=True)
@click.option("--out", type=PATH, metavar="FILE", help="Write the sheet (HTML) there; comparison.html by default.")
@click.option("--units", type=_UNITS, default="metric", show_default=True, help="Units of the reader.")
@click.option("--also", type=_UNITS, help="Units that stand beside them.")
@click.option("--same", type=click.Choice(list(_KINDS)), multiple=True, help="This error is one and the same in all.")
@click.option("--other", type=click.Choice(list(_KINDS)), multiple=True, help="This error is another one in some.")
@json_option
def compare(
    places: tuple[str, ...], out: Path | None, units: str, also: str | None, same: tuple[str, ...],
    other: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Compare two trials, or two groups of trials, at equal engine speed.

    A and B are sessions of the archive by id; several parted by commas, with
    a star, or boat=NAME; or folders of processed sessions, and then no archive
    is needed. The difference is B less A. Every difference has its ± and a
    verdict: real, or within noise (95 %). Errors that both share cancel: the
    receiver, the fuel figures, the tachometer, the tank. Which ones these are
    follows from the sessions; --same and --other say so where you know better.

    \b
    trialcapture archive compare trials spring autumn
    trialcapture archive compare trials "spring-*" "autumn-*" --out hull.html
    trialcapture archive compare monday tuesday
    """
    from trialcapture.archive.compared_sessions import read_side  # noqa: PLC0415  help must not wait for it
    from trialcapture.archive.fleet.fleet_archive import open_archive  # noqa: PLC0415
    from trialcapture.reduce.session_comparison import compare_sessions  # noqa: PLC0415

    if len(places) not in (2, 3):
        raise click.UsageError("Give an archive and two sides, or the folders of two sessions.")
    both = sorted(set(same) & set(other))
    if both:
        raise click.UsageError(f"--same and --other contradict each other: {', '.join(both)}.")
    with shown_progress() as progress:
        progress("reading sessions", None)
        opened = open_archive(places[0]) if len(places) == 3 else None
        first, second = (read_side(opened, text) for text in places[-2:])
    stated = {_KINDS[name]: name in same for name in (*same, *other)}
    found = compare_sessions(first, second, stated)
    _tell_comparison(found, out or Path("comparison.html"), units, also, as_json=as_json)


def _tell_comparison(found: SessionsCompared, out: Path, units: Any, also: Any, *, as_json: bool) -> None:
    from rich.console import Console  # noqa: PLC0415  help must not wait for it

    from trialcapture.archive.atomic import write_file  # noqa: PLC0415
    from trialcapture.reduce.summary import as_json as to_json  # noqa: PLC0415
    from trialcapture.report.comparison_sheet import comparison_screen, render_comparison  # noqa: PLC0415
    from trialcapture.report.reader_units import ReaderUnits  # noqa: PLC0415

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
