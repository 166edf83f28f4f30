"""NMEA 0183 to tables: the whole way from a block of bytes to one Arrow table a sentence type.

Framing finds the sentences and checks their checksums; the sound ones are grouped by formatter and number of
fields; each group's fields are read column by column; meanings give them units, signs and nulls. Whatever
cannot be used is a counted reject with a reason.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from itertools import groupby
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from trialcapture.decode import columns
from trialcapture.decode.addresses import Addresses, find_addresses
from trialcapture.decode.escapes import unescape_lines
from trialcapture.decode.fields import I64, U8, Bools, Column
from trialcapture.decode.framing import LF, Frame, Pieces, find_pieces, frame_block, rows_from
from trialcapture.decode.meanings import MEANINGS, Columns
from trialcapture.decode.rejects import FIRST_KEPT, Reason
from trialcapture.decode.sentences import LAYOUTS, Layout
from trialcapture.decode.summary import Origin, count_sentences, list_rejects
from trialcapture.decode.tag import Tags, parse_tags
from trialcapture.decode.xdr import Transducer, decode_xdr

FORMATTERS = (*LAYOUTS, "XDR")
"""The sentence types that are decoded; others are counted."""
_XDR = FORMATTERS.index("XDR")
_MOST_FIELDS = 63


def decode_nmea(
    block: bytes,
    *,
    source: str,
    first_line: int = 0,
    xdr: Iterable[Transducer] = (),
    require_checksum: bool = True,
    without_checksum: Collection[str] = (),
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

    Returns:
        Tables by formatter; rejects (`trialcapture.decode.rejects.SCHEMA`); and per ``source``, ``talker``
        and ``formatter`` how many sentences were ``good``, ``bad`` and ``not_decoded``.
    """
    frame = frame_block(block)
    tags = parse_tags(frame, source)
    if b"^" in block and tags.journal.any():
        frame = unescape_lines(frame, _journal_lines(tags))
        tags = parse_tags(frame, source)
    pieces = find_pieces(frame)
    addresses = find_addresses(frame, pieces)
    origin = Origin(first_line + frame.line[pieces.bound], tags.head_of(frame, pieces.bound))
    reason = pieces.reason
    if without_checksum or not require_checksum:
        agreed = np.array([not require_checksum or name in without_checksum for name in tags.sources], np.bool_)
        bare = (reason == Reason.NO_CHECKSUM) & agreed[tags.source[origin.head]]
        reason[bare] = np.where(_is_cut(frame, pieces, tags, origin)[bare], Reason.TRUNCATED, Reason.SOUND)
    reason[(reason == Reason.SOUND) & ~addresses.readable[addresses.code]] = Reason.ADDRESS

    tables: dict[str, pa.Table] = {}
    partly: list[tuple[I64, Reason]] = []
    for formatter, groups in _by_formatter(pieces, addresses):
        if formatter == "XDR":
            ((_, rows),) = groups
            values, owner, fault, incomplete = decode_xdr(frame, pieces.first[rows], pieces.commas[rows], xdr)
            reason[rows] = fault
            partly.append((rows[incomplete & (fault == Reason.SOUND)], Reason.INCOMPLETE_GROUP))
            kept = rows[owner]
        else:
            kept, values = _decode_formatter(frame, pieces, formatter, groups, partly)
        if len(kept):
            tables[formatter] = pa.table({**_prefix(tags, addresses, origin, kept), **values})
    rejects = list_rejects(frame, tags, pieces, origin, partly, first_line)
    return tables, rejects, count_sentences(tags, pieces, addresses, origin, _is_ours(addresses))


def _journal_lines(tags: Tags) -> Bools:
    lines = np.zeros(int(tags.line[-1]) + 1, np.bool_)
    lines[tags.line[tags.journal[tags.head]]] = True
    return lines


def _is_cut(frame: Frame, pieces: Pieces, tags: Tags, origin: Origin) -> Bools:
    """Return where a line ends only because what was received, or the file, ends there.

    A journal line that ends in a bare LF was torn by a crash and closed afterwards.
    """
    cut: Bools = tags.cut[origin.head] | (tags.journal[origin.head] & (frame.buf[pieces.end] == LF))
    cut |= pieces.end == frame.place[-1]  # the file ends without a line end: that is the margin's
    return cut


def _is_ours(addresses: Addresses) -> Bools:
    return addresses.dollar & np.array([name in FORMATTERS for name in addresses.formatter], np.bool_)


Group = tuple[int, I64]
"""A number of fields, and the sentences that have so many."""


