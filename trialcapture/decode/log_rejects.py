"""What of an engine log could not be used: the table of rejects, and counts by column and reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.decode import columns, rejects
from trialcapture.decode.log_rows import LogRows, Reject

_REASONS = ("control bytes", "field count", "number", "quotes", "range", "repeated heading", "time", "truncated")


@dataclass(frozen=True, slots=True)
class LogRejection:
    """Cells of one column, or whole rows, that could not be used for one reason.

    Attributes:
        column: Heading of the column, or its number; "" where whole rows could not be used.
        reason: Why, as the table of rejects has it.
        count: How many.
        row: The first of them, counted from 1 as an editor or a spreadsheet shows it.
        text: What stood there.
    """

    column: str
    reason: str
    count: int
    row: int
    text: str


class Rejected:
    """Counts what could not be used, and makes tables of it."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._counted: dict[tuple[str, str], LogRejection] = {}

    def counted(self) -> list[LogRejection]:
        """Return all there was so far, by column and reason."""
        return [self._counted[key] for key in sorted(self._counted)]

    def table(self, found: Sequence[Reject]) -> pa.Table:
        """Return rejects as a table, and count them."""
        for reject in found:
            key = (reject.column, reject.reason)
            first = self._counted.get(key)
            count, row, text = (
                (0, reject.row + 1, reject.text) if first is None else (first.count, first.row, first.text)
            )
            self._counted[key] = LogRejection(*key, count + 1, row, text)
        what = [f"{r.column}={r.text}" if r.column else r.text for r in found]
        kept = [text.encode("utf-8", "surrogateescape")[: rejects.LONGEST_KEPT_BYTES] for text in what]
        count = len(found)
        names = sorted({r.column for r in found if r.column})
        field = np.array([names.index(r.column) if r.column else -1 for r in found], np.int32)
        return pa.Table.from_arrays(
            [
                columns.dictionary(np.zeros(count, np.int32), [self._where]),
                to_arrow(np.array([r.row for r in found], dtype=np.int64)),
                to_arrow(np.zeros(count, np.int64), np.zeros(count, np.bool_)),
                columns.dictionary(np.array([_REASONS.index(r.reason) for r in found], dtype=np.int32), _REASONS),
                column_of(kept, pa.binary()),
                rejects.no_words(count),
                rejects.optional_words(field, names),
            ],
            schema=rejects.SCHEMA,
        )


def cell_rejects(
    found: LogRows, mask: npt.NDArray[np.bool_], heading: str, parts: Sequence[int], reason: str
) -> list[Reject]:
    """Return the marked rows' cells of some wanted columns as rejects."""
    indexes = np.flatnonzero(mask)
    rows = found.rows[indexes].tolist()
    texts = found.joined(indexes.tolist(), parts)
    return [Reject(row, reason, text, heading) for row, text in zip(rows, texts, strict=True)]
