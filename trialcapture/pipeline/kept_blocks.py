"""Decoded blocks of a log that were kept while it was recorded, for `process` to use again.

A block that is whole is decoded while the recording goes on, exactly as `process` does it, and kept in the work folder
of the session: no result, not sealed, not packed. It is used again only where a hash of everything it is made of was
noted by this user: its bytes, its place, what the lines before it leave open, the settings of its decoder, versions of
program and libraries; and where what is kept still has the hashes noted then. The notes lie in the user's cache folder
with a code that only this user's key makes (`pipeline/reuse.py`), so nothing that came with a session is believed.
"""

from __future__ import annotations

import hashlib
import json
import pickle
import shutil
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from trialcapture.archive.atomic import write_file
from trialcapture.archive.manifest import hash_file
from trialcapture.archive.session import Session
from trialcapture.archive.work_folder import HeldTables, StoredTables, work_folder, write_tables
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.reuse import code_of, entry_path, forget_oldest, is_ours, made_by
from trialcapture.prepare.clocks.downsampled_index import BlockIndex
from trialcapture.system.session_files import make_folder, read_whole

_LEAST_FREE_BYTES = 2_000_000_000
"""With less free space nothing is kept on the disk: that room is the recorder's (our choice, as for its alarm)."""
_FOLDER = "decoded"


@dataclass(frozen=True, slots=True)
class KeptBlock:
    """One decoded block.

    Attributes:
        tables: Its tables and rejects.
        index: Its outline.
        counts: Its sentences counted.
        decoder: As it stands after the block.
    """

    tables: StoredTables | HeldTables
    index: BlockIndex
    counts: pa.Table
    decoder: Any


class KeptBlocks:
    """Blocks of the logs of one session.

    Args:
        session: The session.
    """

    def __init__(self, session: Session) -> None:
        """Look whether there are any."""
        self._folder = work_folder(session.folder) / _FOLDER
        self.are_there = self._folder.is_dir()
        """Whether anything may have been kept."""
        self._hashes: dict[tuple[str, int], str] = {}

    def hash_ahead(self, name: str, number: int, block: bytes) -> bytes:
        """Return the hash of a block, and note that of what was kept of it for `find`.

        Hashing needs no Python, so it is done beside what does.

        Args:
            name, number: As `find` takes them.
            block: Its bytes.
        """
        with suppress(OSError, TrialCaptureError):  # it was not kept
            self._hashes[name, number] = hash_file(self._paths(name, number)[0])[0]
        return hashlib.sha256(block).digest()

    def key_of(self, state: bytes, first_line: int, block_hash: bytes) -> str:
        """Return the hash of all that a decoded block is made of.

        Args:
            state: Settings of its decoder, and what the lines before leave open.
            first_line: Number of its first line.
            block_hash: SHA-256 of its bytes.
        """
        digest = hashlib.sha256(json.dumps(made_by({"first_line": first_line}), sort_keys=True).encode())
        digest.update(hashlib.sha256(state).digest())
        digest.update(block_hash)
        return digest.hexdigest()

    def find(self, name: str, number: int, key: str) -> KeptBlock | None:
        """Return a block that was kept under a key; None where there is none, or anything of it differs.

        Args:
            name: Its log.
            number: Its number in the log.
            key: From `key_of`.
        """
        tables, more = self._paths(name, number)
        try:
            entry = json.loads(entry_path({"block": key}, _FOLDER).read_bytes())
            noted = {name: entry[name] for name in ("tables", "places", "more", "more_bytes")}
            now = self._hashes.pop((name, number), "") or hash_file(tables)[0]
            if not is_ours(noted, entry["code"]) or now != noted["tables"]:
                return None
            pickled = read_whole(more, noted["more_bytes"])
            if hashlib.sha256(pickled).hexdigest() != noted["more"]:
                return None
            index, counts, decoder = pickle.loads(pickled)  # only what this user's program wrote has these hashes
            places = {table: (int(begin), int(end)) for table, (begin, end) in noted["places"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError, TrialCaptureError):
            return None  # nothing was noted, or the note is damaged: the block is decoded
        return KeptBlock(StoredTables(tables, places), index, counts, decoder)

    def keep(self, name: str, number: int, key: str, block: KeptBlock, tables: Mapping[str, pa.Table]) -> KeptBlock:
        """Keep a block, and return it as it is kept: in memory where the disk has no room to spare.

        Args:
            name, number, key: As `find` takes them.
            block: Index, counts and decoder of it.
            tables: Its tables and rejects.
        """
        place, more = self._paths(name, number)
        try:
            make_folder(self._folder)
            if shutil.disk_usage(self._folder).free < _LEAST_FREE_BYTES:
                return block
            aside = place.with_suffix(".part")
            stored = write_tables(aside, tables)
            aside.replace(place)
            pickled = pickle.dumps((block.index, block.counts, block.decoder))
            write_file(more, pickled)
        except (OSError, TrialCaptureError):
            return block  # what cannot be kept is decoded again
        stored = StoredTables(place, stored.places)
        with suppress(OSError, TrialCaptureError):  # without a cache folder nothing is used again
            noted = {
                "tables": hash_file(place)[0],
                "places": {table: list(of) for table, of in stored.places.items()},
                "more": hashlib.sha256(pickled).hexdigest(),
                "more_bytes": len(pickled),
            }
            path = entry_path({"block": key}, _FOLDER)
            write_file(path, json.dumps(noted | {"code": code_of(noted)}).encode())
            forget_oldest(path.parent)
        return KeptBlock(stored, block.index, block.counts, block.decoder)

    def _paths(self, name: str, number: int) -> tuple[Path, Path]:
        return self._folder / f"{name}-{number}.arrows", self._folder / f"{name}-{number}.pickle"
