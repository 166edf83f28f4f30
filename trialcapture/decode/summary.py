"""What became of the bytes of a block: the rejects one by one, and the counts by source and sentence type."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.decode.addresses import Addresses
from trialcapture.decode.fields import I64, Bools
from trialcapture.decode.framing import Frame, Pieces, find_noise
from trialcapture.decode.rejects import LONGEST_KEPT_BYTES, Reason, reject_table
from trialcapture.decode.tag import Tags

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
    """Where each sentence of a block is from: (p,) its line in the file and its head in `Tags`."""

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
    frame: Frame, tags: Tags, pieces: Pieces, addresses: Addresses, origin: Origin, voided: list[Voided]
) -> pa.Table:
    """List everything that was rejected, in the order it stands in the block.

    Args:
        frame: The block.
        tags: Its TAG blocks.
        pieces: Its sentences, with the final reason of each.
        addresses: Their addresses.
        origin: Where they are from.
        voided: Fields that are void in sentences that are kept.
    """
    words = [f"{addresses.talkers[t]}{f}" for t, f in zip(addresses.talker, addresses.formatter, strict=True)]
    fields = [_TAG_BLOCK, *dict.fromkeys(void.field for void in voided if void.field != _TAG_BLOCK)]
    # A sentence whose checksum holds ends behind it; what follows is noise of its own.
    summed = frame.sums[pieces.bound]

    def sentences(rows: I64, reason: npt.NDArray[np.uint8], field: int) -> _Found:
        stop = np.where(summed[rows], pieces.end[rows] + 3, pieces.stop[rows])
        code = addresses.code[rows]
        told = np.where(addresses.readable[code], code, np.int32(-1))
        place = np.full(len(rows), field, np.int32)
        return _Found(pieces.start[rows], stop, origin.line[rows], origin.head[rows], reason, told, place)

    bad = np.flatnonzero(pieces.reason != Reason.SOUND)
    found = [sentences(bad, pieces.reason[bad], -1)]
    found += [
        sentences(void.rows, np.full(len(void.rows), void.reason, np.uint8), fields.index(void.field))
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
    start, stop, bound = find_noise(frame, pieces, summed, tags.opens, tags.closes)
    head = tags.head_of(frame, bound)
    none = np.full(len(start), -1, np.int32)
    found.append(_Found(start, stop, frame.line[bound], head, np.full(len(start), Reason.NOISE, np.uint8), none, none))
    joined = _Found(*(np.concatenate(column) for column in zip(*found, strict=True)))
    return _reject_table(frame, tags, joined, words, fields)


_TAG_BLOCK = "TAG block"


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
    tags: Tags, pieces: Pieces, addresses: Addresses, origin: Origin, ours: Bools, elsewhere: Bools
) -> Counts:
    """Count the sentences of each source, talker and formatter by what became of them.

    Args:
        tags: The TAG blocks of the block.
        pieces: Its sentences, with the final reason of each.
        addresses: Their addresses.
        origin: Where they are from.
        ours: (a,) which addresses are of a type that is decoded.
        elsewhere: (a,) which are of sentences that are counted by what they carry, if they are sound.
    """
    width = len(addresses.formatter)
    key = tags.source[origin.head].astype(np.int64) * width + addresses.code
    size = width * len(tags.sources)
    sound = pieces.reason == Reason.SOUND
    mine = ours[addresses.code]
    others = sound & ~mine & ~elsewhere[addresses.code]
    tallies = [np.bincount(key[where], minlength=size) for where in (sound & mine, ~sound, others)]
    used = np.flatnonzero(sum(tallies))
    found: list[Counts] = []
    for at in used.tolist():
        source, address = divmod(at, width)
        name = (tags.sources[source], addresses.talkers[addresses.talker[address]], addresses.formatter[address])
        found.append({name: (int(tallies[0][at]), int(tallies[1][at]), int(tallies[2][at]))})
    return add_counts(*found)  # longer addresses are told apart but by their first letters


def add_counts(*counts: Counts) -> Counts:
    """Return the sums of counts."""
    totals: Counts = {}
    for part in counts:
        for name, (good, bad, not_decoded) in part.items():
            before = totals.get(name, (0, 0, 0))
            totals[name] = before[0] + good, before[1] + bad, before[2] + not_decoded
    return totals


def counts_table(counts: Counts) -> pa.Table:
    """Return counts as a table, sorted by name."""
    names = sorted(counts)
    numbers = np.array([counts[name] for name in names], np.int64).reshape(-1, 3)
    texts = [column_of([name[nth] for name in names], pa.string()) for nth in range(3)]
    return pa.Table.from_arrays([*texts, *(to_arrow(numbers[:, nth]) for nth in range(3))], schema=COUNTS_SCHEMA)
