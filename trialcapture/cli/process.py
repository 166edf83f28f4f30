"""``trialcapture process``: from the raw files of a session, or of several, to its results."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click
from rich.console import Console

from trialcapture.archive.manifest import hash_raw
from trialcapture.archive.seal import utc_now
from trialcapture.archive.session import Session, is_combined, open_session
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.cli.sealing import acceptance, offer_closing
from trialcapture.config import UnitSystem, config_hash, load_config, read_config, read_plan, with_plan
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import read_whole


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
    """Process a session, or several as one trial."""
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

    with ThreadPoolExecutor(1) as beside, shown_progress() as progress:
        hashing = beside.submit(hash_raw, session)
        # these take a second, which a wrong path or setting is not kept waiting for; files are hashed meanwhile
        from trialcapture.pipeline import process as derive  # noqa: PLC0415
        from trialcapture.report.terminal import bands_view  # noqa: PLC0415

        result = derive(session, text, progress, units, pdf=as_pdf, hashing=hashing)
    for told in result["told"]:
        say(told, label="note")
    if as_json:
        bands = result["bands"].to_pylist()
        print_json({"bands": bands, "summary": result["summary"], "paths": result["paths"], "notes": about})
        return
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
    if len(sessions) > 1 and into is None:
        raise click.UsageError("Several sessions need --into DIR, the folder to put them together in.")
    if into is not None and len(sessions) < 2:
        raise click.UsageError("--into puts several sessions together; give two or more.")
    # these take a second, which wrong usage is not kept waiting for
    from trialcapture.pipeline.combined import combine_sessions, process_combined  # noqa: PLC0415
    from trialcapture.reduce.summary import as_json as as_plain  # noqa: PLC0415
    from trialcapture.report.combined_sheet import combined_view  # noqa: PLC0415

    with shown_progress() as progress:
        if into is not None:
            combine_sessions(sessions, into, progress)
        made = process_combined(into or sessions[0], progress, units, as_pdf)
    if as_json:
        print_json({"bands": made.bands.to_pylist(), "summary": as_plain(made.trial), "paths": made.paths})
        return
    Console().print(combined_view(made.bands, made.trial, made.units))
    for name, path in made.paths.items():
        tell(f"{name}: {path}")


def _keep(session: Path, text: str | None, by: str, accept: str | None) -> None:
    if text is None:
        raise click.UsageError("--keep keeps the settings of --config CONFIG or --plan FILE")
    from trialcapture.archive.collect import keep_settings  # noqa: PLC0415  loads what drafts engine logs

    given = acceptance(accept, by)
    former = keep_settings(session, load_config(text), text, by=by.strip() or "process", t=utc_now(), accept=given)
    if former is not None:
        say(f"session.toml now has the settings given; the former ones are kept as {former.name}", label="note")


def _about_settings(session: Session, text: str | None, keep: bool) -> list[str]:
    """Return what is to be said of the settings used: those given, kept or not, or the session's own again."""
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
    try:
        made = parse_json(read_whole(folder / "reduction" / "summary.json", MOST_JSON_BYTES))
        return bool(made["seal"]["settings"] == "others")
    except (OSError, ValueError, KeyError, TypeError, TrialCaptureError):  # there is none, or none that says so
        return False


def _settings_to_use(session: Session, config_path: Path | None, plan_path: Path | None) -> str | None:
    """Return the text of settings that take the place of the session's own; None for those."""
    if config_path is not None:
        return read_config(config_path, plan_path)[1]
    return None if plan_path is None else with_plan(session.config_text, read_plan(plan_path), plan_path.name)
