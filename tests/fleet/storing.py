"""Steps of `tests.fleet`: add, be killed, add twice at once, index, list, mirror, verify and repair."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialcapture.archive.fleet.fleet_adding import add_sessions
from trialcapture.archive.fleet.fleet_archive import FleetArchive, open_archive
from trialcapture.archive.fleet.fleet_checking import mirror_archive, verify_archive
from trialcapture.archive.fleet.fleet_index import current_sessions, update_index
from trialcapture.archive.fleet.object_store import read_object
from trialcapture.archive.notes import append_notes
from trialcapture.archive.seal import NOTE, add_event, compare_seal, utc_now
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import process

if TYPE_CHECKING:
    from tests.fleet.__main__ import Stage

ROOT = Path(__file__).parents[2]
T = "2026-07-01T09:00:00Z"
SEED = 16
MOST_KILLS = 8


def command(*arguments: str) -> subprocess.Popen[str]:
    """Start a command of the archive in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, "-m", "trialcapture", "archive", *arguments],
        cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def finished(started: subprocess.Popen[str]) -> tuple[int, Any]:
    """Return exit code and JSON of a command."""
    out, _ = started.communicate()
    return started.returncode, json.loads(out)


def added(stage: Stage) -> str:
    """All sessions by one command."""
    began = time.perf_counter()
    code, told = finished(command("add", stage.place, *map(str, stage.sessions), "--json"))
    took = time.perf_counter() - began
    count = sum(one["outcome"] == "added" for one in told["sessions"])
    size = sum(one["bytes_written"] for one in told["sessions"])
    stage.check(code == 0 and count == len(stage.sessions), f"{count} of {len(stage.sessions)} added")
    return f"{count} of {len(stage.sessions)} sessions, {size / 1e6:.0f} MB, {took / max(count, 1):.3f} s a session"


def added_again(stage: Stage) -> str:
    """The same once more: nothing may be written."""
    code, told = finished(command("add", stage.place, *map(str, stage.some), "--json"))
    same = sum(one["outcome"] == "already there" and not one["bytes_written"] for one in told["sessions"])
    stage.check(code == 0 and same == len(stage.some), f"{same} of {len(stage.some)} were already there")
    return f"{same} of {len(stage.some)} already there, nothing written"


