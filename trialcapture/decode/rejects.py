"""What could not be used, and why: the closed list of reasons and the table every decoder reports in."""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.decode import byte_columns

LONGEST_KEPT_BYTES = 256
"""Bytes of a reject that are kept (our choice: three sentences); the raw file holds the rest."""


class Reason(IntEnum):
    """Why bytes were not decoded, or a sentence was decoded only in part. The first that applies is given."""

    SOUND = 0
    NOISE = 1  # bytes outside any sentence
    CONTROL_BYTES = 2  # a byte outside 0x20-0x7E inside a sentence
    TRUNCATED = 3  # the next sentence starts, or the line ends, inside a sentence or its checksum
    TOO_LONG = 4  # longer than any receiver sends
    NO_CHECKSUM = 5
    CHECKSUM = 6
    ADDRESS = 7  # what follows the $ is not an address
    FIELD_COUNT = 8
    TIME = 9
    DATE = 10
    POSITION = 11
    NUMBER = 12
    LETTER = 13  # a status, mode, unit or direction letter that the sentence does not know
    RANGE = 14  # a number that the quantity cannot have, such as a course of 400 degrees
    # From here on it is never the sentence that is refused; of the others `field` tells whether it was:
    HEMISPHERE = 15  # a value without the letter that gives it its sign: null
    INCOMPLETE_GROUP = 16  # the last transducer of an XDR sentence is not whole: left out
    TAG_CHECKSUM = 17  # TAG block damaged: its source and times are not used
    TAG_VALUE = 18  # TAG block whole, but its time is not a time
    MISSING_FIELD = 19  # the sentence ends before a field, or leaves blank what it should say: taken as not said
    SURPLUS_FIELDS = 20  # more fields than the sentence has: not read

    @property
    def word(self) -> str:
        """The reason as the table spells it."""
        return self.name.lower().replace("_", " ")


REASONS = tuple(reason.word for reason in Reason if reason is not Reason.SOUND)
"""Every word that can stand in the ``reason`` column for NMEA 0183."""

SCHEMA = pa.schema(
    [
        ("source", pa.dictionary(pa.int32(), pa.string())),
        ("line", pa.int64()),
        ("mono_ns", pa.int64()),
        ("reason", pa.dictionary(pa.int32(), pa.string())),
        ("bytes", pa.binary()),
        ("sentence", pa.dictionary(pa.int32(), pa.string())),
        ("field", pa.dictionary(pa.int32(), pa.string())),
    ]
)
"""``line`` is the 0-based line in the file, ``mono_ns`` the receipt [ns since session start] where known, ``sentence``
talker and formatter or a parameter group number, null for what is no sentence; ``field`` is what alone is void, null
where all of the bytes were refused."""

_WORDS = [reason.word for reason in Reason]


def reject_table(
    *,
    source: npt.NDArray[np.int32],
    sources: list[str],
    line: npt.NDArray[np.int64],
    mono_ns: npt.NDArray[np.int64],
    mono_known: npt.NDArray[np.bool_],
    reason: npt.NDArray[np.uint8],
    what: list[bytes],
    sentence: npt.NDArray[np.int32],
    sentences: list[str],
    field: npt.NDArray[np.int32],
    fields: list[str],
) -> pa.Table:
    """Build a table of rejects from columns of equal length.

    Args:
        source: Index into `sources`.
        sources: Names of the sources.
        line: 0-based line number in the file.
        mono_ns: Receipt on the monotonic clock [ns].
        mono_known: Where `mono_ns` means something.
        reason: `Reason` codes.
        what: The rejected bytes, shortened by the caller where they are long.
        sentence: Index into `sentences`, -1 for none.
        sentences: Addresses without their ``$``.
        field: Index into `fields`, -1 for none.
        fields: Names of fields.
    """
    return pa.Table.from_arrays(
        [
            byte_columns.dictionary(source, sources),
            to_arrow(line),
            to_arrow(mono_ns, mono_known),
            byte_columns.dictionary(reason.astype(np.int32), _WORDS),
            column_of(what, pa.binary()),
            optional_words(sentence, sentences),
            optional_words(field, fields),
        ],
        schema=SCHEMA,
    )


def optional_words(codes: npt.NDArray[np.int32], words: Sequence[str]) -> pa.Array:
    """Return a dictionary column: row i reads ``words[codes[i]]``, null where that is -1."""
    return byte_columns.dictionary(np.maximum(codes, 0), words or [""], codes >= 0)


def no_words(count: int) -> pa.Array:
    """Return a dictionary column of nulls."""
    return optional_words(np.full(count, -1, np.int32), [])
