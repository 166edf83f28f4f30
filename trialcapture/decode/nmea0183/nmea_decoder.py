"""NMEA 0183 to tables: from a block of bytes to one Arrow table a sentence type.

Lines that repeat a template are read together (`templated`), all others by the general parser (`general`). Both give
the same bits; their column batches are joined in order of lines. What cannot be used is a counted reject with a reason.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator

import numpy as np
import pyarrow as pa

from trialcapture.buffers import integers, to_arrow
from trialcapture.decode.nmea0183.encapsulated import Carried, decode_carried, last_frames, merge_tables
from trialcapture.decode.nmea0183.fields import I64, Bools
from trialcapture.decode.nmea0183.general import (
    Checksums,
    ColumnBatch,
    Counts,
    Names,
    add_counts,
    counts_table,
    decode_general,
    join_batches,
    to_table,
)
from trialcapture.decode.nmea0183.sentences import FORMATTERS, Transducer
from trialcapture.decode.nmea0183.templated import MARGIN_BYTES, Lines, decode_templated, find_lines
from trialcapture.decode.rejects import SCHEMA

_MOST_BYTES = 2 << 20
"""Bytes given to the general parser at once: it needs many times the memory of its input (our choice)."""

__all__ = ["FORMATTERS", "decode_nmea"]


def decode_nmea(
    block: bytes,
    *,
    source: str,
    first_line: int = 0,
    xdr: Iterable[Transducer] = (),
    require_checksum: bool = True,
    without_checksum: Collection[str] = (),
    before: bytes = b"",
) -> tuple[dict[str, pa.Table], pa.Table, pa.Table]:
    """Decode a block of whole lines.

    A table has the columns ``line`` (0-based in the file), ``mono_ns`` and ``wall_ms`` (receipt, from the TAG
    block), ``source``, ``talker`` and then those of its sentence; void is null, never zero. Blocks cut at any
    line end give the same rows as the whole.

    Args:
        block: Lines ended by CRLF, LF or CR: sentences, TAG blocks, journal lines, ``!`` sentences, noise.
        source: Source name of sentences whose TAG block names none.
        first_line: Line number of the block's first line in its file.
        xdr: Transducers wanted from XDR sentences; empty keeps all.
        require_checksum: When False, a sentence without a checksum is decoded if its line is whole; a wrong
            checksum is always a reject.
        without_checksum: Sources for which the same is agreed though `require_checksum` is True.
        before: Some whole lines that stand before the block: frames in them may begin messages that end in it.

    Returns:
        Tables by formatter, and by kind of what sentences carry of a CAN bus (`nmea0183.encapsulated`);
        rejects (`trialcapture.decode.rejects.SCHEMA`); and per ``source``, ``talker`` and ``formatter`` (parameter
        group number of what is carried) how many were ``good``, ``bad`` and ``not_decoded``.
    """
    sources, talkers, xdr_names = Names(source), Names(), Names()
    lines = find_lines(block)
    file_line = np.arange(first_line, first_line + len(lines.start))
    if len(lines.lone_cr):
        file_line += np.searchsorted(lines.lone_cr, lines.start)
    wanted = tuple(xdr)
    templated = decode_templated(
        lines, file_line, source=source, sources=sources, talkers=talkers, xdr_names=xdr_names, wanted=wanted
    )
    batches: defaultdict[str, list[ColumnBatch]] = defaultdict(list, templated.batches)
    rejects: list[pa.Table] = []
    counts: list[Counts] = [
        {key: (count, 0, 0) for key, count in templated.good.items() if count},
        {key: (0, 0, count) for key, count in templated.not_decoded.items()},
    ]
    agreed = Checksums(require_checksum, without_checksum)
    carried = _carried_before(before, source, sources, agreed)
    for rest, rest_line in _what_is_left(block, lines, templated.done, file_line, first_line):
        found = decode_general(
            rest, rest_line, source=source, sources=sources, talkers=talkers, xdr_names=xdr_names, wanted=wanted,
            checksums=agreed,
        )  # fmt: skip
        carried += found.carried
        for formatter, batch in found.batches.items():
            batches[formatter].append(batch)
        rejects.append(found.rejects)
        counts.append(found.counts)
    names = {"source": sources.listed(), "talker": talkers.listed(), "name": xdr_names.listed()}
    tables = {
        formatter: to_table(join_batches(batches[formatter]), names)
        for formatter in FORMATTERS
        if any(len(batch.line) for batch in batches[formatter])
    }
    if carried:
        of_bus, losses, bus_counts = decode_carried(carried, names["source"])
        tables = merge_tables(tables, of_bus)
        rejects.append(losses)
        counts.append(bus_counts)
    return tables, _joined(rejects), counts_table(add_counts(*counts))


def _carried_before(before: bytes, source: str, sources: Names, checksums: Checksums) -> list[Carried]:
    """Return the frames of the lines before a block, on lines below 0."""
    lines = last_frames(before)
    if not lines:
        return []
    count = len(lines.splitlines())
    return decode_general(
        lines, np.arange(-count, 0), source=source, sources=sources, talkers=Names(), xdr_names=Names(),
        wanted=(), checksums=checksums,
    ).carried  # fmt: skip


def _joined(rejects: list[pa.Table]) -> pa.Table:
    if not rejects:
        return SCHEMA.empty_table()
    if len(rejects) == 1:
        return rejects[0]
    joined = pa.concat_tables(rejects).unify_dictionaries()
    line = integers(joined["line"])[0]
    return joined if np.all(line[1:] >= line[:-1]) else joined.take(to_arrow(np.argsort(line, kind="stable")))


def _what_is_left(
    block: bytes, lines: Lines, done: Bools, file_line: I64, first_line: int
) -> Iterator[tuple[bytes, I64]]:
    """Yield the lines that are still to be decoded, some at a time, with their numbers in the file.

    Args:
        block: The whole block.
        lines: Its lines that end in LF.
        done: (lines,) which of them are decoded.
        file_line: (lines,) their numbers.
        first_line: Number of the block's first line.
    """
    start, stop, number = lines.start[~done], lines.stop[~done] + 1, file_line[~done]
    rest = int(lines.stop[-1]) + 1 if len(lines.stop) else MARGIN_BYTES
    if rest < MARGIN_BYTES + len(block):  # a last line without a line end, or only CR
        start, stop = np.append(start, rest), np.append(stop, MARGIN_BYTES + len(block))
        number = np.append(number, first_line + len(lines.start) + np.searchsorted(lines.lone_cr, rest))
    inside = np.searchsorted(lines.lone_cr, stop) - np.searchsorted(lines.lone_cr, start)
    chunk = np.cumsum(stop - start) // _MOST_BYTES
    for these in np.split(np.arange(len(start)), np.flatnonzero(np.diff(chunk)) + 1):
        if not len(these):
            return
        cuts = np.flatnonzero(start[these[1:]] != stop[these[:-1]])
        begins = start[these[np.append(0, cuts + 1)]] - MARGIN_BYTES
        ends = stop[these[np.append(cuts, len(these) - 1)]] - MARGIN_BYTES
        runs = zip(begins.tolist(), ends.tolist(), strict=True)
        size = inside[these] + 1
        nth = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
        yield b"".join([block[a:b] for a, b in runs]), np.repeat(number[these], size) + nth
