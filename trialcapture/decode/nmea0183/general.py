"""The general parser: lines of any kind to columns.

`framing` finds the sentences and checks their checksums; the sound ones are grouped by formatter and number of fields;
the fields of each group are read column by column; `sentences.SEMANTICS` gives them units, signs and nulls. What cannot
be used is a counted reject with a reason: the whole sentence where an essential field is damaged, else that field.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import groupby
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.config.inputs import declared_source
from trialcapture.decode import byte_columns
from trialcapture.decode.nmea0183.encapsulated import Carried, is_encapsulated, read_payloads
from trialcapture.decode.nmea0183.fields import I64, U8, Bools, FieldColumn
from trialcapture.decode.nmea0183.framing import (
    LF,
    Addresses,
    Frame,
    SentenceSpans,
    Tags,
    find_addresses,
    find_noise,
    find_sentences,
    frame_block,
    holds_bang,
    parse_tags,
    rows_from,
    unescape_lines,
)
from trialcapture.decode.nmea0183.sentences import (
    FORMATTERS,
    SEMANTICS,
    Columns,
    Transducer,
    Variant,
    decode_xdr,
    find_variants,
)
from trialcapture.decode.rejects import LONGEST_KEPT_BYTES, Reason, reject_table

# Rejects one by one, and counts of sentences by source and type.

COUNTS_SCHEMA = pa.schema(
    [
        ("source", pa.string()),
        ("talker", pa.string()),
        ("formatter", pa.string()),
        ("good", pa.int64()),
        ("bad", pa.int64()),
        ("not_decoded", pa.int64()),
    ]
)
"""Per source, talker and formatter: sentences decoded, rejected, and of a type that is not decoded."""


class Origin(NamedTuple):
    """Origin of each sentence of a block: (p,) its line in the file and its head in `Tags`."""

    line: I64
    head: I64


class Voided(NamedTuple):
    """Sentences that are kept though a field of them is void."""

    rows: I64
    reason: Reason
    field: str


class _Found(NamedTuple):
    start: I64
    stop: I64
    line: I64
    head: I64
    reason: npt.NDArray[np.uint8]
    sentence: npt.NDArray[np.int32]
    field: npt.NDArray[np.int32]


def list_rejects(
    frame: Frame, tags: Tags, sentences: SentenceSpans, addresses: Addresses, origin: Origin, voided: list[Voided]
) -> pa.Table:
    """List everything that was rejected, in the order it stands in the block.

    Args:
        frame: The block.
        tags: Its TAG blocks.
        sentences: Its sentences, with the final reason of each.
        addresses: Their addresses.
        origin: Their origin.
        voided: Fields that are void in sentences that are kept.
    """
    words = [f"{addresses.talkers[t]}{f}" for t, f in zip(addresses.talker, addresses.formatter, strict=True)]
    fields = [_TAG_BLOCK, *dict.fromkeys(void.field for void in voided if void.field != _TAG_BLOCK)]
    # A sentence with a right checksum ends behind it; what follows is noise.
    summed = frame.sums[sentences.bound]

    def of_sentences(rows: I64, reason: npt.NDArray[np.uint8], field: int) -> _Found:
        stop = np.where(summed[rows], sentences.end[rows] + 3, sentences.stop[rows])
        code = addresses.code[rows]
        known = np.where(addresses.readable[code], code, np.int32(-1))
        fields_of = np.full(len(rows), field, np.int32)
        return _Found(sentences.start[rows], stop, origin.line[rows], origin.head[rows], reason, known, fields_of)

    bad = np.flatnonzero(sentences.reason != Reason.SOUND)
    of_bad = of_sentences(bad, sentences.reason[bad], -1)
    found = [_with_joined_dollars(of_bad)]
    found += [
        of_sentences(void.rows, np.full(len(void.rows), void.reason, np.uint8), fields.index(void.field))
        for void in voided
        if len(void.rows)
    ]
    bad_tags = np.flatnonzero(tags.reason != Reason.SOUND)
    found.append(
        _Found(
            tags.start[bad_tags],
            tags.stop[bad_tags],
            tags.line[bad_tags],
            tags.head[bad_tags],
            tags.reason[bad_tags],
            np.full(len(bad_tags), -1, np.int32),
            np.zeros(len(bad_tags), np.int32),
        )
    )
    start, stop, bound = find_noise(frame, sentences, summed, tags.opens, tags.closes)
    head = tags.head_of(frame, bound)
    none = np.full(len(start), -1, np.int32)
    found.append(_Found(start, stop, frame.line[bound], head, np.full(len(start), Reason.NOISE, np.uint8), none, none))
    joined = _Found(*(np.concatenate(column) for column in zip(*found, strict=True)))
    return _reject_table(frame, tags, joined, words, fields)


_TAG_BLOCK = "TAG block"


def _with_joined_dollars(found: _Found) -> _Found:
    """Return sentences with each run of starts that nothing follows, ``$$$$``, as one: a broken sender fills memory."""
    bare = found.stop - found.start == 1
    goes_on = bare[1:] & bare[:-1] & (found.start[1:] == found.stop[:-1]) & (found.line[1:] == found.line[:-1])
    first = np.concatenate([np.ones(min(len(bare), 1), np.bool_), ~goes_on])
    if first.all():
        return found
    last = np.concatenate([first[1:], np.ones(1, np.bool_)])
    kept = _Found(*(column[first] for column in found))
    return kept._replace(stop=found.stop[last])


def _reject_table(frame: Frame, tags: Tags, found: _Found, words: list[str], fields: list[str]) -> pa.Table:
    order = np.argsort(found.start, kind="stable")
    spans = zip(found.start[order].tolist(), found.stop[order].tolist(), strict=True)
    what = [frame.buf[start : min(stop, start + LONGEST_KEPT_BYTES)].tobytes().strip() for start, stop in spans]
    blank = np.array([not text for text in what], np.bool_) & (found.reason[order] == Reason.NOISE)
    order = order[~blank]
    head = found.head[order]
    return reject_table(
        source=tags.source[head],
        sources=tags.sources,
        line=found.line[order],
        mono_ns=tags.mono_ns[head],
        mono_known=tags.mono_known[head],
        reason=found.reason[order],
        what=[text for text, empty in zip(what, blank.tolist(), strict=True) if not empty],
        sentence=found.sentence[order],
        sentences=words,
        field=found.field[order],
        fields=fields,
    )


Counts = dict[tuple[str, str, str], tuple[int, int, int]]
"""By source, talker and formatter: sentences decoded, rejected, and of a type that is not decoded."""


def count_sentences(
    tags: Tags, sentences: SentenceSpans, addresses: Addresses, origin: Origin, ours: Bools, elsewhere: Bools
) -> Counts:
    """Count the sentences of each source, talker and formatter: decoded, rejected, not decoded.

    Args:
        tags: The TAG blocks of the block.
        sentences: Its sentences, with the final reason of each.
        addresses: Their addresses.
        origin: Their origin.
        ours: (a,) which addresses are of a type that is decoded.
        elsewhere: (a,) which are of CAN messages in sentences; sound ones are counted with the messages.
    """
    width = len(addresses.formatter)
    key = tags.source[origin.head].astype(np.int64) * width + addresses.code
    size = width * len(tags.sources)
    sound = sentences.reason == Reason.SOUND
    mine = ours[addresses.code]
    others = sound & ~mine & ~elsewhere[addresses.code]
    tallies = [np.bincount(key[where], minlength=size) for where in (sound & mine, ~sound, others)]
    used = np.flatnonzero(sum(tallies))
    found: list[Counts] = []
    for at in used.tolist():
        source, address = divmod(at, width)
        name = (tags.sources[source], addresses.talkers[addresses.talker[address]], addresses.formatter[address])
        found.append({name: (int(tallies[0][at]), int(tallies[1][at]), int(tallies[2][at]))})
    return add_counts(*found)  # addresses cut to `_LONGEST` may give one name twice


def add_counts(*counts: Counts) -> Counts:
    """Return the sums of counts."""
    totals: Counts = {}
    for one in counts:
        for name, (good, bad, not_decoded) in one.items():
            before = totals.get(name, (0, 0, 0))
            totals[name] = before[0] + good, before[1] + bad, before[2] + not_decoded
    return totals


def counts_table(counts: Counts) -> pa.Table:
    """Return counts as a table, sorted by name."""
    names = sorted(counts)
    numbers = np.array([counts[name] for name in names], np.int64).reshape(-1, 3)
    texts = [column_of([name[nth] for name in names], pa.string()) for nth in range(3)]
    return pa.Table.from_arrays([*texts, *(to_arrow(numbers[:, nth]) for nth in range(3))], schema=COUNTS_SCHEMA)


# Column batches: rows of one sentence type, decoded in several places of a block and joined to its table.

I32 = npt.NDArray[np.int32]


class ColumnBatch(NamedTuple):
    """Rows of one sentence type; every array is (n,)."""

    line: I64
    """The line of the file each is from; ascending, or to be sorted."""
    columns: Columns
    """``mono_ns``, ``wall_ms``, ``source`` and ``talker`` (codes), then those of the sentence."""


class Names:
    """Names with a code each, in order of arrival; listed in order of the first line of each."""

    def __init__(self, first: str | None = None) -> None:
        """Start; `first` is listed before all others, where given."""
        self._first_line: dict[str, int] = {} if first is None else {first: -1}
        self._code = {name: code for code, name in enumerate(self._first_line)}

    def code(self, name: str, line: int) -> int:
        """Return the code of a name that stands in a line."""
        if line < self._first_line.get(name, line + 1):
            self._first_line[name] = line
        return self._code.setdefault(name, len(self._code))

    def codes(self, names: list[str], code: I32, line: I64) -> I32:
        """Return the codes of many names, given as indexes (n,) into a list; ``line`` is (n,) too."""
        first = np.full(len(names), -1, np.int64)
        first[code[::-1]] = np.arange(len(code) - 1, -1, -1)  # of several written to one place the last one stays
        place = np.zeros(len(names), np.int32)
        for at in np.argsort(first, kind="stable").tolist():
            if first[at] >= 0:
                place[at] = self.code(names[at], int(line[first[at]]))
        return place[code]

    def listed(self) -> tuple[pa.Array, I32]:
        """Return a column of the names in order, and for each code the index of its name in it."""
        names = sorted(self._first_line, key=lambda name: (self._first_line[name], self._code[name]))
        place = np.zeros(len(names), np.int32)
        place[[self._code[name] for name in names]] = np.arange(len(names), dtype=np.int32)
        return column_of(names, pa.string()), place


def constant(value: int, count: int) -> FieldColumn:
    """Return a column of codes that are all the same."""
    return FieldColumn(np.full(count, value, np.int32), np.ones(count, np.bool_))


def join_batches(batches: list[ColumnBatch]) -> ColumnBatch:
    """Join batches in order of lines; rows of one line keep their order."""
    line = np.concatenate([batch.line for batch in batches])
    order = None if (line[1:] >= line[:-1]).all() else np.argsort(line, kind="stable")
    merged = {}
    for name in batches[0].columns:
        column = FieldColumn(
            np.concatenate([batch.columns[name].values for batch in batches]),
            np.concatenate([batch.columns[name].present for batch in batches]),
        )
        if order is not None:
            present = column.present if column.present.all() else column.present.take(order)
            column = FieldColumn(column.values.take(order), present)
        merged[name] = column
    return ColumnBatch(line if order is None else line.take(order), merged)


def to_table(batch: ColumnBatch, named: dict[str, tuple[pa.Array, I32]]) -> pa.Table:
    """Return the Arrow table of a sentence type.

    Args:
        part: All its rows, in order.
        named: For each column of codes, the names and the index of each code's name.
    """
    table = {"line": to_arrow(batch.line)}
    for name, column in batch.columns.items():
        if name in named:
            names, place = named[name]
            array = pa.DictionaryArray.from_arrays(to_arrow(place[column.values], column.present), names)
            table[name] = array.cast(pa.string()) if name == "name" else array
        else:
            table[name] = _to_arrow(column)
    return pa.table(table)


def _to_arrow(column: FieldColumn) -> pa.Array:
    if column.values.dtype == np.bool_:
        return to_arrow(column.values)
    if column.values.dtype == np.uint8:
        return byte_columns.letters(column.values, column.present)
    if column.values.dtype.kind == "S":
        return byte_columns.texts(column.values, column.present)
    return to_arrow(column.values, column.present)


_XDR = FORMATTERS.index("XDR")
_MOST_FIELDS = 63
"""Numbers of fields told apart: with a formatter they make one 16-bit sorting key. Longer layouts are not decoded."""


class GeneralRows(NamedTuple):
    """Everything decoded from a block."""

    batches: dict[str, ColumnBatch]
    """By formatter, in the order of the block."""
    carried: list[Carried]
    """Messages of a CAN bus."""
    rejects: pa.Table
    counts: Counts


class Checksums(NamedTuple):
    """Which sources may send sentences without a checksum."""

    required: bool
    """False where all may."""
    without: Collection[str]
    """Sources that may even where a checksum is required."""


def decode_general(
    block: bytes, file_line: I64, *, source: str, sources: Names, talkers: Names, xdr_names: Names,
    wanted: tuple[Transducer, ...], checksums: Checksums,
) -> GeneralRows:  # fmt: skip
    """Decode a block of lines of any kind.

    Args:
        block: The lines.
        file_line: (lines,) their numbers in the file, ascending; a line ends in CRLF, LF or CR.
        source: Source name of sentences whose TAG block names none.
        sources: Takes the sources' names.
        talkers: Takes the talkers.
        xdr_names: Takes the names of transducers.
        wanted: Transducers wanted from XDR sentences; empty keeps all.
        checksums: Which sources need none.
    """
    frame = frame_block(block)
    if b"^" in block:
        escaped = parse_tags(frame, source)
        if escaped.journal.any():
            frame = unescape_lines(frame, _journal_lines(escaped))
    frame = frame._replace(line=np.append(file_line, file_line[-1] + np.arange(1, 3))[frame.line])
    tags = parse_tags(frame, source)
    sentences = find_sentences(frame)
    addresses = find_addresses(frame, sentences)
    origin = Origin(frame.line[sentences.bound], tags.head_of(frame, sentences.bound))
    reason = sentences.reason
    if checksums.without or not checksums.required:
        lenient = [declared_source(name, checksums.without) in checksums.without for name in tags.sources]
        agreed = np.array(lenient, np.bool_) | (not checksums.required)
        bare = (reason == Reason.NO_CHECKSUM) & agreed[tags.source[origin.head]]
        reason[bare] = np.where(_is_cut(frame, sentences, tags, origin)[bare], Reason.TRUNCATED, Reason.SOUND)
    reason[(reason == Reason.SOUND) & ~addresses.readable[addresses.code]] = Reason.ADDRESS

    source_code = sources.codes(tags.sources, tags.source[origin.head], origin.line)
    talker_code = talkers.codes(addresses.talkers, addresses.talker[addresses.code], origin.line)
    batches: dict[str, ColumnBatch] = {}
    voided: list[Voided] = []
    for formatter, groups in _by_formatter(sentences, addresses):
        if formatter == "XDR":
            ((_, rows),) = groups
            values, names, owner, fault, void = decode_xdr(frame, sentences.first[rows], sentences.commas[rows], wanted)
            reason[rows] = fault
            voided += [Voided(rows[at], why, name) for at, why, name in void]
            kept = rows[owner]
            name = values["name"]
            values["name"] = FieldColumn(xdr_names.codes(names, name.values, origin.line[kept]), name.present)
        else:
            kept, values = _decode_formatter(frame, sentences, formatter, groups, voided)
        if len(kept):
            head, all_of_them = origin.head[kept], np.ones(len(kept), np.bool_)
            prefix = {
                "mono_ns": FieldColumn(tags.mono_ns[head], tags.mono_known[head]),
                "wall_ms": FieldColumn(tags.wall_ms[head], tags.wall_known[head]),
                "source": FieldColumn(source_code[kept], all_of_them),
                "talker": FieldColumn(talker_code[kept], all_of_them),
            }
            batches[formatter] = ColumnBatch(origin.line[kept], {**prefix, **values})
    carried = _read_carried(frame, sentences, addresses, tags, origin, source_code)
    rejects = list_rejects(frame, tags, sentences, addresses, origin, voided)
    counts = count_sentences(tags, sentences, addresses, origin, _is_ours(addresses), _carries(addresses))
    return GeneralRows(batches, carried, rejects, counts)


def _carries(addresses: Addresses) -> Bools:
    """Return which addresses are of sentences that carry a message of a CAN bus."""
    talkers = [addresses.talkers[talker] for talker in addresses.talker.tolist()]
    return np.array([is_encapsulated(t, f) for t, f in zip(talkers, addresses.formatter, strict=True)], np.bool_)


def _read_carried(
    frame: Frame,
    sentences: SentenceSpans,
    addresses: Addresses,
    tags: Tags,
    origin: Origin,
    source_code: npt.NDArray[np.int32],
) -> list[Carried]:
    """Return the CAN messages in sound sentences; the reason of those that cannot be read is set in `sentences`."""
    mine = _carries(addresses)
    found: list[Carried] = []
    if not mine.any():
        return found
    for last_first in (False, True):
        kind = mine & (np.array(addresses.formatter) == ("PGN" if last_first else "CDIN"))
        rows = np.flatnonzero((sentences.reason == Reason.SOUND) & kind[addresses.code])
        if not len(rows):
            continue
        read = read_payloads(frame, sentences.first[rows], sentences.commas[rows], last_first=last_first)
        sentences.reason[rows] = read.reason
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


def _is_cut(frame: Frame, sentences: SentenceSpans, tags: Tags, origin: Origin) -> Bools:
    """Return where a sentence is cut: its line has no line end as received.

    A journal line that ends in a bare LF was torn by a crash and closed afterwards.
    """
    cut: Bools = tags.cut[origin.head] | (tags.journal[origin.head] & (frame.buf[sentences.end] == LF))
    cut |= sentences.end == frame.place[-1]  # the LF is that of the margin: the file ends without a line end
    return cut


def _is_ours(addresses: Addresses) -> Bools:
    return addresses.dollar & np.array([name in FORMATTERS for name in addresses.formatter], np.bool_)


SentenceGroup = tuple[int, I64]
"""A number of fields, and the sentences that have so many."""


def _by_formatter(sentences: SentenceSpans, addresses: Addresses) -> Iterator[tuple[str, list[SentenceGroup]]]:
    """Yield each formatter that is decoded, with its sound sentences by number of fields (0 for XDR)."""
    ours = _is_ours(addresses)
    number = [FORMATTERS.index(name) if mine else 0 for name, mine in zip(addresses.formatter, ours, strict=True)]
    rows = np.flatnonzero((sentences.reason == Reason.SOUND) & ours[addresses.code])
    formatter = np.array(number, np.int64)[addresses.code[rows]]
    fields = np.minimum(sentences.commas[rows], _MOST_FIELDS) * (formatter != _XDR)
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
    frame: Frame, sentences: SentenceSpans, formatter: str, groups: list[SentenceGroup], voided: list[Voided]
) -> tuple[I64, Columns]:
    """Decode the sound sentences of one formatter, each variant by its own layout.

    Args:
        frame: The block.
        sentences: Its sentences; their reason is set here where one is refused.
        formatter: Three letters.
        groups: Which sentences.
        voided: Takes the fields that are void in sentences that are kept.

    Returns:
        The rows decoded, in order, and their columns.
    """
    batches = []
    for fields, rows in groups:
        variants = find_variants(formatter, fields)
        if not variants:
            sentences.reason[rows] = Reason.FIELD_COUNT
        for these, read in _read_group(frame, sentences.first, rows, formatter, variants):
            sentences.reason[these] = read.reason
            sound = read.reason == Reason.SOUND
            voided += [Voided(these[v.rows & sound], v.reason, v.field) for v in read.voided]
            if sound.all():
                batches.append(ColumnBatch(these, read.columns))
            else:
                kept = {name: FieldColumn(c.values[sound], c.present[sound]) for name, c in read.columns.items()}
                batches.append(ColumnBatch(these[sound], kept))
    if not batches:
        return np.zeros(0, np.int64), {}
    return join_batches(batches) if len(batches) > 1 else batches[0]


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
        """Return where no field that the variant has is damaged."""
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
    columns, faults = SEMANTICS[formatter](found)
    void_already: dict[str, Bools] = {}
    for void in voided:
        void_already[void.field] = void_already.get(void.field, False) | void.rows
    for (field, fault_reason), where in faults.items():
        if field:
            voided.append(_Void(where & ~void_already.get(field, np.False_), fault_reason, field))
        else:
            reason = np.where((reason == Reason.SOUND) & where, np.uint8(fault_reason), reason)
    return _Read(columns, reason, voided)


def _is_doubtful(
    frame: Frame, first: I64, variant: Variant, found: Columns, voided: list[_Void], last_comma: I64
) -> Bools:
    """Return where a field is malformed and there is a second sign of damage.

    Such signs are too few or too many fields, a missing status, or a ``!``, which starts a sentence. One sign may be a
    talker's habit; two are damage that passed the checksum of one byte.
    """
    malformed = np.zeros(len(first), np.bool_)
    for void in voided:
        if void.reason != Reason.RANGE:
            malformed |= void.rows
    if not malformed.any():
        return malformed
    doubtful = np.full(len(first), bool(variant.missing))
    doubtful[malformed] |= holds_bang(frame, first[malformed], len(variant.layout) + variant.surplus)
    if variant.surplus:
        end = frame.at[first + 1 + len(variant.layout) + variant.surplus]
        doubtful |= end - last_comma > variant.surplus
    if "status" in found and "status" in variant.essential:
        doubtful |= ~found["status"].present
    return doubtful & malformed
