"""Commands on a session: ``collect`` makes one, ``process`` derives its results, ``verify`` checks it."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from trialcapture.cli.output import (
    PATH,
    accept_option,
    acceptance,
    doubtful_sizes,
    json_option,
    offer_closing,
    path_argument,
    plan_option,
    print_json,
    root_text,
    say,
    shown_progress,
    tell,
)
from trialcapture.errors import TrialCaptureError

if TYPE_CHECKING:
    from trialcapture.archive.session import Session
    from trialcapture.archive.verify import Verification
    from trialcapture.config import UnitSystem


@click.command()
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=PATH)
@click.option("--into", metavar="DIR", type=PATH, help="Put several sessions of one trial together into this folder.")
@click.option(
    "--config",
    "config_path",
    metavar="CONFIG",
    type=PATH,
    help="Settings to use instead of those in the session.",
)
@plan_option
@click.option(
    "--units",
    type=click.Choice(("metric", "us", "imperial")),
    help="Units of table and report; those of the settings when not given.",
)
@click.option("--pdf", "as_pdf", is_flag=True, help="Write sheet.pdf and report.pdf too; needs trialcapture[pdf].")
@click.option("--keep", is_flag=True, help="Keep the settings given in the session; the seal tells of it.")
@click.option("--by", metavar="NAME", default="", help="Who keeps them.")
@accept_option
@json_option
def process(
    sessions: tuple[Path, ...],
    into: Path | None,
    config_path: Path | None,
    plan_path: Path | None,
    units: UnitSystem | None,
    as_pdf: bool,
    keep: bool,
    by: str,
    accept: str | None,
    as_json: bool,
) -> None:
    """Turn a session into trial set, band table and report.

    Everything is derived from SESSION/raw and can be made again: the same raw
    files, settings, seal and versions of program and libraries give the same
    bytes. The session is compared with its seal first, and what was changed
    since is said; nothing is sealed, except with --keep.

    A trial spread over several sessions or days: they are copied into one
    folder, each processed with its own load, conditions and current, and their
    bands put into one table.

    \b
    trialcapture process monday
    trialcapture process monday tuesday --into whole_trial
    """
    from trialcapture.archive.session import is_combined, open_session  # noqa: PLC0415

    session = sessions[0]
    if len(sessions) > 1 or into is not None or is_combined(session):
        if config_path is not None or plan_path is not None or keep:
            raise click.UsageError("--config, --plan and --keep are for a single session; keep them in each first.")
        _process_several(sessions, into, units, as_pdf, as_json)
        return
    opened = open_session(session)
    offer_closing(session)
    text = _settings_to_use(opened, config_path, plan_path)
    about = _about_settings(opened, text, keep)
    if keep:
        _keep(session, text, by, accept)
    elif accept is not None:
        raise click.UsageError("--accept-changes goes with --keep: without it nothing is sealed")
    from trialcapture.pipeline import process as derive  # noqa: PLC0415  after the quick checks: it takes a second

    with shown_progress() as progress:
        result = derive(session, config_text=text, progress=progress, units=units, pdf=as_pdf)
    for told in result["told"]:
        say(told, label="note")
    if as_json:
        bands = result["bands"].to_pylist()
        print_json({"bands": bands, "summary": result["summary"], "paths": result["paths"], "notes": about})
        return
    from rich.console import Console  # noqa: PLC0415

    from trialcapture.report.terminal import bands_view  # noqa: PLC0415

    Console().print(bands_view(result["bands"], result["findings"], result["units"]))
    for note in about:
        say(note, label="note", err=False)
    tell(f"sheet: {result['paths']['sheet']}")
    tell(f"report: {result['paths']['report']}")
    for name in ("sheet pdf", "report pdf"):
        if name in result["paths"]:
            tell(f"{name.replace(' pdf', ' as PDF')}: {result['paths'][name]}")


def _process_several(
    sessions: tuple[Path, ...], into: Path | None, units: UnitSystem | None, as_pdf: bool, as_json: bool
) -> None:
    """Put sessions together where that is asked for, and process them as one trial."""
    from trialcapture.pipeline.combined import combine_sessions, process_combined  # noqa: PLC0415
    from trialcapture.reduce.summary import as_json as as_plain  # noqa: PLC0415

    if len(sessions) > 1 and into is None:
        raise click.UsageError("Several sessions need --into DIR, the folder to put them together in.")
    if into is not None and len(sessions) < 2:
        raise click.UsageError("--into puts several sessions together; give two or more.")
    with shown_progress() as progress:
        if into is not None:
            combine_sessions(sessions, into, progress)
        made = process_combined(into or sessions[0], progress, units, as_pdf)
    if as_json:
        print_json({"bands": made.bands.to_pylist(), "summary": as_plain(made.trial), "paths": made.paths})
        return
    from rich.console import Console  # noqa: PLC0415

    from trialcapture.report.combined_table import combined_view  # noqa: PLC0415

    Console().print(combined_view(made.bands, made.trial, made.units))
    for name, path in made.paths.items():
        tell(f"{name}: {path}")


def _keep(session: Path, text: str | None, by: str, accept: str | None) -> None:
    from trialcapture.archive.collect import keep_settings  # noqa: PLC0415
    from trialcapture.archive.seal import utc_now  # noqa: PLC0415
    from trialcapture.config import load_config  # noqa: PLC0415

    if text is None:
        raise click.UsageError("--keep keeps the settings of --config CONFIG or --plan FILE")
    given = acceptance(accept, by)
    former = keep_settings(session, load_config(text), text, by=by.strip() or "process", t=utc_now(), accept=given)
    if former is not None:
        say(f"session.toml now has the settings given; the former ones are kept as {former.name}", label="note")


def _about_settings(session: Session, text: str | None, keep: bool) -> list[str]:
    """Return what is to be said of the settings used: those given, kept or not, or the session's own again."""
    from trialcapture.config import config_hash, load_config  # noqa: PLC0415

    own = config_hash(session.config)
    if text is not None and config_hash(load_config(text)) != own:
        if keep:
            return []  # said where they are kept
        return [
            "made with the settings given, not with those of the session; the next run without them goes back to the "
            "session's own. --keep makes them the session's own"
        ]
    if text is None and _was_made_with_others(session.folder):
        return ["made with the session's own settings again; the result that was here was made with others"]
    return []


