"""Any lines to columns: a block taken apart at its structural bytes, whatever is in it.

Framing finds the sentences and checks their checksums; the sound ones are grouped by formatter and number of
fields; each group's fields are read column by column; meanings give them units, signs and nulls. Whatever
cannot be used is a counted reject with a reason: the sentence where a field is damaged that it says nothing without,
else that field alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import groupby
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.config.source_ids import declared_source
from trialcapture.decode.addresses import Addresses, find_addresses
from trialcapture.decode.encapsulated import Carried, is_encapsulated, read_payloads
from trialcapture.decode.escapes import unescape_lines
from trialcapture.decode.fields import I64, U8, Bools, Column
from trialcapture.decode.framing import LF, Frame, Pieces, find_pieces, frame_block, holds_bang, rows_from
from trialcapture.decode.meanings import MEANINGS, Columns
from trialcapture.decode.parts import Names, Part, join_parts
from trialcapture.decode.rejects import Reason
from trialcapture.decode.sentences import FORMATTERS, Variant, find_variants
from trialcapture.decode.summary import Counts, Origin, Voided, count_sentences, list_rejects
from trialcapture.decode.tag import Tags, parse_tags
from trialcapture.decode.xdr import Transducer, decode_xdr

_XDR = FORMATTERS.index("XDR")
_MOST_FIELDS = 63


class Irregular(NamedTuple):
    """What a block gave."""

    parts: dict[str, Part]
    """By formatter, in the order of the block."""
    carried: list[Carried]
    """Messages of a CAN bus."""
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
    voided: list[Voided] = []
    for formatter, groups in _by_formatter(pieces, addresses):
        if formatter == "XDR":
            ((_, rows),) = groups
            values, names, owner, fault, void = decode_xdr(frame, pieces.first[rows], pieces.commas[rows], wanted)
            reason[rows] = fault
            voided += [Voided(rows[at], why, name) for at, why, name in void]
            kept = rows[owner]
            name = values["name"]
            values["name"] = Column(xdr_names.codes(names, name.values, origin.line[kept]), name.present)
        else:
            kept, values = _decode_formatter(frame, pieces, formatter, groups, voided)
        if len(kept):
            head, all_of_them = origin.head[kept], np.ones(len(kept), np.bool_)
            prefix = {
                "mono_ns": Column(tags.mono_ns[head], tags.mono_known[head]),
                "wall_ms": Column(tags.wall_ms[head], tags.wall_known[head]),
                "source": Column(source_code[kept], all_of_them),
                "talker": Column(talker_code[kept], all_of_them),
            }
            parts[formatter] = Part(origin.line[kept], {**prefix, **values})
    carried = _read_carried(frame, pieces, addresses, tags, origin, source_code)
    rejects = list_rejects(frame, tags, pieces, addresses, origin, voided)
    counts = count_sentences(tags, pieces, addresses, origin, _is_ours(addresses), _carries(addresses))
    return Irregular(parts, carried, rejects, counts)


def _carries(addresses: Addresses) -> Bools:
    """Return which addresses are of sentences that carry a message of a CAN bus."""
    talkers = [addresses.talkers[talker] for talker in addresses.talker.tolist()]
    return np.array([is_encapsulated(t, f) for t, f in zip(talkers, addresses.formatter, strict=True)], np.bool_)


def _read_carried(
    frame: Frame, pieces: Pieces, addresses: Addresses, tags: Tags, origin: Origin, source_code: npt.NDArray[np.int32]
) -> list[Carried]:
    """Return what sound sentences carry; the reason of those that carry nothing readable is set in `pieces`."""
    mine = _carries(addresses)
    found: list[Carried] = []
    if not mine.any():
        return found
    for last_first in (False, True):
        kind = mine & (np.array(addresses.formatter) == ("PGN" if last_first else "CDIN"))
        rows = np.flatnonzero((pieces.reason == Reason.SOUND) & kind[addresses.code])
        if not len(rows):
            continue
        read = read_payloads(frame, pieces.first[rows], pieces.commas[rows], last_first=last_first)
        pieces.reason[rows] = read.reason
        sound = read.reason == Reason.SOUND
        kept = rows[sound]
        head = origin.head[kept]
        found.append(
            Carried(
                origin.line[kept], tags.mono_ns[head], tags.mono_known[head], tags.wall_ms[head], tags.wall_known[head],
                source_code[kept], read.pgn[sound], read.address[sound], np.full(len(kept), last_first),
                read.size[sound], read.payload[sound],
            )
        )  # fmt: skip
    return found


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
    frame: Frame, pieces: Pieces, formatter: str, groups: list[Group], voided: list[Voided]
) -> tuple[I64, Columns]:
    """Decode all sound sentences of one formatter, each variant by its own layout.

    Args:
        frame: The block.
        pieces: Its sentences; their reason is set here where one is refused.
        formatter: Three letters.
        groups: Which sentences.
        voided: Takes the fields that are void in sentences that are kept.

    Returns:
        The rows decoded, in order, and their columns.
    """
    parts = []
    for fields, rows in groups:
        variants = find_variants(formatter, fields)
        if not variants:
            pieces.reason[rows] = Reason.FIELD_COUNT
        for these, read in _read_group(frame, pieces.first, rows, formatter, variants):
            pieces.reason[these] = read.reason
            sound = read.reason == Reason.SOUND
            voided += [Voided(these[v.rows & sound], v.reason, v.field) for v in read.voided]
            if sound.all():
                parts.append(Part(these, read.columns))
            else:
                kept = {name: Column(c.values[sound], c.present[sound]) for name, c in read.columns.items()}
                parts.append(Part(these[sound], kept))
    if not parts:
        return np.zeros(0, np.int64), {}
    return join_parts(parts) if len(parts) > 1 else parts[0]


class _Void(NamedTuple):
    rows: Bools
    reason: Reason
    field: str


class _Read(NamedTuple):
    """Sentences of one variant as read; the arrays are (n,)."""

    columns: Columns
    reason: U8
    """Why a sentence is refused."""
    voided: list[_Void]
    """Fields that are void; at most one reason for each."""

    def fits(self, variant: Variant) -> Bools:
        """Return where no field is damaged, and none that the variant has left blank though it must not be."""
        sound: Bools = self.reason == Reason.SOUND
        for void in self.voided:
            extent = void.reason in (Reason.MISSING_FIELD, Reason.SURPLUS_FIELDS)
            if not extent or void.field in variant.layout:
                sound = sound & ~void.rows
        return sound


def _read_group(
    frame: Frame, first: I64, rows: I64, formatter: str, variants: tuple[Variant, ...]
) -> Iterator[tuple[I64, _Read]]:
    """Read sentences of one number of fields, each by the first variant that fits it without damage, else by the first.

    Yields:
        Rows, and how they read.
    """
    left = rows
    for nth, variant in enumerate(variants):
        if not len(left):
            return
        read = _read_variant(frame, first[left], formatter, variant)
        taken = read.fits(variant) if len(variants) > 1 else np.ones(len(left), np.bool_)
        if taken.all():
            yield left, read
            return
        if taken.any():
            yield left[taken], _read_variant(frame, first[left[taken]], formatter, variant)
        left = left[~taken]
        if nth == len(variants) - 1:
            yield left, _read_variant(frame, first[left], formatter, variants[0])


def _read_variant(frame: Frame, first: I64, formatter: str, variant: Variant) -> _Read:
    """Read every field of sentences that share a layout."""
    found: Columns = {}
    reason = np.zeros(len(first), np.uint8)
    voided: list[_Void] = []
    edges = rows_from(frame.at, first + 1, len(variant.layout) + 1)
    for nth, (name, read) in enumerate(variant.layout.items()):
        start = edges[nth] + 1
        found[name], fault = read(frame.buf, start, edges[nth + 1] - start)
        if fault is None:
            continue
        if name in variant.essential:
            reason = np.where(reason == Reason.SOUND, fault, reason)
            continue
        sound = fault == Reason.SOUND
        for void_name in (name, variant.with_it.get(name, name)):
            found[void_name] = found[void_name].where(sound)
        voided += [_Void(fault == code, Reason(code), name) for code in np.unique(fault[~sound]).tolist()]
    for name, read in variant.missing.items():
        found[name], _ = read(frame.buf, edges[0], np.zeros_like(first))
    doubtful = _is_doubtful(frame, first, variant, found, voided, edges[-1])
    reason = np.where((reason == Reason.SOUND) & doubtful, np.uint8(Reason.FIELD_COUNT), reason)
    everywhere = np.ones(len(first), np.bool_)
    if variant.missing:
        voided.append(_Void(everywhere, Reason.MISSING_FIELD, next(iter(variant.missing))))
    if variant.surplus:
        voided.append(_Void(everywhere, Reason.SURPLUS_FIELDS, "surplus"))
    columns, faults = MEANINGS[formatter](found)
    told: dict[str, Bools] = {}
    for void in voided:
        told[void.field] = told.get(void.field, False) | void.rows
    for (field, fault_reason), where in faults.items():
        if field:
            voided.append(_Void(where & ~told.get(field, np.False_), fault_reason, field))
        else:
            reason = np.where((reason == Reason.SOUND) & where, np.uint8(fault_reason), reason)
    return _Read(columns, reason, voided)


def _is_doubtful(
    frame: Frame, first: I64, variant: Variant, found: Columns, voided: list[_Void], last_comma: I64
) -> Bools:
    """Return where a field is misshapen and fields are too few or too many besides, or a status is not given.

    One such sign may be a talker's habit; two are damage that the checksum, one byte, has let through. A ``!`` is one
    too: a recorder takes it for the start of the next sentence.
    """
    misshapen = np.zeros(len(first), np.bool_)
    for void in voided:
        if void.reason != Reason.RANGE:
            misshapen |= void.rows
    if not misshapen.any():
        return misshapen
    doubtful = np.full(len(first), bool(variant.missing))
    doubtful[misshapen] |= holds_bang(frame, first[misshapen], len(variant.layout) + variant.surplus)
    if variant.surplus:
        end = frame.at[first + 1 + len(variant.layout) + variant.surplus]
        doubtful |= end - last_comma > variant.surplus
    if "status" in found and "status" in variant.essential:
        doubtful |= ~found["status"].present
    return doubtful & misshapen
