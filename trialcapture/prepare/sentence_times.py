"""UTC as the sentences themselves tell it: dates joined to times of day, rollovers undone, strays left out."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from trialcapture.prepare.utc import find_believable_times

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TIMED = ("RMC", "GGA", "GNS", "GLL", "ZDA")
"""Formatters whose sentences carry their own UTC."""
_DAY_NS = 86_400_000_000_000
_WEEKS_1024_DAYS = 7168


def integers(table: pa.Table, column: str) -> tuple[Ints, Bools]:
    """Return a nullable integer column as values and where they are known."""
    chunk = table[column].combine_chunks()
    known = ~np.asarray(chunk.is_null())
    values = np.asarray(pc.fill_null(chunk, 0)).astype(np.int64)
    return values, known


def receivers(table: pa.Table) -> npt.NDArray[np.str_]:
    """Return ``source/talker`` of each row."""
    source = np.asarray(table["source"].cast(pa.string()).to_pylist(), dtype=object)
    talker = np.asarray(table["talker"].cast(pa.string()).to_pylist(), dtype=object)
    keys: npt.NDArray[np.str_] = (source + "/" + talker).astype(np.str_)
    return keys


def sentence_times(tables: Mapping[str, pa.Table], warnings: list[str]) -> dict[str, tuple[Ints, Bools]]:
    """Return UTC [ns] and where known, by formatter, for sentences that carry a time of day."""
    dated_line: list[Ints] = []
    dated_utc: list[Ints] = []
    times: dict[str, tuple[Ints, Bools]] = {}
    for name in ("RMC", "ZDA"):
        if name not in tables:
            continue
        tod, known = integers(tables[name], "tod_ns")
        days, has_date = integers(tables[name], "date_days")
        utc = days * _DAY_NS + tod
        times[name] = (utc, known & has_date)
        dated_line.append(integers(tables[name], "line")[0][known & has_date])
        dated_utc.append(utc[known & has_date])
    line = np.concatenate(dated_line) if dated_line else np.zeros(0, dtype=np.int64)
    utc = np.concatenate(dated_utc) if dated_utc else np.zeros(0, dtype=np.int64)
    order = np.argsort(line, kind="stable")
    line, utc = line[order], utc[order]
    if utc.size:
        steady = find_believable_times(line * 100_000_000, utc) if utc.size > 3 else np.ones(utc.size, dtype=np.bool_)
        line, utc = (line[steady], utc[steady]) if steady.any() else (line, utc)
    shift_days = _rollover_days(tables, utc, warnings)
    if shift_days:
        utc = utc + shift_days * _DAY_NS
        times = {name: (t + shift_days * _DAY_NS, known) for name, (t, known) in times.items()}
    for name in TIMED:
        if name not in tables:
            continue
        tod, known = integers(tables[name], "tod_ns")
        at, _ = integers(tables[name], "line")
        reference = _reference_utc(tables[name], at, line, utc)
        if reference is None:
            times.pop(name, None)
            continue
        # a sentence without a date belongs to the day that puts it nearest to its neighbours
        nearest = reference + (tod - reference % _DAY_NS + _DAY_NS // 2) % _DAY_NS - _DAY_NS // 2
        if name in times:
            whole, dated = times[name]
            times[name] = (np.where(dated, whole, nearest), known)
        else:
            times[name] = (nearest, known)
    return times


def _reference_utc(table: pa.Table, at: Ints, line: Ints, utc: Ints) -> Ints | None:
    """Return a rough UTC for each row: that of the nearest dated sentence, else the wall clock, else None."""
    if utc.size:
        return utc[np.clip(np.searchsorted(line, at), 0, utc.size - 1)]
    wall, known = integers(table, "wall_ms")
    if known.any():
        return np.where(known, wall, int(np.median(wall[known]))) * 1_000_000
    return None


def _rollover_days(tables: Mapping[str, pa.Table], utc: Ints, warnings: list[str]) -> int:
    """Return the days to add to a receiver's date that is whole 1024-week epochs away from the wall clock."""
    if not utc.size:
        return 0
    wall_days = []
    for table in tables.values():
        wall, known = integers(table, "wall_ms")
        if known.any():
            wall_days.append(float(np.median(wall[known])) / 86_400_000)
    if not wall_days:
        return 0
    away_days = float(np.median(wall_days)) - float(np.median(utc)) / _DAY_NS
    epochs = round(away_days / _WEEKS_1024_DAYS)
    if epochs != 0 and abs(away_days - epochs * _WEEKS_1024_DAYS) < 1.5:
        warnings.append(
            f"the receiver's date is {abs(epochs) * 1024} weeks off (GPS week rollover); corrected by whole epochs"
        )
        return epochs * _WEEKS_1024_DAYS
    if abs(away_days) > 1.0:
        warnings.append(
            f"the receiver's date and the recording computer's clock differ by {abs(away_days):.1f} days; "
            "the receiver's is used"
        )
    return 0


def main_receiver(tables: Mapping[str, pa.Table], times: Mapping[str, tuple[Ints, Bools]]) -> str | None:
    """Return ``source/talker`` of the receiver with most timed sentences of one formatter."""
    best: tuple[int, str] | None = None
    for name, (_, known) in times.items():
        keys, counts = np.unique(receivers(tables[name])[known], return_counts=True)
        for key, count in zip(keys, counts, strict=True):
            if best is None or (int(count), str(key)) > best:
                best = (int(count), str(key))
    return best[1] if best else None
