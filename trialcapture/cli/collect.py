"""``trialcapture collect`` and ``draft-log``: a session from files recorded elsewhere, and what declares an engine log.

``collect`` makes a session of such files, or of its two halves; ``draft-log`` shows what an engine log looks like, and
drafts what declares it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import click
import pyarrow as pa

from trialcapture.acquire.preflight import SentenceSeen, explain_groups, explain_log, explained_lines
from trialcapture.archive.collect import check_log, look_at_engine_log
from trialcapture.archive.collect import collect as collect_files
from trialcapture.archive.halves import copy_session, join_halves, missing_half, refuse_other_session
from trialcapture.archive.raw import read_blocks
from trialcapture.archive.seal import read_chain, utc_now
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.cli.sealing import acceptance, offer_closing, root_text
from trialcapture.config import parse_zone, read_config
from trialcapture.decode.can.can_decoder import CanDecoder
from trialcapture.decode.engine_log.log_draft import Draft, FirstLook, TimeReading, draft_table, reading_text
from trialcapture.errors import TrialCaptureError
from trialcapture.report.format import doubtful_sizes
from trialcapture.system.session_files import SessionLock, lock_if_there


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
    """Make a session from logs, add to one, or join two halves."""
    if halves is not None:
        if logs or engine_logs or config_path is not None:
            raise click.UsageError("--join takes two halves of a session and nothing else but --into.")
        _join(*halves, into, as_json)
        return
    if into is None:
        raise click.UsageError("Missing option '--into'.")

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


_ROWS_SHOWN, _WIDTH = 8, 78
"""Rows of the log that are shown, and how wide, on a screen of 80 columns."""


def draft_log(
    files: tuple[Path, ...], logs: tuple[Path, ...], sheet: str | None, zones: tuple[str, ...], as_json: bool
) -> None:
    """Print what each file looks like and a table to copy."""
    if not files and not logs:
        raise click.UsageError("Missing argument 'FILE...'.", click.get_current_context())

    where = _zones(zones)
    heard = {path: _explained(path) for path in logs}
    told = []
    for path in files:
        look, of_several = look_at_engine_log(path, sheet)
        draft = draft_table(look, path.name, of_several)
        if as_json:
            told.append(_plain(path, look, draft, where))
        else:
            _show(path, look, draft, where)
    if as_json:
        print_json({"files": told, "logs": [{"file": p, "sentences": list(map(asdict, s))} for p, s in heard.items()]})
        return

    for path, seen in heard.items():
        tell(f"{path}")
        for line in explained_lines(seen):
            tell(line)


def _explained(path: Path) -> list[SentenceSeen]:
    """Explain what an NMEA log or a CAN log says."""
    told: list[str] = []
    kind = check_log(path, told.append)
    for warning in told:
        say(warning, label="note")
    blocks = read_blocks(path, warn=lambda _: None)
    if kind == "nmea":
        return explain_log(line for _, block in blocks for line in block.splitlines())
    decoder = CanDecoder()
    counts = [decoder.decode(block, first)[2] for first, block in blocks] + [decoder.finish()[1]]
    keys = ["source", "talker", "formatter"]
    plain = pa.concat_tables(counts, promote_options="default").unify_dictionaries()
    plain = pa.table(
        {name: plain[name].cast(pa.string()) if name in keys else plain[name] for name in plain.column_names}
    )
    summed = plain.group_by(keys, use_threads=False).aggregate([(n, "sum") for n in ("good", "bad", "not_decoded")])
    return explain_groups(summed.rename_columns([name.removesuffix("_sum") for name in summed.column_names]))


def _zones(names: Sequence[str]) -> list[tuple[str, tzinfo | None]]:
    """Return zones with what to call them; None stands for this computer's, whose rules Python keeps to itself."""
    found: list[tuple[str, tzinfo | None]] = []
    for name in names:
        try:
            found.append((name, parse_zone(name)))
        except ValueError as fault:
            raise TrialCaptureError(
                "there is no such time zone", seen=name, where="--timezone", expected=str(fault)
            ) from fault
    return found or [(f"this computer's, {datetime.now().astimezone().tzname()}", None)]


