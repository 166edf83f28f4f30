"""Derive the sessions of an archive again with this version, and tell what changed and why.

It is done by processes of this computer, or on dask.distributed. Each session is one task, `derive_stored`, the same on
both: it fetches the session into a folder of its own, processes it, puts the results beside the former ones and tells
what changed. What is done stands in the archive and nowhere else, so a run that is cut short, or a worker that is
killed, loses the sessions under way and no other, and the next run goes on with what is missing. A task that fails, or
whose worker dies, is tried once more; then it is named.

A change is what differs between two sets of results of one session by more than its printed digits.
"""

from __future__ import annotations

import os
import tempfile
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from importlib import import_module
from importlib.util import find_spec
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pyarrow as pa

from trialcapture.archive.fleet.fleet_archive import MOST_SMALL_BYTES, FleetArchive, StoredResults, open_archive
from trialcapture.archive.parquet import read_parquet
from trialcapture.archive.seal import utc_now, versions_now
from trialcapture.bounded_parsing import parse_json
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline import process
from trialcapture.reduce.tables import QUANTITY_COLUMNS, QUANTITY_UNITS
from trialcapture.report.format import DASH, decimals_for, expanded, fixed, number
from trialcapture.safe_text import clean_text

if TYPE_CHECKING:
    from multiprocessing.context import SpawnProcess

_ANSWERS = {
    "top_speed": ("top speed", "speed_kn", "speed_u_kn", "speed_k", "kn"),
    "fastest_seen": ("fastest seen", "speed_kn", "u_kn", "k", "kn"),
    "economy_planing": ("best economy on the plane", "economy_nm_per_l", "economy_u_nm_per_l", "economy_k", "nm/L"),
    "economy_displacement": (
        "best economy below planing", "economy_nm_per_l", "economy_u_nm_per_l", "economy_k", "nm/L"),
    "slowest_planing_speed": ("slowest planing speed", "speed_kn", "u_kn", "", "kn"),
}  # fmt: skip
"""Answers of a summary: what they are called, their keys of value, standard uncertainty and k, and the unit."""
_USUAL_DECIMALS = 3
"""Where no uncertainty tells how many digits a value is worth (our choice)."""


@dataclass(frozen=True, slots=True)
class ResultChange:
    """One printed figure that is another now.

    Attributes:
        where: The band, or the answer.
        what: The quantity, or ``±`` of it, or ``row``, ``warning``.
        before, after: As printed; a dash where there was none.
        unit: Of both.
    """

    where: str
    what: str
    before: str
    after: str
    unit: str = ""

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.where}: {self.what} {self.before} -> {self.after}{unit}"


@dataclass(frozen=True, slots=True)
class Derivation:
    """A set of results as far as it is compared with another: what it was made with and what it says.

    Attributes:
        made: Versions, settings, root.
        bands: `trialcapture.reduce.tables.BANDS_SCHEMA`, or that of an older version.
        summary: What ``summary.json`` holds, of whichever version.
    """

    made: StoredResults
    bands: pa.Table
    summary: Mapping[str, Any]


def find_changes(before: Derivation, after: Derivation) -> tuple[ResultChange, ...]:
    """Return every figure that is printed otherwise now: bands, answers, and which warnings stand.

    A value has the digits that two significant ones of its ± give it; a step of less than half of the last digit is no
    change, though rounding may print another one.
    """
    return (*_band_changes(before.bands, after.bands), *_answer_changes(before.summary, after.summary),
            *_warning_changes(before.summary, after.summary))  # fmt: skip


def find_causes(before: StoredResults, after: StoredResults) -> tuple[str, ...]:
    """Return what the two sets were made with that differs: versions of program and libraries, settings, files."""
    names = list(dict.fromkeys([*before.versions, *after.versions]))
    names.sort(key=lambda name: (name != "trialcapture", name))
    causes = []
    for name in names:
        old, new = (clean_text(of.versions.get(name, DASH)) for of in (before, after))
        if old != new:
            causes.append(f"{clean_text(name)} {old} -> {new}")
    if before.settings_sha256 != after.settings_sha256:
        causes.append("other settings")
    if before.root != after.root:
        causes.append("other files")
    return tuple(causes)