def _was_made_with_others(folder: Path) -> bool:
    """Return whether the result that is here says that it was made with other settings than the session's."""
    from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json  # noqa: PLC0415
    from trialcapture.system.session_files import read_whole  # noqa: PLC0415

    try:
        made = parse_json(read_whole(folder / "reduction" / "summary.json", MOST_JSON_BYTES))
        return bool(made["seal"]["settings"] == "others")
    except (OSError, ValueError, KeyError, TypeError, TrialCaptureError):  # there is none, or none that says so
        return False


def _settings_to_use(session: Session, config_path: Path | None, plan_path: Path | None) -> str | None:
    """Return the text of settings that take the place of the session's own; None for those."""
    from trialcapture.config import read_config, read_plan, with_plan  # noqa: PLC0415

    if config_path is not None:
        return read_config(config_path, plan_path)[1]
    return None if plan_path is None else with_plan(session.config_text, read_plan(plan_path), plan_path.name)


# ------------------------------------------------------------------------------
# ``trialcapture collect``.
# ------------------------------------------------------------------------------


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, type=PATH)
@click.option(
    "--engine-log",
    "engine_logs",
    metavar="FILE",
    multiple=True,
    type=PATH,
    help="An engine log as offloaded; may be given several times.",
)
@click.option(
    "--config",
    "config_path",
    metavar="CONFIG",
    type=PATH,
    help="Boat and trial settings (TOML). Not needed to add to a session.",
)
@click.option(
    "--into",
    metavar="SESSION",
    type=PATH,
    help="Folder of the session to make or to add to.",
)
@click.option(
    "--join",
    "halves",
    metavar="HALF HALF",
    nargs=2,
    type=PATH,
    help="Make one session of two that were recorded on two disks; in the first one, or --into a new one.",
)
@accept_option
@click.option("--by", metavar="NAME", default="", help="Who accepts the changes.")
@json_option
def collect(
    logs: tuple[Path, ...],
    engine_logs: tuple[Path, ...],
    config_path: Path | None,
    into: Path | None,
    halves: tuple[Path, Path] | None,
    accept: str | None,
    by: str,
    as_json: bool,
) -> None:
    """Make a session from files recorded elsewhere.

    Files are copied as they are and hashed; the originals are not touched.
    A LOG is an NMEA 0183 log or a CAN log (candump text): plain, .gz or .zst,
    several of each in order of time. Engine logs (delimited text or .xlsx) may
    also be added later to a session that is there; 'draft-log' helps to
    declare what they look like.

    \b
    trialcapture collect monday.nmea --engine-log port.csv \\
        --config boat.toml --into monday
    trialcapture collect --join monday /media/stick/monday
    """
    if halves is not None:
        if logs or engine_logs or config_path is not None:
            raise click.UsageError("--join takes two halves of a session and nothing else but --into.")
        _join(*halves, into, as_json)
        return
    if into is None:
        raise click.UsageError("Missing option '--into'.")
    from trialcapture.archive.collect import collect as collect_files  # noqa: PLC0415
    from trialcapture.archive.seal import read_chain, utc_now  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415
    from trialcapture.system.session_lock import lock_if_there  # noqa: PLC0415

    if into.is_dir():
        offer_closing(into)
    config, text = (None, None) if config_path is None else read_config(config_path)
    told: list[str] = [] if config is None else doubtful_sizes(config)
    with shown_progress() as progress, lock_if_there(into):
        session = collect_files(
            logs,
            engine_logs,
            config,
            into,
            created=utc_now(),
            config_text=text,
            accept=acceptance(accept, by),
            progress=progress,
            warn=told.append,
        )
    chain = read_chain(session.folder)
    root = None if chain is None else chain.root
    if as_json:
        files = [{"path": f.path, "original": f.original, "sha256": f.sha256, "bytes": f.bytes} for f in session.files]
        print_json({"session": session.id, "folder": session.folder, "files": files, "root": root, "warnings": told})
        return
    for warning in told:
        say(warning, label="note")
    tell(f"session {session.id} in {session.folder}: {len(session.files)} files copied and hashed")
    if root is not None:
        for line in root_text(root).split("\n"):
            tell(line)
    tell(f"next: trialcapture process {session.folder}")


