"""What is asked of an archive: questions in SQL to its index, and the sessions that a comparison reads.

Questions are answered by DuckDB, which sees the index and nothing else. The six tables are views of the index files.
Before the question is looked at, access to every other file, to the network, to extensions and to variables of this
program is taken away, and the settings are locked. A question is one statement that only reads; it has a limit of time,
of memory and of rows.

The sessions of a comparison come from their folders, or from an archive, chosen by id, pattern or boat.
"""

from __future__ import annotations

import fnmatch
import os
import tempfile
import threading
from collections.abc import Sequence
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Self

import pyarrow as pa
from pyarrow import csv

from trialcapture.archive.fleet.fleet_archive import FleetArchive, StoredSession, read_made
from trialcapture.archive.fleet.fleet_index import check_index, current_sessions, index_files
from trialcapture.archive.parquet import read_parquet
from trialcapture.archive.session import open_session
from trialcapture.errors import TrialCaptureError
from trialcapture.reduce.session_comparison import LEG_COLUMNS, ComparedSession, parse_derived
from trialcapture.reduce.tables import BANDS_SCHEMA, LEGS_SCHEMA
from trialcapture.safe_text import clean_text
from trialcapture.system.session_files import is_plain_file, read_whole

LONGEST_S = 60.0
"""A question may take so long [s], unless more is asked for (our choice)."""
MOST_MEMORY_MB = 1024
"""Memory of a question [MB], unless more is asked for (our choice)."""
MOST_ROWS = 2_000_000
"""Rows of an answer: a question for more is none that a person asks (our choice)."""
_LONGEST_SQL = 100_000
_MOST_THREADS = 4
_BATCH = 10_000


def query_index(
    archive: FleetArchive, sql: str, *, longest_s: float = LONGEST_S, memory_mb: int = MOST_MEMORY_MB
) -> pa.Table:
    """Return the answer to one question; see `QueriedIndex`."""
    with QueriedIndex(archive, memory_mb=memory_mb) as index:
        return index.ask(sql, longest_s=longest_s)


