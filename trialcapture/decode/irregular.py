"""Any lines to columns: a block taken apart at its structural bytes, whatever is in it.

Framing finds the sentences and checks their checksums; the sound ones are grouped by formatter and number of
fields; each group's fields are read column by column; meanings give them units, signs and nulls. Whatever
cannot be used is a counted reject with a reason.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import groupby
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from trialcapture.config.source_ids import declared_source
from trialcapture.decode.addresses import Addresses, find_addresses
from trialcapture.decode.escapes import unescape_lines
from trialcapture.decode.fields import I64, U8, Bools, Column
from trialcapture.decode.framing import LF, Frame, Pieces, find_pieces, frame_block, rows_from
from trialcapture.decode.meanings import MEANINGS, Columns
from trialcapture.decode.parts import Names, Part, join_parts
from trialcapture.decode.rejects import FIRST_KEPT, Reason
from trialcapture.decode.sentences import FORMATTERS, LAYOUTS, Layout
from trialcapture.decode.summary import Counts, Origin, count_sentences, list_rejects
from trialcapture.decode.tag import Tags, parse_tags
from trialcapture.decode.xdr import Transducer, decode_xdr

_XDR = FORMATTERS.index("XDR")
_MOST_FIELDS = 63


class Irregular(NamedTuple):
    """What a block gave."""

    parts: dict[str, Part]
    """By formatter, in the order of the block."""
    rejects: pa.Table
    counts: Counts


class Checksums(NamedTuple):
    """Whose sentences may come without a checksum."""

    required: bool
    """False where everybody's may."""
    without: Collection[str]
    """Sources whose may, even so."""


def decode_irregular(
    block: bytes, file_line: I64, *, source: str, sources: Names, talkers: Names, xdr_names: Names,
    wanted: tuple[Transducer, ...], checksums: Checksums,
) -> Irregular:  # fmt: skip
    """Decode a block of any lines.

    Args:
        block: The lines.
        file_line: (lines,) their numbers in the file, ascending; a line ends in CRLF, LF or CR.
        source: Source name of sentences whose TAG block names none.
        sources: Takes the sources' names.
        talkers: Takes the talkers.
        xdr_names: Takes the names of transducers.
        wanted: Transducers wanted from XDR sentences; empty keeps all.
        checksums: Whose sentences need none.
    """
    frame = frame_block(block)
    if b"^" in block:
        escaped = parse_tags(frame, source)
        if escaped.journal.any():
            frame = unescape_lines(frame, _journal_lines(escaped))
    frame = frame._replace(line=np.append(file_line, file_line[-1] + np.arange(1, 3))[frame.line])
    tags = parse_tags(frame, source)
    pieces = find_pieces(frame)
    addresses = find_addresses(frame, pieces)
    origin = Origin(frame.line[pieces.bound], tags.head_of(frame, pieces.bound))
    reason = pieces.reason
    if checksums.without or not checksums.required:
        lenient = [declared_source(name, checksums.without) in checksums.without for name in tags.sources]
        agreed = np.array(lenient, np.bool_) | (not checksums.required)
        bare = (reason == Reason.NO_CHECKSUM) & agreed[tags.source[origin.head]]
        reason[bare] = np.where(_is_cut(frame, pieces, tags, origin)[bare], Reason.TRUNCATED, Reason.SOUND)
    reason[(reason == Reason.SOUND) & ~addresses.readable[addresses.code]] = Reason.ADDRESS

    source_code = sources.codes(tags.sources, tags.source[origin.head], origin.line)
    talker_code = talkers.codes(addresses.talkers, addresses.talker[addresses.code], origin.line)
    parts: dict[str, Part] = {}
    partly: list[tuple[I64, Reason]] = []
    for formatter, groups in _by_formatter(pieces, addresses):
        if formatter == "XDR":
            ((_, rows),) = groups
            values, names, owner, fault, incomplete = decode_xdr(frame, pieces.first[rows], pieces.commas[rows], wanted)
            reason[rows] = fault
            partly.append((rows[incomplete & (fault == Reason.SOUND)], Reason.INCOMPLETE_GROUP))
            kept = rows[owner]
            name = values["name"]
            values["name"] = Column(xdr_names.codes(names, name.values, origin.line[kept]), name.present)
        else:
            kept, values = _decode_formatter(frame, pieces, formatter, groups, partly)
        if len(kept):
            head, all_of_them = origin.head[kept], np.ones(len(kept), np.bool_)
            prefix = {
                "mono_ns": Column(tags.mono_ns[head], tags.mono_known[head]),
                "wall_ms": Column(tags.wall_ms[head], tags.wall_known[head]),
                "source": Column(source_code[kept], all_of_them),
                "talker": Column(talker_code[kept], all_of_them),
            }
            parts[formatter] = Part(origin.line[kept], {**prefix, **values})
    rejects = list_rejects(frame, tags, pieces, origin, partly)
    return Irregular(parts, rejects, count_sentences(tags, pieces, addresses, origin, _is_ours(addresses)))


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


def _decode_formatter(
    frame: Frame, pieces: Pieces, formatter: str, groups: list[Group], partly: list[tuple[I64, Reason]]
) -> tuple[I64, Columns]:
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
            parts.append(Part(rows, result))
        else:
            kept = {name: Column(c.values[sound], c.present[sound]) for name, c in result.items()}
            parts.append(Part(rows[sound], kept))
    if not parts:
        return np.zeros(0, np.int64), {}
    return join_parts(parts) if len(parts) > 1 else parts[0]


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