def _join(one: Path, other: Path, into: Path | None, as_json: bool) -> None:
    from trialcapture.archive.halves import copy_session, join_halves, missing_half, refuse_other_session  # noqa: PLC0415
    from trialcapture.archive.seal import utc_now  # noqa: PLC0415
    from trialcapture.system.session_lock import SessionLock  # noqa: PLC0415

    refuse_other_session(one, other)
    target = one if into is None else into
    with SessionLock(one), SessionLock(other):  # no recorder may be at work on either
        if into is not None and into not in (one, other):
            copy_session(one, into)
        joined = join_halves(target, one if target == other else other, at=utc_now(), by="collect")
    missing = missing_half(target)
    if as_json:
        print_json({**asdict(joined), "missing": missing})
    else:
        tell(
            f"one session again in {joined.folder}: {len(joined.files)} files and {joined.notes} notes from the other "
            "half, all hashed"
        )
        tell(f"next: trialcapture process {joined.folder}")
    if missing:
        raise TrialCaptureError(
            "the session is still not whole", seen=missing, where=str(target), expected="join the other parts, too"
        )


# ------------------------------------------------------------------------------
# ``trialcapture verify``.
# ------------------------------------------------------------------------------


@click.command()
@path_argument("SESSION")
@click.option("--root", metavar="ROOT", help="A root that was noted elsewhere, whole or its first digits.")
@click.option("--derive", is_flag=True, help="Derive the results again from the raw files and compare them.")
@click.option(
    "--config", "config_path", metavar="CONFIG", type=PATH, help="With --derive: settings the results were made with."
)
@json_option
@click.pass_context
def verify(
    context: click.Context, session: Path, root: str | None, derive: bool, config_path: Path | None, as_json: bool
) -> None:
    """Check a session: its seal, every hash, line and second, its results.

    Says what is damaged, what survives and what was lost while recording, and
    ends in one of: sound, sound with named losses, damaged, cannot be vouched
    for; the last two with exit code 1. Nothing is changed.

    With --root it says whether that root is in the seal, and what was added
    since it was noted. With --derive it makes the results again, in a folder
    of its own, and compares them: no seal covers results, since they follow
    from what it covers.
    """
    from trialcapture.archive.manifest import raw_files  # noqa: PLC0415
    from trialcapture.archive.seal import parse_root  # noqa: PLC0415
    from trialcapture.config import read_config  # noqa: PLC0415
    from trialcapture.pipeline.derived_again import verify_with_results  # noqa: PLC0415

    if config_path is not None and not derive:
        raise click.UsageError("--config goes with --derive")
    wanted = None if root is None else parse_root(root)
    text = None if config_path is None else read_config(config_path)[1]
    total = 2 * sum(path.stat().st_size for path in raw_files(session)) or 1
    done = 0
    with shown_progress() as progress:

        def read(size: int) -> None:
            nonlocal done
            done += size
            progress("reading raw files", min(done / total, 1.0))

        found = verify_with_results(
            session, root=wanted, progress=read, derive=progress if derive else None, config_text=text
        )
    if as_json:
        print_json(asdict(found) | {"ending": found.ending})
    else:
        _print_verification(found, wanted)
    context.exit(1 if found.ending in ("damaged", "cannot be vouched for") else 0)