class QueriedIndex:
    """An index that is open for questions, until it is closed; it stays as it was when it was opened.

    Args:
        archive: With an index.
        memory_mb: A question may use so much memory [MB].

    Raises:
        TrialCaptureError: DuckDB is not installed; there is no index, or it is damaged.
    """

    def __init__(self, archive: FleetArchive, *, memory_mb: int = MOST_MEMORY_MB) -> None:
        if find_spec("duckdb") is None:
            raise TrialCaptureError(
                "DuckDB is not installed, so no question can be asked",
                expected="install the extra: pip install 'trialcapture[archive]'",
            )
        self._duckdb: Any = import_module("duckdb")
        self._archive = archive
        self._scratch = tempfile.TemporaryDirectory(prefix="trialcapture-query-", ignore_cleanup_errors=True)
        try:
            tables = index_files(archive, Path(self._scratch.name))
            self._connection = _opened(self._duckdb, tables, memory_mb)
        except self._duckdb.Error:
            self._scratch.cleanup()
            check_index(archive)
            raise
        except BaseException:
            self._scratch.cleanup()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close it; asks nothing any more."""
        self._connection.close()
        self._scratch.cleanup()

    def ask(self, sql: str, *, longest_s: float = LONGEST_S) -> pa.Table:
        """Return the answer to a question.

        Args:
            sql: One SELECT over ``sessions``, ``bands``, ``segments``, ``segment_engines``, ``manoeuvres`` and
                ``notes``.
            longest_s: It is stopped after so long [s].

        Raises:
            TrialCaptureError: The question cannot be answered, only reads not, or reaches a limit; or the index is
                damaged.
        """
        if not sql.strip() or len(sql) > _LONGEST_SQL:
            raise _refused(sql, "an empty question" if not sql.strip() else f"{len(sql)} characters")
        try:
            return _answered(self._duckdb, self._connection, sql, longest_s)
        except _UnansweredError as fault:
            check_index(self._archive)  # a damaged file is no fault of the question
            raise _refused(sql, str(fault)) from fault


class _UnansweredError(Exception):
    """A question that DuckDB did not answer, in its words."""


def _opened(duckdb: Any, tables: dict[str, Path], memory_mb: int) -> Any:
    """Return a connection that sees the index as views, and nothing else any more."""
    connection = duckdb.connect(
        ":memory:",
        config={
            "memory_limit": f"{memory_mb}MB",
            # no more than there are processors: starting them costs more than a small index gains
            "threads": min(_MOST_THREADS, os.cpu_count() or 1),
            "temp_directory": "",
            "autoinstall_known_extensions": "false",
            "autoload_known_extensions": "false",
            "allow_community_extensions": "false",
            "python_enable_replacements": "false",
        },
    )
    try:
        paths = [str(path.resolve()) for path in tables.values()]
        connection.execute(f"SET allowed_paths = [{', '.join(map(_quoted, paths))}]")
        for name, path in zip(tables, paths, strict=True):
            connection.execute(f'CREATE VIEW "{name}" AS SELECT * FROM read_parquet({_quoted(path)})')
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET enable_external_access = false")
        connection.execute("SET lock_configuration = true")
    except BaseException:
        connection.close()
        raise
    return connection


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _answered(duckdb: Any, connection: Any, sql: str, longest_s: float) -> pa.Table:
    is_late = threading.Event()

    def stop() -> None:
        is_late.set()
        connection.interrupt()

    timer = threading.Timer(longest_s, stop)
    timer.daemon = True
    try:
        statements = connection.extract_statements(sql)
        reads = (duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN)
        if len(statements) != 1 or statements[0].type not in reads:
            seen = f"{len(statements)} statements" if len(statements) != 1 else statements[0].type.name
            raise _refused(sql, seen)
        timer.start()
        relation = connection.sql(sql)
        # the name in versions before 2
        reader = (getattr(relation, "to_arrow_reader", None) or relation.fetch_arrow_reader)(_BATCH)
        batches, rows = [], 0
        for batch in reader:
            batches.append(batch)
            rows += batch.num_rows
            if rows > MOST_ROWS:
                raise TrialCaptureError(
                    "the answer is longer than any that is given",
                    seen=f"more than {MOST_ROWS} rows",
                    expected="ask for less: WHERE, GROUP BY or LIMIT; or read the index files with another program",
                )
        return pa.Table.from_batches(batches, reader.schema)
    except duckdb.OutOfMemoryException as fault:
        raise _stopped("memory", fault, "--memory-mb gives it more") from fault
    except (duckdb.Error, pa.ArrowException, RuntimeError) as fault:
        if is_late.is_set():
            raise _stopped("time", fault, f"it took more than {longest_s:g} s; --seconds gives it more") from fault
        raise _UnansweredError(str(fault)) from fault
    finally:
        timer.cancel()


def _refused(sql: str, seen: str) -> TrialCaptureError:
    return TrialCaptureError(
        "this question cannot be answered",
        seen=clean_text(" ".join(seen.split())[:400]),
        where=clean_text(" ".join(sql.split())[:200]) or "the question",
        expected="one SELECT over the tables sessions, bands, segments, segment_engines, manoeuvres and notes; "
        '"DESCRIBE sessions" names the columns; files and settings cannot be reached',
    )


def _stopped(what: str, fault: Exception, expected: str) -> TrialCaptureError:
    return TrialCaptureError(
        f"this question needs more {what} than it may have",
        seen=clean_text(" ".join(str(fault).split())[:200]),
        expected=f"ask for less, or give it more: {expected}",
    )


_NEEDED = ("reduction/summary.json", "reduction/bands.parquet", "reduction/legs.csv")
_MOST_BYTES = 64 << 20
MOST_CHOSEN = 500
"""Sessions of a side: more are a question for ``archive query`` (our choice)."""


def read_compared(folder: Path) -> ComparedSession:
    """Return what a comparison needs of a processed session.

    Args:
        folder: The session; its results are held against the hashes of ``reduction/results.json``.

    Raises:
        TrialCaptureError: It is no session, was not processed, its results were edited, or another version made them in
            a way that this one cannot read.
    """
    open_session(folder)
    read_made(folder, _NEEDED)
    return _read(folder)


def _read(folder: Path) -> ComparedSession:
    derived = parse_derived(read_whole(folder / _NEEDED[0], _MOST_BYTES))
    bands = read_parquet(folder / _NEEDED[1], BANDS_SCHEMA)
    return ComparedSession(derived, bands, _read_legs(folder / _NEEDED[2]))


def _read_legs(path: Path) -> pa.Table:
    kept = pa.schema([LEGS_SCHEMA.field(name) for name in LEG_COLUMNS])
    options = csv.ConvertOptions(
        column_types=kept, include_columns=list(LEG_COLUMNS), null_values=[""], strings_can_be_null=True
    )
    try:
        data = pa.BufferReader(read_whole(path, _MOST_BYTES))
        return csv.read_csv(data, parse_options=csv.ParseOptions(newlines_in_values=True), convert_options=options)
    except (pa.ArrowException, UnicodeDecodeError) as fault:
        raise TrialCaptureError(
            "the legs of a session cannot be compared",
            seen=clean_text(str(fault).splitlines()[0][:200]),
            where=clean_text(str(path)),
            expected="results of this version; derive the session again",
        ) from fault


def read_side(archive: FleetArchive | None, text: str) -> list[ComparedSession]:
    """Return the sessions of one side of a comparison.

    Args:
        archive: Where they are; None where only folders are compared.
        text: A folder of a session; or ids of the archive, parted by commas, each exact or with ``*``; or
            ``boat=NAME``.

    Raises:
        TrialCaptureError: Nothing or too much fits, or a session cannot be compared; the message names it.
    """
    folder = Path(text)
    if archive is None or is_plain_file(folder / "session.toml"):
        return [read_compared(folder)]
    with tempfile.TemporaryDirectory(prefix="trialcapture-compare-", ignore_cleanup_errors=True) as scratch:
        return [_fetched(archive, stored, Path(scratch)) for stored in choose_sessions(archive, text)]


def choose_sessions(archive: FleetArchive, text: str) -> list[StoredSession]:
    """Return the sessions that a text names; see `read_side`."""
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if len(parts) == 1 and "*" not in parts[0] and not parts[0].startswith("boat="):
        return [archive.find(parts[0])]
    table, _ = current_sessions(archive)
    known = list(zip(*(table[name].to_pylist() for name in ("key", "listed", "session_id", "boat")), strict=True))
    chosen: dict[str, StoredSession] = {}
    for part in parts:
        found = [
            StoredSession.parse(key, listed)
            for key, listed, session_id, boat in known
            if _fits(part, session_id or key, boat or "")
        ]
        if not found and "*" not in part and not part.startswith("boat="):
            found = [archive.find(part)]
        if not found:
            raise TrialCaptureError(
                "the archive holds no such session",
                seen=clean_text(part[:80]),
                where=clean_text(archive.place),
                expected="ids as 'trialcapture archive list' prints them, parted by commas; 'spring-*'; or 'boat=NAME'",
            )
        chosen |= {session.key: session for session in found}
    if len(chosen) > MOST_CHOSEN:
        raise TrialCaptureError(
            "more sessions than are compared at once",
            seen=len(chosen),
            where=clean_text(text[:80]),
            expected=f"at most {MOST_CHOSEN} on a side; 'trialcapture archive query' takes all",
        )
    return list(chosen.values())


def _fits(part: str, session_id: str, boat: str) -> bool:
    if part.startswith("boat="):
        return " ".join(boat.casefold().split()) == " ".join(part.removeprefix("boat=").casefold().split())
    return fnmatch.fnmatchcase(session_id, part.replace("[", "[[]").replace("?", "[?]"))


def _fetched(archive: FleetArchive, stored: StoredSession, scratch: Path) -> ComparedSession:
    revision = archive.revision(stored)
    results: Sequence[int] = stored.results.get(revision.number, ())
    if not results:
        raise TrialCaptureError(
            "this session has no results to compare",
            where=clean_text(revision.session_id),
            expected="derive it: trialcapture archive process ARCHIVE",
        )
    made = archive.read_results(stored.key, revision.number, results[-1])
    folder = archive.fetch(
        revision, scratch / stored.key, made, wanted=lambda path: path == "session.toml" or path in _NEEDED
    )
    try:
        return _read(folder)
    except TrialCaptureError as fault:
        raise TrialCaptureError(
            fault.what, seen=fault.seen, where=f"{clean_text(revision.session_id)}: {fault.where}",
            expected=fault.expected,
        ) from fault  # fmt: skip
    except OSError as fault:
        raise TrialCaptureError(
            "results of a session are incomplete",
            seen=clean_text(str(fault.filename or fault)),
            where=clean_text(revision.session_id),
            expected="derive it again: trialcapture archive process ARCHIVE",
        ) from fault
