"""Rejected lines, written block by block, and how many there are of each kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from trialcapture.archive.parquet import open_parquet
from trialcapture.archive.spill import Spilled, read_spill
from trialcapture.buffers import count_texts, integers, table_of
from trialcapture.decode.engine_log.log_cells import shown
from trialcapture.pipeline.reading import DecodedEngineLog, DecodedLog
from trialcapture.prepare.clocks.utc_assignment import REJECTS_SCHEMA, LineTimes, line_times, place_rejects
from trialcapture.prepare.data_health import Rejection
from trialcapture.prepare.trial_alignment import Arrangement

_NO_TIMES: LineTimes = (integers(pa.nulls(0))[0], integers(pa.nulls(0))[0])


@dataclass(frozen=True, slots=True)
class Rejected:
    """Counts of rejects.

    Attributes:
        by_source: Of what was refused: ``source``, ``reason`` and ``count``, in order of source and reason.
        by_reason: Of the same, count by reason.
        by_field: Of all of the NMEA and CAN logs, count by source, sentence, field and reason; "" where there is none.
    """

    by_source: pa.Table
    by_reason: dict[str, int]
    by_field: dict[tuple[str, str, str, str], int]


def log_rejections(engine_logs: Sequence[DecodedEngineLog]) -> list[Rejection]:
    """Return what could not be read in engine logs, one item a column and reason."""
    items = []
    for log in engine_logs:
        for found in log.rejections:
            if found.reason == "repeated heading":
                continue  # no data is lost
            where = f"first in row {found.row}: {shown(found.text)!r}"
            is_row = not found.column or found.reason == "time"
            # more than one in a hundred would have had the whole log refused
            cost = "none: these rows are left out" if is_row else "none: these cells are left empty"
            items.append(Rejection(log.name, found.column, f"{found.reason}, {where}", found.count, cost))
    return items


def write_rejects(
    path: Path,
    provenance: dict[str, str],
    logs: Sequence[DecodedLog],
    engine_logs: Sequence[DecodedEngineLog],
    arrangement: Arrangement,
) -> Rejected:
    """Write ``rejects.parquet``: file by file, in the order of their lines.

    Raises:
        TrialCaptureError: The disk is full.
    """
    counts: Counter[tuple[str, str]] = Counter()
    fields: Counter[tuple[str, str, str, str]] = Counter()
    files: list[tuple[list[Spilled], LineTimes, bool]] = [
        (log.rejects, line_times(arrangement.logs[log.name].placed), True) for log in logs
    ]
    files += [(log.rejects, _NO_TIMES, False) for log in engine_logs]
    with open_parquet(path, REJECTS_SCHEMA, provenance) as file:
        for blocks, times, of_network in files:
            for block in blocks:
                rejects = read_spill(block)["rejects"]
                file.write(place_rejects(rejects, times))
                told = (rejects[name] for name in ("source", "sentence", "field", "reason"))
                for (source, sentence, field, reason), count in count_texts(*told).items():
                    if of_network:
                        fields[source, sentence, field, reason] += count
                    if not sentence or not field:
                        counts[source, reason] += count
    rows = [{"source": s, "reason": r, "count": n} for (s, r), n in sorted(counts.items())]
    schema = pa.schema([("source", pa.string()), ("reason", pa.string()), ("count", pa.int64())])
    reasons: Counter[str] = Counter()
    for (_, reason), n in counts.items():
        reasons[reason] += n
    return Rejected(table_of(rows, schema), dict(sorted(reasons.items())), dict(sorted(fields.items())))