def _print_verification(found: Verification, wanted: str | None) -> None:
    tell(f"session {found.session}: {found.files} raw files, {found.lines} lines")
    if found.sentences:
        tell("received: " + ", ".join(f"{count} {kind}" for kind, count in found.sentences.items()))
    for a in found.accounts:
        unnamed = f" + {a.unnamed_s:.1f} s UNNAMED" if a.unnamed_s else ""
        named = f"{a.data_s:.1f} s data + {a.gap_s:.1f} s in {a.gaps} named gap(s)"
        tell(f"{a.source}: {a.span_s:.1f} s = {named}{unnamed}")
    for remark in found.remarks:
        say(remark, label="note", err=False)
    for loss in found.losses:
        say(str(loss), label="loss", err=False)
    for fault in found.faults:
        say(fault, label="fault", err=False)
    for missing in found.unvouched:
        say(missing, label="cannot vouch", err=False)
    _print_seal(found, wanted)
    tell(found.ending)


def _print_seal(found: Verification, wanted: str | None) -> None:
    lines = found.seal.lines
    if not lines:
        return
    tell("seal:")
    for line in lines:
        tell(f"  {line.number} {line.t} {line.what}, by {line.by}")
    for text in root_text(lines[-1].root).partition("\nNote it")[0].split("\n"):
        tell(text)
    if wanted is None:
        say(
            "The seal shows edits by whoever did not write all of it anew. Against somebody who did, only a root that "
            "was noted elsewhere proves anything: trialcapture verify SESSION --root ROOT",
            label="note",
            err=False,
        )
    elif found.root_given is not None:
        at = found.root_given
        since = lines[at.number :] if at in lines else ()
        say(f"the root given is that of line {at.number}: {at.what}, {at.t}, by {at.by}", label="root", err=False)
        told = "; ".join(
            f"{line.t} {line.what} by {line.by}"
            + (f" ({', '.join([f.path for f in line.files] + [f'{path} removed' for path in line.gone])})")
            for line in since
        )
        say(f"added since: {told or 'nothing'}", label="root", err=False)
        say(
            "A root proves session.toml and raw/ as they were then. By whom, when and why stands in seal.jsonl alone: "
            "note or mail that file, too",
            label="root",
            err=False,
        )
