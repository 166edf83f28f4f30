"""``verify``: every hash, every line, every second; names what is damaged and what survives."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from trialcapture.archive.accounting import LONGEST_SILENCE_S, Account, Timeline, read_timeline
from trialcapture.archive.journal import parse_line, split_lines, unescape
from trialcapture.archive.manifest import read_manifest, verify_manifest
from trialcapture.archive.raw import read_blocks
from trialcapture.archive.session import nmea_files, open_session
from trialcapture.decode.can.candump import is_candump_line
from trialcapture.decode.nmea0183.stream import grade_piece, xor_checksum

_OURS = re.compile(
    rb"\\(s:([A-Za-z0-9_-]{1,15}),c:-?[0-9]+,r:([0-9]+)(?:,t:cut|,t:again-[0-9]+)?)\*([0-9A-F]{2})\\([ -\[\]-~]*)\r\n"
)
_CANDUMP = re.compile(rb"\((\d+)\.(\d{6})\) (\S+) [0-9A-Fa-f]{3,8}#[#0-9A-Fa-fRr]*( [RT])?\r?\n")
_NAME_AT_MOST = 20


@dataclass(frozen=True, slots=True)
class Verification:
    """What a session's raw data is worth.

    Attributes:
        session: Its id.
        faults: What is damaged, and what survives of it, one sentence each; empty when all is sound.
        remarks: What is no damage and yet worth knowing.
        lines: Lines looked at.
        sentences: How the received lines read: ``good``, ``unread``, ``bad``, ``unsummed``, ``noise`` …; damage
            here came over the wire and is kept as it came.
        accounts: Each source's time; empty for a session that was not recorded here.
        files: Raw files the manifest lists, None without a manifest.
    """

    session: str
    faults: tuple[str, ...]
    remarks: tuple[str, ...]
    lines: int
    sentences: dict[str, int]
    accounts: tuple[Account, ...]
    files: int | None


class _Findings:
    """Faults of the lines of one file, the first ones named and the rest counted."""

    def __init__(self, label: str) -> None:
        self._label = label
        self._places: dict[str, list[int]] = {}
        self._counts: Counter[str] = Counter()

    def add(self, what: str, line: int) -> None:
        self._counts[what] += 1
        places = self._places.setdefault(what, [])
        if len(places) < _NAME_AT_MOST:
            places.append(line)

    def texts(self) -> list[str]:
        texts = []
        for what, count in self._counts.items():
            places = ", ".join(map(str, self._places[what]))
            more = f" and {count - _NAME_AT_MOST} more" if count > _NAME_AT_MOST else ""
            texts.append(f"{self._label}: {what} in {_counted(count, 'line')} ({places}{more})")
        return texts


def verify_session(folder: Path, *, progress: Callable[[int], None] = lambda _: None) -> Verification:
    """Check everything about a session's raw files that can be checked.

    Args:
        folder: The session.
        progress: Called with the number of bytes just read; every raw file is read twice, once for its hash.

    Raises:
        TrialCaptureError: There is no session, or a file cannot be read.
    """
    session = open_session(folder)
    faults: list[str] = []
    manifest = read_manifest(folder)
    if manifest is not None:
        faults += [str(fault) for fault in verify_manifest(folder, progress=progress)]
    timeline = read_timeline(folder)
    remarks = timeline.remarks
    if manifest is None:
        what = "was not ended in good order" if timeline.begun else "has no manifest"
        remarks.append(f"the session {what}, so there are no hashes to compare with; its lines are checked")
    sentences: Counter[str] = Counter()
    lines = 0
    for path in nmea_files(session):
        lines += _check_journal(path, timeline, sentences, faults, remarks, progress)
    for path in sorted((folder / "raw").glob("can*.log*")):
        lines += _check_can(path, timeline, faults, remarks, progress)
    accounts = tuple(timeline.accounts()) if timeline.begun else ()
    faults += [
        f"{a.source}: {a.unnamed_s:.1f} s without data and without a named gap (silence over {LONGEST_SILENCE_S:g} s)"
        for a in accounts
        if a.unnamed_s > 0
    ]
    return Verification(
        session.id,
        tuple(faults),
        tuple(remarks),
        lines,
        dict(sorted(sentences.items())),
        accounts,
        None if manifest is None else len(manifest),
    )


def _check_journal(
    path: Path,
    timeline: Timeline,
    sentences: Counter[str],
    faults: list[str],
    remarks: list[str],
    progress: Callable[[int], None],
) -> int:
    found = _Findings(f"raw/{path.name}")
    torn = _Findings(f"raw/{path.name}")
    count = 0
    for first_line, block in read_blocks(path, warn=faults.append):
        progress(len(block))
        lines = split_lines(block) if timeline.begun else block.splitlines(keepends=True)
        for number, line in enumerate(lines, first_line + 1):
            count += 1
            ours = _OURS.fullmatch(line)
            if ours is not None:
                if xor_checksum(ours[1]) != int(ours[4], 16):
                    found.add("the TAG block's checksum is wrong; the sentence survives", number)
                    continue
                timeline.add_line(ours[2].decode("ascii"), int(ours[3]))
                sentences[grade_piece(unescape(ours[5]) + b"\r\n")] += 1
                continue
            parsed = parse_line(line)
            if parsed.mono_us is not None and parsed.fault in ("", "torn"):
                timeline.add_line(parsed.source, parsed.mono_us)
            if parsed.fault == "torn" and timeline.begun:
                torn.add(f"a torn line, of which {len(parsed.original)} bytes survive,", number)
            elif timeline.begun and not parsed.fault:
                found.add("bytes that no journal line holds; the rest of the line survives", number)
            elif timeline.begun:
                found.add(f"{parsed.fault}; what can be read of the line survives", number)
            else:
                sentences[grade_piece(parsed.original)] += 1
    faults += found.texts()
    remarks += torn.texts()
    return count


def _check_can(
    path: Path, timeline: Timeline, faults: list[str], remarks: list[str], progress: Callable[[int], None]
) -> int:
    found = _Findings(f"raw/{path.name}")
    torn = _Findings(f"raw/{path.name}")
    count = 0
    for first_line, block in read_blocks(path, warn=faults.append):
        progress(len(block))
        for number, line in enumerate(block.splitlines(keepends=True), first_line + 1):
            count += 1
            frame = _CANDUMP.fullmatch(line)
            if frame is None:
                if not timeline.begun and is_candump_line(line):
                    continue
                whole = line.endswith(b"\n")
                # of a log recorded elsewhere nothing was lost here
                (found if whole and timeline.begun else torn).add("no CAN frame" if whole else "a torn frame", number)
            elif timeline.epoch_wall_ns is not None:
                stamp_us = int(frame[1]) * 1_000_000 + int(frame[2])
                mono_us = stamp_us - timeline.epoch_wall_ns // 1000
                timeline.add_line(frame[3].decode("ascii", "replace"), mono_us)
    faults += found.texts()
    remarks += torn.texts()
    return count


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