def _printed(value: Any, u: Any, k: Any) -> tuple[int, float | None, float | None]:
    """Return decimals, value and ± of a figure."""
    half = expanded(u, k)
    decimals = decimals_for(half) if half else _USUAL_DECIMALS
    return decimals, number(value), half


def _figure_changes(
    where: str, what: str, unit: str, before: tuple[Any, Any, Any], after: tuple[Any, Any, Any]
) -> Iterator[ResultChange]:
    old_decimals, old, old_half = _printed(*before)
    decimals, new, half = _printed(*after)
    if new is None:
        decimals = old_decimals
    if _differs(old, new, decimals):
        yield ResultChange(where, what, fixed(old, decimals), fixed(new, decimals), unit)
    if old is not None and new is not None and _differs(old_half, half, decimals):
        yield ResultChange(where, f"± of {what}", fixed(old_half, decimals), fixed(half, decimals), unit)


def _differs(old: float | None, new: float | None, decimals: int) -> bool:
    if old is None or new is None:
        return old is not new
    return fixed(old, decimals) != fixed(new, decimals) and abs(old - new) > 0.5 * 10.0**-decimals


def _band_changes(before: pa.Table, after: pa.Table) -> Iterator[ResultChange]:
    old, new = _rows_by_name(before), _rows_by_name(after)
    for name in dict.fromkeys([*new, *old]):
        a, b = old.get(name), new.get(name)
        if a is None or b is None:
            yield ResultChange(clean_text(name), "row", DASH if a is None else "there", DASH if b is None else "there")
            continue
        for quantity, (column, u_column) in QUANTITY_COLUMNS.items():
            figures = [(r.get(column), r.get(u_column), r.get(f"{quantity}_k")) for r in (a, b)]
            yield from _figure_changes(clean_text(name), quantity, QUANTITY_UNITS[quantity], *figures)
        if a.get("ways") != b.get("ways"):
            yield ResultChange(clean_text(name), "ways", str(a.get("ways")), str(b.get("ways")))
        flags = [set(str(r.get("flags") or "").split(";")) - {""} for r in (a, b)]
        if flags[0] != flags[1]:
            yield ResultChange(
                clean_text(name), "flags", *(clean_text(", ".join(sorted(f)) or DASH) for f in flags)
            )  # fmt: skip


def _rows_by_name(bands: pa.Table) -> dict[str, Mapping[str, Any]]:
    return {str(r.get("band_name") or f"{r.get('band_rpm')} rpm"): r for r in bands.to_pylist()}


def _answer_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[ResultChange]:
    for key, (name, value, u, k, unit) in _ANSWERS.items():
        a, b = (_entry(summary.get(key)) for summary in (before, after))
        figures = [(entry.get(value), entry.get(u), entry.get(k)) for entry in (a, b)]
        yield from _figure_changes(name, "value", unit, *figures)
        bands = [clean_text(str(entry.get("band_name") or DASH)) for entry in (a, b)]
        if a and b and bands[0] != bands[1]:
            yield ResultChange(name, "band", *bands)
    measured = [
        {str(m.get("name")): _entry(m.get("answer")) for m in map(_entry, _entries(s.get("measures")))}
        for s in (before, after)
    ]
    for name in dict.fromkeys([*measured[1], *measured[0]]):
        a, b = (of.get(name, {}) for of in measured)
        figures = [(entry.get("value"), entry.get("u"), entry.get("coverage_factor")) for entry in (a, b)]
        unit = str((b or a).get("unit") or "")
        yield from _figure_changes(clean_text(name), "value", clean_text(unit), *figures)


def _warning_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[ResultChange]:
    said = []
    for summary in (before, after):
        entries = map(_entry, _entries(summary.get("warnings")))
        said.append({(str(w.get("code")), str(w.get("where") or "")): str(w.get("text") or "") for w in entries})
    for key in dict.fromkeys([*said[1], *said[0]]):
        if (key in said[0]) != (key in said[1]):
            where = clean_text(f"{key[0]} {key[1]}".strip())[:120]
            sides = ["stands" if key in of else DASH for of in said]
            yield ResultChange(where, "warning", *sides)