def _by_formatter(pieces: Pieces, addresses: Addresses) -> Iterator[tuple[str, list[Group]]]:
    """Yield each formatter that is decoded, with its sound sentences by number of fields (0 for XDR)."""
    ours = _is_ours(addresses)
    number = [FORMATTERS.index(name) if mine else 0 for name, mine in zip(addresses.formatter, ours, strict=True)]
    rows = np.flatnonzero((pieces.reason == Reason.SOUND) & ours[addresses.code])
    formatter = np.array(number, np.int64)[addresses.code[rows]]
    fields = np.minimum(pieces.commas[rows], _MOST_FIELDS) * (formatter != _XDR)
    keys = (formatter * (_MOST_FIELDS + 1) + fields).astype(np.uint16)  # sixteen bits are sorted by radix
    order = np.argsort(keys, kind="stable")
    edges = np.flatnonzero(np.diff(keys[order])) + 1
    groups = [
        (*divmod(int(keys[members[0]]), _MOST_FIELDS + 1), rows[members])
        for members in np.split(order, edges)
        if len(members)
    ]
    for key, members in groupby(groups, key=lambda group: group[0]):
        yield FORMATTERS[key], [(count, these) for _, count, these in members]


class _Part(NamedTuple):
    rows: I64
    columns: Columns


def _decode_formatter(
    frame: Frame, pieces: Pieces, formatter: str, groups: list[Group], partly: list[tuple[I64, Reason]]
) -> tuple[I64, dict[str, pa.Array]]:
    """Decode all sound sentences of one formatter, each variant by its own layout.

    Args:
        frame: The block.
        pieces: Its sentences; their reason is set here where a field is wrong.
        formatter: Three letters.
        groups: Which sentences.
        partly: Takes the rows that are kept though something in them is missing.

    Returns:
        The rows decoded, in order, and their columns.
    """
    parts = []
    for fields, rows in groups:
        layout = LAYOUTS[formatter].get(fields)
        if layout is None:
            pieces.reason[rows] = Reason.FIELD_COUNT
            continue
        found, reason = _read_fields(frame, pieces.first[rows], layout)
        result, faults = MEANINGS[formatter](found)
        for fault, where in faults.items():
            if fault < FIRST_KEPT:
                reason[where & (reason == Reason.SOUND)] = fault
        sound = reason == Reason.SOUND
        partly += [(rows[where & sound], fault) for fault, where in faults.items() if fault >= FIRST_KEPT]
        pieces.reason[rows] = reason
        if sound.all():
            parts.append(_Part(rows, result))
        else:
            kept = {name: Column(c.values[sound], c.present[sound]) for name, c in result.items()}
            parts.append(_Part(rows[sound], kept))
    return _join(parts)


def _read_fields(frame: Frame, first: I64, layout: Layout) -> tuple[Columns, U8]:
    """Read every field of sentences that share a layout; also return each one's first fault."""
    found: Columns = {}
    reason = np.zeros(len(first), np.uint8)
    edges = rows_from(frame.at, first + 1, len(layout) + 1)
    for nth, (name, read) in enumerate(layout.items()):
        start = edges[nth] + 1
        found[name], fault = read(frame.buf, start, edges[nth + 1] - start)
        if fault is not None:
            reason = np.where(reason == Reason.SOUND, fault, reason)
    return found, reason


def _join(parts: list[_Part]) -> tuple[I64, dict[str, pa.Array]]:
    """Put the variants of a sentence back into the order they came in."""
    if not parts:
        return np.zeros(0, np.int64), {}
    if len(parts) == 1:
        return parts[0].rows, {name: _to_arrow(column) for name, column in parts[0].columns.items()}
    rows = np.concatenate([part.rows for part in parts])
    order = np.argsort(rows, kind="stable")
    merged = {}
    for name in parts[0].columns:
        values = np.concatenate([part.columns[name].values for part in parts])
        present = np.concatenate([part.columns[name].present for part in parts])
        merged[name] = _to_arrow(Column(values[order], present[order]))
    return rows[order], merged


def _to_arrow(column: Column) -> pa.Array:
    if column.values.dtype == np.bool_:
        return columns.booleans(column.values)
    if column.values.dtype == np.uint8:
        return columns.letters(column.values, column.present)
    if column.values.dtype.kind == "S":
        return columns.texts(column.values, column.present)
    return columns.numbers(column.values, column.present)


def _prefix(tags: Tags, addresses: Addresses, origin: Origin, rows: I64) -> dict[str, pa.Array]:
    """Return the columns every table begins with."""
    head = origin.head[rows] if len(tags.head) else np.full(len(rows), -1, np.int64)
    return {
        "line": columns.numbers(origin.line[rows]),
        "mono_ns": columns.numbers(tags.mono_ns[head], tags.mono_known[head]),
        "wall_ms": columns.numbers(tags.wall_ms[head], tags.wall_known[head]),
        "source": columns.dictionary(tags.source[head], tags.sources),
        "talker": columns.dictionary(addresses.talker[addresses.code[rows]], addresses.talkers),
    }