def _meaning(reading: TimeReading, zones: Sequence[tuple[str, tzinfo | None]]) -> list[dict[str, str]]:
    """Return what a reading says and what it is in UTC, for each zone that would tell."""
    text = reading_text(reading)
    if reading.kind == "elapsed":
        return [{"reads": text}]
    if reading.kind == "utc":
        return [{"reads": f"{text} UTC", "utc": f"{reading.clock:%Y-%m-%dT%H:%M:%S}Z"}]
    if reading.lacks:
        key = "date" if reading.lacks == "day" else "year"
        return [{"reads": f"{text} local; the {reading.lacks} is not in the log: declare {key}"}]
    if reading.offset_ns is not None:
        moments = [("", reading.clock - timedelta(microseconds=reading.offset_ns // 1000))]
    else:
        moments = [(name, _in_utc(reading.clock, zone)) for name, zone in zones]
    made = []
    for name, moment in moments:
        day = "" if moment.date() == reading.clock.date() else f"{moment.day} {moment:%b %Y} "
        said_so = f"{text} local = {day}{moment:%H:%M:%S} UTC" + (f", if the zone is {name}" if name else "")
        made.append({"reads": said_so, "utc": f"{moment:%Y-%m-%dT%H:%M:%S}Z"} | ({"zone": name} if name else {}))
    return made


def _in_utc(clock: datetime, zone: tzinfo | None) -> datetime:
    try:
        return (clock.astimezone(UTC) if zone is None else clock.replace(tzinfo=zone).astimezone(UTC)).replace(
            tzinfo=None
        )
    except (OverflowError, ValueError, OSError):  # years at the very ends
        return clock


def _declared(reading: TimeReading) -> str:
    keys = {**reading.declared}
    if not keys:
        return "six columns"
    return ", ".join(f'{key} = "{value}"' for key, value in keys.items())


def _show(path: Path, look: FirstLook, draft: Draft, zones: Sequence[tuple[str, tzinfo | None]]) -> None:
    tell(f"{path}")
    if look.is_workbook:
        tell("a workbook")
    else:
        lines = sum(bool("".join(row).strip()) for row in look.rows)
        fits = [f"{mark!r} ({count} of {lines} lines)" for mark, count in look.delimiters.items()]
        tell(f"text in {look.encoding}; delimiter {', or '.join(fits) or 'not found'}")
    tell()
    tell("first rows:")
    for number, row in enumerate(look.rows[: look.header_rows + look.skip_rows + _ROWS_SHOWN], 1):
        line = f"{number:4}  {' | '.join(row)}"
        tell(line if len(line) <= _WIDTH else line[: _WIDTH - 1] + "…")
    names = " + ".join(str(look.names[place]) for place in look.time_columns) or "not found"
    tell()
    tell(f"the first time (column {names}) would be:")
    if not look.times:
        tell("  no declaration fits it")
    for reading in look.times:
        for meaning in _meaning(reading, zones):
            tell(f"  {_declared(reading)}")
            tell(f"      {meaning['reads']}")
    tell()
    tell("a table to edit, for your settings:")
    tell()
    for line in draft.text.split("\n"):
        tell(line)


def _plain(path: Path, look: FirstLook, draft: Draft, zones: Sequence[tuple[str, tzinfo | None]]) -> dict[str, Any]:
    return {
        "file": path,
        "encoding": look.encoding or None,
        "delimiters": look.delimiters,
        "header_rows": look.header_rows,
        "skip_rows_after_header": look.skip_rows,
        "rows": look.rows[: look.header_rows + look.skip_rows + _ROWS_SHOWN],
        "time_columns": [look.names[place] for place in look.time_columns],
        "times": [{"declared": dict(r.declared), "meaning": _meaning(r, zones)} for r in look.times],
        "draft": draft.text,
        "questions": list(draft.questions),
    }