def _entry(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _entries(value: Any) -> Sequence[Any]:
    return value if isinstance(value, list) else []


DerivedState = Literal["derived", "equal", "there", "failed"]
"""``derived``: results were made and stored; ``equal``: made again, equal to those there; ``there``: this version had
made them before; ``failed``."""
MOST_TRIES = 2
"""Of one session in one run: a failure is tried once more."""
REACHED_WITHIN_S = 20
"""A scheduler answers within this or is not there [s] (our choice)."""


@dataclass(frozen=True, slots=True)
class DerivedStored:
    """What became of one session.

    Attributes:
        key: Its name in the archive.
        session_id: None where it could not be read.
        state: See `DerivedState`.
        revision, results: Numbers of the revision and of the results in force; None where there are none.
        before, after: Versions of the program behind the results compared; None where there were none before.
        causes: What the two sets were made with that differs.
        changes: What is printed otherwise.
        tries: How often it was tried.
        fault: Why it failed, in words; "" elsewhere.
    """

    key: str
    session_id: str | None
    state: DerivedState
    revision: int | None = None
    results: int | None = None
    before: str | None = None
    after: str | None = None
    causes: tuple[str, ...] = ()
    changes: tuple[ResultChange, ...] = ()
    tries: int = 1
    fault: str = ""


@dataclass(frozen=True, slots=True)
class DerivingTask:
    """One session to derive: what a worker is given.

    Attributes:
        place: Of the archive, as every worker reaches it.
        key: Of the session.
        again: Derive it although this version has.
        scratch: Folder for the work; None for the system's own.
    """

    place: str
    key: str
    again: bool
    scratch: str | None


# ------------------------------------------------------------------------------
# One session: the same code in a process of this computer and on a cluster.
# ------------------------------------------------------------------------------


def derive_stored(task: DerivingTask) -> DerivedStored:
    """Derive one session of an archive again, and return what became of it; nothing is raised.

    Args:
        task: Which session of which archive.
    """
    name: str | None = None
    try:
        archive = open_archive(task.place)
        stored = archive.find(task.key)
        revision = archive.revision(stored)
        name = revision.session_id
        former = _readable_results(archive, task.key, revision.number, stored.results.get(revision.number, ()))
        done = next((r for r in reversed(former) if r.versions == versions_now() and r.root == revision.root), None)
        if done is not None and not task.again:
            before = [r for r in former if r.number < done.number]
            return _compared(archive, "there", before[-1] if before else None, done)
        with tempfile.TemporaryDirectory(
            prefix="trialcapture-derive-", dir=task.scratch, ignore_cleanup_errors=True
        ) as scratch:
            folder = archive.fetch(revision, Path(scratch) / "session")
            process(folder)
            made, is_new = archive.put_results(revision, folder, t=utc_now())
        before = [r for r in former if r.number < made.number]
        return _compared(archive, "derived" if is_new else "equal", before[-1] if before else None, made)
    except TrialCaptureError as fault:
        return DerivedStored(task.key, name, "failed", fault=clean_text(str(fault))[:1000])
    except Exception as fault:  # noqa: BLE001  a session from a stranger must not stop the others
        words = f"{type(fault).__name__}: {clean_text(str(fault)[:300])}"
        return DerivedStored(task.key, name, "failed", fault=f"something unexpected happened ({words})")


def _readable_results(
    archive: FleetArchive, key: str, revision: int, numbers: Sequence[int]
) -> list[StoredResults]:  # fmt: skip
    found = []
    for numbered in numbers:
        with suppress(TrialCaptureError):  # 'archive verify' names a damaged one; it stands in no way
            found.append(archive.read_results(key, revision, numbered))
    return found


def _compared(
    archive: FleetArchive, state: DerivedState, before: StoredResults | None, after: StoredResults
) -> DerivedStored:
    """Return the outcome with what changed against the former results; where these cannot be read, that is a change."""
    causes: tuple[str, ...] = ()
    changes: tuple[ResultChange, ...] = ()
    if before is not None:
        causes = find_causes(before, after)
        try:
            changes = find_changes(_derivation(archive, before), _derivation(archive, after))
        except TrialCaptureError as fault:
            changes = (ResultChange("former results", "cannot be compared", clean_text(str(fault))[:300], ""),)
    return DerivedStored(
        key=after.key, session_id=after.session_id, state=state, revision=after.revision, results=after.number,
        before=None if before is None else before.version, after=after.version, causes=causes, changes=changes,
    )  # fmt: skip


def _derivation(archive: FleetArchive, made: StoredResults) -> Derivation:
    summary = archive.read_file(made, "reduction/summary.json", MOST_SMALL_BYTES)
    bands = archive.read_file(made, "reduction/bands.parquet", MOST_SMALL_BYTES)
    if summary is None or bands is None:
        raise TrialCaptureError("results have no summary or no bands", where=made.session_id)
    with tempfile.TemporaryDirectory(prefix="trialcapture-bands-", ignore_cleanup_errors=True) as scratch:
        path = Path(scratch) / "bands.parquet"
        path.write_bytes(bands)
        table = read_parquet(path)
    try:
        said = parse_json(summary)
    except ValueError as fault:
        raise TrialCaptureError("a summary is no JSON", seen=str(fault)[:100], where=made.session_id) from fault
    return Derivation(made, table, said if isinstance(said, dict) else {})


# ------------------------------------------------------------------------------
# Many sessions.
# ------------------------------------------------------------------------------

Told = Callable[[DerivedStored, int, int], None]
"""Called with an outcome, how many are done, and how many there are."""


def process_archive(
    place: str,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    keys: Sequence[str] | None = None,
    again: bool = False,
    told: Told = lambda _one, _done, _all: None,
) -> list[DerivedStored]:
    """Derive all sessions of an archive with this version; the results stand beside the former ones.

    Args:
        place: The archive; with a scheduler as every worker reaches it.
        workers: Processes of this computer; one a processor by default, no more than there are sessions.
        scheduler: Address of a dask.distributed scheduler; its workers do the work then.
        keys: Of the sessions; all of them by default.
        again: Derive what this version has derived already, too.
        told: See `Told`.

    Returns:
        One entry a session, by key.

    Raises:
        TrialCaptureError: The archive cannot be read, or the scheduler cannot be reached or is lost.
    """
    chosen = sorted(open_archive(place).contents().sessions) if keys is None else list(keys)
    found: dict[str, DerivedStored] = {}

    def done(one: DerivedStored) -> None:
        found[one.key] = one
        told(one, len(found), len(chosen))

    with tempfile.TemporaryDirectory(prefix="trialcapture-archive-", ignore_cleanup_errors=True) as scratch:
        own = None if scheduler is not None else scratch
        tasks = [DerivingTask(place, key, again, own) for key in chosen]
        if scheduler is not None:
            _on_cluster(tasks, scheduler, done)
        else:
            _by_processes(tasks, min(workers or os.cpu_count() or 1, max(len(tasks), 1)), done)
    return [found[key] for key in sorted(found)]


# ------------------------------------------------------------------------------
# Processes of this computer. Every worker has a connection of its own, so that of a worker that dies it is known which
# session it had; an executor would give up all of them.
# ------------------------------------------------------------------------------


class _Worker:
    """A process that derives one session after the other."""

    def __init__(self) -> None:
        context = get_context("spawn")
        self.connection, theirs = context.Pipe()
        self.process: SpawnProcess = context.Process(target=_work, args=(theirs,), daemon=True)
        self.process.start()
        theirs.close()
        self.task: DerivingTask | None = None
        self.has_begun = False

    def give(self, task: DerivingTask) -> None:
        """Hand a session over; a worker that has died meanwhile is found by its end."""
        self.task, self.has_begun = task, False
        with suppress(OSError):
            self.connection.send(task)

    def end(self) -> None:
        """Let the process end, at once where it is at work."""
        if self.task is not None:
            self.process.kill()
        self.connection.close()
        self.process.join(30)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()


def _work(connection: Connection) -> None:
    """Derive what comes, until the other end is closed."""
    with suppress(EOFError, OSError, KeyboardInterrupt):
        while True:
            task = connection.recv()
            connection.send(None)  # begun: from here on its end is the session's
            connection.send(derive_stored(task))


def _by_processes(tasks: Sequence[DerivingTask], count: int, done: Callable[[DerivedStored], None]) -> None:
    waiting: deque[tuple[DerivingTask, int]] = deque((task, 1) for task in tasks)
    tries: dict[str, int] = {}
    unbegun: dict[str, int] = {}
    workers: list[_Worker] = []
    try:
        while waiting or any(w.task is not None for w in workers):
            # one that died while it waited takes no session with it
            for worker in [w for w in workers if w.task is None and not w.process.is_alive()]:
                workers.remove(worker)
                worker.end()
            while waiting and len(workers) < count:
                workers.append(_Worker())
            for worker in workers:
                if worker.task is None and waiting:
                    task, number = waiting.popleft()
                    tries[task.key] = number
                    worker.give(task)
            for worker, outcome in _next_outcomes(workers):
                given, worker.task = worker.task, None
                assert given is not None
                if worker.process.exitcode is not None or outcome.fault == _DIED:
                    workers.remove(worker)
                    worker.end()
                if outcome.fault == _DIED and not worker.has_begun and unbegun.get(given.key, 0) < _MOST_UNBEGUN:
                    unbegun[given.key] = unbegun.get(given.key, 0) + 1
                    waiting.append((given, tries[given.key]))
                    continue
                outcome = replace(outcome, tries=tries[given.key])  # noqa: PLW2901  the same with one field more
                if outcome.state == "failed" and tries[given.key] < MOST_TRIES:
                    waiting.append((given, tries[given.key] + 1))
                else:
                    done(outcome)
    finally:
        for worker in workers:
            worker.end()


_MOST_UNBEGUN = 3
"""Workers that may die before they begin a session without that being counted as a try of it (our choice)."""
_DIED = "its worker died: killed, or out of memory"


def _next_outcomes(workers: Sequence[_Worker]) -> Iterator[tuple[_Worker, DerivedStored]]:
    """Wait for a worker that is at work to answer or to die, and yield every one that has."""
    busy = {worker.connection: worker for worker in workers if worker.task is not None}
    for connection in wait(list(busy)):
        worker = busy[connection]  # type: ignore[index]
        assert worker.task is not None
        try:
            outcome: DerivedStored | None = worker.connection.recv()
        except (EOFError, OSError):  # the other end of the pipe is gone
            outcome = DerivedStored(worker.task.key, None, "failed", fault=_DIED)
        if outcome is None:
            worker.has_begun = True
            continue
        yield worker, outcome


# ------------------------------------------------------------------------------
# A cluster: dask.distributed moves the tasks of a worker that is lost to the others.
# ------------------------------------------------------------------------------


def _on_cluster(tasks: Sequence[DerivingTask], scheduler: str, done: Callable[[DerivedStored], None]) -> None:
    if find_spec("distributed") is None:
        raise TrialCaptureError(
            "dask.distributed is not installed, so no scheduler can be used",
            where=scheduler,
            expected="install the extra: pip install 'trialcapture[cluster]'; without --scheduler processes of this "
            "computer are used",
        )
    distributed: Any = import_module("distributed")
    try:
        client = distributed.Client(scheduler, timeout=REACHED_WITHIN_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as fault:
        raise _unreachable(scheduler, fault) from fault
    with client:
        tried = {task.key: 1 for task in tasks}
        by_key = {task.key: task for task in tasks}
        futures = {_submitted(client, task): task.key for task in tasks}
        completed = distributed.as_completed(list(futures), loop=client.loop)
        for future in completed:
            key = futures[future]
            try:
                outcome = future.result()
            except Exception as fault:
                if client.status not in ("running", "connecting"):
                    raise _unreachable(scheduler, fault) from fault
                words = f"{_DIED} ({type(fault).__name__}: {clean_text(str(fault)[:200])})"
                outcome = DerivedStored(key, None, "failed", fault=words)
            future.release()
            outcome = replace(outcome, tries=tried[key])
            if outcome.state == "failed" and tried[key] < MOST_TRIES:
                tried[key] += 1
                again = _submitted(client, by_key[key])
                futures[again] = key
                completed.add(again)
            else:
                done(outcome)


def _submitted(client: Any, task: DerivingTask) -> Any:
    # not pure: a task that failed is run again, not answered from memory
    return client.submit(derive_stored, task, pure=False)


def _unreachable(scheduler: str, fault: Exception) -> TrialCaptureError:
    return TrialCaptureError(
        "the scheduler cannot be reached, or was lost",
        seen=clean_text(f"{type(fault).__name__}: {fault}"[:200]),
        where=scheduler,
        expected="an address such as tcp://127.0.0.1:8786 of a running scheduler; what was done is kept, and the same "
        "command goes on",
    )
