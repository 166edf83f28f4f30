"""What a session's results are worth: the seal covers what they were made of, and deriving again covers them.

``reduction/results.json`` lists results with their hashes, so an edited one is found; somebody who edits the list too
is not found by it. Two things do: this user's own runs noted, in the cache folder, which lists they wrote; and results
are the same bytes whenever they are derived again by the same versions, so anybody can derive them again and compare.
"""

from __future__ import annotations

import csv
import io
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from trialcapture.acquire.ending import is_being_recorded
from trialcapture.archive.manifest import raw_files
from trialcapture.archive.result_set import RESULTS, result_files
from trialcapture.archive.seal import MANIFEST, NAME, SESSION, versions_now
from trialcapture.archive.session import open_session
from trialcapture.archive.verify import Verification, verify_session
from trialcapture.bounded_parsing import MOST_JSON_BYTES, parse_json
from trialcapture.config import UnitSystem, config_hash, load_config
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import process
from trialcapture.pipeline.reuse import were_made_here
from trialcapture.system.session_files import is_plain_file, open_plain, read_parts, read_whole

if TYPE_CHECKING:
    from trialcapture.pipeline.reading import Progress

_TABLES = ("reduction/bands.csv", "reduction/legs.csv", "reduction/manoeuvres.csv")
_PRINTED = 2e-3
"""Relative difference of two numbers that other library versions may make below the printed digits (our choice)."""


def verify_with_results(
    folder: Path,
    *,
    root: str | None = None,
    progress: Progress = lambda _step, _share: None,
    derive: bool = False,
    config_text: str | None = None,
) -> Verification:
    """Check a session as `verify_session` does, and say of its results who can vouch for them.

    Args:
        folder: The session.
        root: As `verify_session` takes it.
        progress: See `Progress`.
        derive: Derive the results again and compare them.
        config_text: Settings they were made with, where those were not the session's own.

    Raises:
        TrialCaptureError: As `verify_session`; or they are to be derived again while the session is being recorded.
    """
    found = verify_session(folder, root=root, progress=partial(progress, "reading raw files"))
    there = {path.relative_to(folder).as_posix() for path in result_files(folder)}
    if not there:
        return found
    if derive:
        return _with_derived_again(found, folder, config_text, progress)
    if not is_plain_file(folder / RESULTS):
        return found  # said already
    wrong = {name for name in there if any(fault.startswith(f"{name}:") for fault in found.faults)}
    agree = f"results: {len(there) - len(wrong)} of {len(there)} agree with their list {RESULTS}"
    was_made_here = were_made_here(folder, found.session)
    if was_made_here is False:
        text = f"{RESULTS}: this computer made other results of the same files, settings and versions; these were "
        text += "edited together with their list, or made on another computer. 'verify --derive' tells which"
        return replace(found, unvouched=(*found.unvouched, text))
    if was_made_here:
        remark = f"{agree}, and the list is one that your own runs on this computer wrote"
    else:
        remark = (
            f"{agree}, which no seal covers: whoever edits a result can edit the list too. 'trialcapture verify "
            "SESSION --derive' makes them again from the raw files and compares"
        )
    return replace(found, remarks=(*found.remarks, remark))