def added_while_killed(stage: Stage) -> str:
    """Kill the adder again and again at any moment, until it comes through, or then let it."""
    place, dice = f"{stage.place}-killed", random.Random(SEED)
    some = [str(path) for path in stage.some[: max(4, len(stage.some) // 2)]]
    kills = faults = 0
    while True:
        adder = command("add", place, *some, "--json")
        try:
            adder.communicate(timeout=dice.uniform(0.5, 4.0) * (1.0 + kills / 4.0) if kills < MOST_KILLS else None)
            break
        except subprocess.TimeoutExpired:
            adder.kill()
            adder.communicate()
            kills += 1
            with suppress(TrialCaptureError):  # killed before there was an archive
                faults += len(verify_archive(open_archive(place)).faults)
    archive = open_archive(place)
    there = archive.contents().sessions
    faults += len(verify_archive(archive).faults)
    whole = [one.listed for one in there.values()] == ["1:1"] * len(some)
    stage.check(whole and not faults and adder.returncode == 0, f"{len(there)} sessions, {faults} faults after kills")
    return f"{kills} kills, then {len(there)} of {len(some)} sessions with one revision each, {faults} faults"


def added_by_two(stage: Stage) -> str:
    """Two programs add the same sessions, one from the end."""
    place = f"{stage.place}-two"
    some = [str(path) for path in stage.some]
    both = [command("add", place, *order, "--json") for order in (some, some[::-1])]
    ended = [finished(one) for one in both]
    archive = open_archive(place)
    listed = [one.listed for one in archive.contents().sessions.values()]
    faults = len(verify_archive(archive).faults)
    by = [sum(one["outcome"] == "added" for one in told["sessions"]) for _, told in ended]
    held = [code for code, _ in ended] == [0, 0] and listed == ["1:1"] * len(some) and not faults
    stage.check(held, f"two at once: {by}, {faults} faults")
    return f"{by[0]} and {by[1]} of {len(some)} added, each with one revision, {faults} faults"


def indexed(stage: Stage) -> str:
    """Index all, then after one note, then from scratch: equal bytes."""
    archive = open_archive(stage.place)
    times = []

    def timed(**more: bool) -> Any:
        began = time.perf_counter()
        done = update_index(archive, **more)
        times.append(time.perf_counter() - began)
        return done

    first = timed()
    changed = Path(shutil.copytree(stage.sessions[0], stage.scratch / "changed"))
    before = compare_seal(changed, "closed")
    path = append_notes(changed, [{"t": T, "kind": "remark", "value": "propeller changed", "by": "yard"}], "note")
    add_event(changed, before, NOTE, "yard", T, [path.relative_to(changed).as_posix()])
    (one,) = add_sessions(archive, [changed], t=utc_now)
    second, third = timed(), timed(rebuild=True)
    process(changed)  # the steps that follow want results of every session
    add_sessions(archive, [changed], t=utc_now)
    update_index(archive)
    held = one.outcome == "new revision" and len(second.read) == 1 and second.state == third.state
    stage.check(held and not first.faults, f"index: {one.outcome}, {len(second.read)} read after one note")
    rows = ", ".join(f"{count} {name}" for name, count in first.rows.items())
    return f"{rows}; made in {times[0]:.1f} s, updated after one note in {times[1]:.2f} s, equal to one from scratch"


def listed(stage: Stage) -> str:
    """List with the index."""
    began = time.perf_counter()
    sessions, strange = current_sessions(open_archive(stage.place))
    took = time.perf_counter() - began
    stage.check(sessions.num_rows == len(stage.sessions) and not strange, f"{sessions.num_rows} listed, {strange[:3]}")
    return f"{sessions.num_rows} sessions in {took:.2f} s"


def mirrored(stage: Stage) -> str:
    """Make the second copy, and make it again."""
    archive, second = _first(stage), open_archive(stage.second, create=True)
    first, again = mirror_archive(archive, second), mirror_archive(archive, second)
    held = first.copied == first.objects and again.copied == 0 and not (first.faults or again.faults or again.repaired)
    stage.check(held and _objects(archive) == _objects(second), "the second copy is not the first")
    return f"{first.copied} of {first.objects} objects copied ({first.bytes / 1e6:.0f} MB), then none"


def _first(stage: Stage) -> FleetArchive:
    """Return the archive that has a second copy: on S3 the one that two have added to, because moto is slow."""
    return open_archive(f"{stage.place}-two" if stage.kind == "s3" else stage.place)


def _objects(archive: FleetArchive) -> dict[str, int]:
    return {name: size for name, size in archive.store.names("") if not name.startswith("index/")}


def repaired(stage: Stage) -> str:
    """Flip bits and remove objects in both copies, never the same one, and repair."""
    archive, second = _first(stage), open_archive(stage.second)
    dice = random.Random(SEED)
    names = sorted(name for name in _objects(archive) if name.startswith(("files/", "commits/")))
    chosen = dice.sample(names, min(40, len(names) // 4))
    hurt = {name: (archive, second)[at % 2] for at, name in enumerate(chosen)}
    whole = {name: _sha256(archive, name) for name in chosen}
    # which files belong to a session nobody can know where its commit cannot be read
    unread = {name.split("/")[1] for name in chosen if name.startswith("commits/")}
    for at, (name, of) in enumerate(hurt.items()):
        _remove_or_flip(of, name, dice, remove=at % 4 < 2 and name.split("/")[1] not in unread)
    began = time.perf_counter()
    found = {fault.object for one in (archive, second) for fault in verify_archive(one).faults}
    took = time.perf_counter() - began
    named = [name for name in chosen if name in found]
    done = mirror_archive(archive, second)
    good = [name for name in chosen if {_sha256(one, name) for one in (archive, second)} == {whole[name]}]
    left = sum(len(verify_archive(one).faults) for one in (archive, second))
    held = len(named) == len(good) == len(chosen) and not left and not done.faults
    stage.check(held, f"{len(named)} named and {len(good)} repaired of {len(chosen)}, {left} faults left")
    return (
        f"{len(named)} of {len(chosen)} flipped or removed objects named, {len(good)} repaired, {left} faults left; "
        f"both copies read in {took:.1f} s"
    )


def _sha256(archive: FleetArchive, name: str) -> str:
    return hashlib.sha256(read_object(archive.store, name, 1 << 28)).hexdigest()


def _remove_or_flip(archive: FleetArchive, name: str, dice: random.Random, *, remove: bool) -> None:
    if remove:
        archive.store.remove(name)
        return
    data = bytearray(read_object(archive.store, name, 1 << 28))
    data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)
    spoiled = bytes(data)
    archive.store.put(name, lambda: BytesIO(spoiled), hashlib.sha256(spoiled).hexdigest(), len(spoiled))


def quantiles(values: Sequence[float]) -> tuple[float, float]:
    """Return the median and the largest."""
    ordered = sorted(values)
    return ordered[len(ordered) // 2], ordered[-1]