def _with_derived_again(found: Verification, folder: Path, config_text: str | None, progress: Progress) -> Verification:
    """Derive the results in a folder of their own, and add to what was found how they compare."""
    if is_being_recorded(folder):
        raise TrialCaptureError(
            "results are not compared while the session is being recorded", where=str(folder),
            expected="end the recording first",
        )  # fmt: skip
    try:
        session = open_session(folder)
        made = parse_json(read_whole(folder / RESULTS, MOST_JSON_BYTES))
        settings, units, versions = str(made["settings_sha256"]), made.get("units"), dict(made["versions"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, TrialCaptureError) as fault:
        return _not_compared(
            found, f"what the results were made with cannot be read ({fault}), so they are not compared"
        )
    used = session.config if config_text is None else load_config(config_text)
    if config_hash(used) != settings:
        text = "the results were made with other settings than these; give those with --config, or process again"
        return _not_compared(found, text, "results: not made again")
    with tempfile.TemporaryDirectory(prefix="trialcapture-", ignore_cleanup_errors=True) as name:
        again = Path(name) / "session"
        _copy_sealed(folder, again)
        known = units if units in get_args(UnitSystem) else None
        try:
            process(again, config_text, progress, known)
        except TrialCaptureError as fault:
            return _not_compared(found, f"the results cannot be made again ({fault.what}: {fault.seen})")
        faults, remark = _compare(folder, again, is_same_program=versions == versions_now())
    return replace(found, faults=(*found.faults, *faults), remarks=(*found.remarks, remark))


def _not_compared(found: Verification, why: str, remark: str = "results: not compared") -> Verification:
    return replace(found, unvouched=(*found.unvouched, f"{RESULTS}: {why}"), remarks=(*found.remarks, remark))


def _copy_sealed(folder: Path, again: Path) -> None:
    """Give a new folder what results are made of; files that cannot be shared with it are copied."""
    given = [path for name in (SESSION, MANIFEST, NAME) if is_plain_file(path := folder / name)]
    for path in (*given, *raw_files(folder)):
        target = again / path.relative_to(folder)
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(path, target, follow_symlinks=False)
        except (OSError, NotImplementedError):
            with open_plain(path) as source, target.open("xb") as copy:
                shutil.copyfileobj(source, copy, 1 << 20)


def _compare(folder: Path, again: Path, *, is_same_program: bool) -> tuple[list[str], str]:
    """Return how the results differ from those derived again, and what was compared."""
    faults, left_out, same = [], [], 0
    there = {path.relative_to(folder).as_posix(): path for path in result_files(folder)}
    made = {path.relative_to(again).as_posix(): path for path in result_files(again)}
    for name in sorted(there.keys() | made.keys()):
        if name not in made:
            left_out.append(name)
        elif name not in there:
            faults.append(f"{name}: the result is missing; process again")
        elif not is_same_program and name not in _TABLES:
            left_out.append(name)
        elif (differs := _difference(there[name], made[name], is_exact=is_same_program)) is None:
            same += 1
        else:
            faults.append(f"{name}: is not what the raw files give when derived again{differs}")
    remark = f"results: made again from the raw files, {same} of {len(there)} are the same"
    remark += "" if is_same_program else " to the printed digits, as other versions made them"
    if left_out:
        why = "other versions made them" if not is_same_program else "not made by every run"
        remark += f"; not compared ({why}): {', '.join(left_out)}"
    return faults, remark


def _difference(there: Path, made: Path, *, is_exact: bool) -> str | None:
    """Return how a result differs from the one derived again; None where it does not."""
    if _is_same(there, made):
        return None
    if there.suffix != ".csv":
        return None if not is_exact else ""
    try:
        cells = next(_differing_cells(there, made, 0.0 if is_exact else _PRINTED), None)
    except (csv.Error, UnicodeDecodeError, TrialCaptureError):
        cells = ""
    return ("" if is_exact else None) if cells is None else cells


def _differing_cells(there: Path, made: Path, tolerance: float) -> Iterator[str]:
    """Yield where two tables differ, the column by name and the row counted from 1."""
    own, derived = (_rows(path) for path in (there, made))
    head = derived[0] if derived else []
    if not own or own[0] != head or len(own) != len(derived):
        yield f" ({max(len(own) - 1, 0)} rows there, {max(len(derived) - 1, 0)} derived)"
    for number, (one, other) in enumerate(zip(own[1:], derived[1:], strict=False), 1):
        for column, before, after in zip(head, one, other, strict=False):
            if before != after and not _are_near(before, after, tolerance):
                yield f" (row {number}, {column}: {before[:40]!r} there, {after[:40]!r} derived)"


def _rows(path: Path) -> list[list[str]]:
    text = read_whole(path, MOST_JSON_BYTES).decode("utf-8-sig")
    return list(csv.reader(io.StringIO(text, newline="")))


def _are_near(one: str, other: str, tolerance: float) -> bool:
    try:
        before, after = float(one), float(other)
    except ValueError:
        return False
    return abs(before - after) <= tolerance * max(abs(before), abs(after))


def _is_same(one: Path, other: Path) -> bool:
    with open_plain(one) as first, open_plain(other) as second:
        if os.fstat(first.fileno()).st_size != os.fstat(second.fileno()).st_size:
            return False
        parts = zip(read_parts(first, 1 << 20), read_parts(second, 1 << 20), strict=True)
        return all(ours == theirs for ours, theirs in parts)
