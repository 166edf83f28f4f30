"""The account of an engine log's clock: its runs, the evidence of each piece, the steps between, what is left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers, to_arrow
from trialcapture.prepare.health import Disagreement, Hole, Item, Rejection, Restart, utc_text
from trialcapture.prepare.logclock import LogClock, LogFit, LogRun
from trialcapture.prepare.logpieces import Cuts
from trialcapture.prepare.receiver_clocks import ClockRow

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TiedLog:
    """What came of tying one log.

    Attributes:
        clock: How its stamps relate to UTC; None where nothing ties them.
        rows: The clock evidence: one row, or one a piece.
        warnings: Sentences for people.
        items: What is wrong with its clock, for the account of data health.
    """

    clock: LogClock | None
    rows: list[ClockRow]
    warnings: list[str]
    items: list[Item]


@dataclass(frozen=True, slots=True)
class LogPart:
    """Rows between two steps of the clock.

    Attributes:
        rows: Their indices in the outline: first, and one past the last.
        fit: How the clock relates to UTC there, or None.
        why: Why it is not tied.
        is_step: Whether the clock was set before it.
        method: How it was tried, where it is not tied.
    """

    rows: tuple[int, int]
    fit: LogFit | None
    why: str = ""
    is_step: bool = True
    method: str = "rpm against rpm"


FAST_CLOCK_PPM = 1000.0
"""A clock whose rate is off by more than this gains or loses over 3 s an hour: that of a device at fault, or stamps
that count something else than seconds (common practice, no source)."""


def rate_items(rows: Sequence[ClockRow]) -> list[Item]:
    """Return the clocks of engine logs that run far too fast or slow, and were tied all the same."""
    return [
        Disagreement(
            f"rate of the clock of {row.source}", "UTC", -round(row.drift_ppm, 1), round(row.drift_u_ppm or 0.0, 1),
            "ppm", None, None, "corrected", "none: its rate is taken out",
        )
        for row in rows
        if row.drift_ppm is not None and row.offset_s is not None and abs(row.drift_ppm) > FAST_CLOCK_PPM
    ]  # fmt: skip


def place_rows(rows: pa.Table, clock: LogClock) -> tuple[pa.Table, Ints]:
    """Return the rows of a log that have a place in time, and the UTC [ns] of each.

    Args:
        rows: Decoded rows, or the outline of them.
        clock: From `tie_log`.
    """
    t_ns, known = clock.to_utc(integers(rows["t_log_ns"])[0], integers(rows["row"])[0])
    return (rows, t_ns) if known.all() else (rows.filter(to_arrow(known)), t_ns[known])


def late_items(name: str, cuts: Cuts | None) -> list[Item]:
    """Return the account of rows that were out of order."""
    if cuts is None or not cuts.late.any():
        return []
    return [Rejection(f"engine log {name}", "", "out of order", int(cuts.late.sum()), "none: put in order")]


def without_wild(name: str, tied: TiedLog, wild: Ints) -> TiedLog:
    """Return a tied log in which some rows, whose stamps are far off, have no place in time."""
    item = Rejection(f"engine log {name}", "", "stamp far off its neighbours'", int(wild.size), "left out")
    clock = tied.clock
    if clock is not None:
        runs: list[LogRun] = []
        for run in clock.runs:
            inside = np.sort(wild[(wild > run.rows[0]) & (wild < run.rows[1])])
            edges = [run.rows[0], *(e for w in inside.tolist() for e in (w - 1, w + 1)), run.rows[1]]
            runs += [replace(run, rows=(a, b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if a <= b]
        clock = LogClock(tuple(runs))
    return replace(tied, clock=clock, items=[*tied.items, item])


def run_of(log: pa.Table, piece: LogPart, fit: LogFit) -> LogRun:
    """Return the run of a log's outline that one piece is."""
    row = integers(log["row"])[0]
    low, high = sorted((int(row[piece.rows[0]]), int(row[piece.rows[1] - 1])))
    return LogRun((low, high), origin_ns(integers(log["t_log_ns"])[0], piece), fit)


def told_in_pieces(name: str, log: pa.Table, pieces: list[LogPart], cuts: Cuts) -> TiedLog:
    """Return runs, clock evidence and account of a log in pieces."""
    stamps = integers(log["t_log_ns"])[0]
    runs: list[LogRun] = []
    rows: list[ClockRow] = []
    items: list[Item] = []
    spans = [_span(stamps, pieces, k) for k in range(len(pieces))]
    for k, (piece, span) in enumerate(zip(pieces, spans, strict=True)):
        what = f"engine log {name}, piece {k + 1} of {len(pieces)} ({_clock(span[0])} to {_clock(span[1])})"
        fit = piece.fit
        if fit is None:
            rows.append(ClockRow(what, None, None, None, None, piece.method, f"failed: {piece.why}"))
            seconds = (span[1] - span[0]) / 1e9
            cost = f"{seconds:.0f} s of fuel and engine data are not used"
            items.append(Hole(*span, f"engine log {name}", f"piece {k + 1} is not tied to UTC: {piece.why}", cost))
        else:
            runs.append(run_of(log, piece, fit))
            rows.append(
                ClockRow(
                    what, fit.offset_s, fit.offset_u_s, fit.drift_ppm, fit.drift_u_ppm, fit.method, fit.quality, *span
                )
            )
        if k and piece.is_step:
            items.append(_restart(name, stamps, pieces[k - 1], piece, spans[k - 1], span))
    return TiedLog(LogClock(tuple(runs)), rows, [], [*items, *late_items(name, cuts)])


def origin_ns(stamps: Ints, piece: LogPart) -> int:
    """Return the stamp of a piece's first row [ns]; its offset holds there."""
    return int(stamps[piece.rows[0]])


def _span(stamps: Ints, pieces: list[LogPart], k: int) -> tuple[int, int]:
    """Return between what UTC [ns] the rows of a piece lie; for one that is not tied, between its neighbours."""
    tied = [_tied_span(stamps, piece) for piece in pieces]
    own = tied[k]
    if own is not None:
        return own
    length_ns = int(np.ptp(stamps[slice(*pieces[k].rows)]))
    before = next((t for t in tied[k::-1] if t is not None), None)
    after = next((t for t in tied[k:] if t is not None), None)
    if before is None:
        stop = int(stamps[0]) + length_ns if after is None else after[0]
        return stop - length_ns, stop
    return before[1], before[1] + length_ns if after is None else max(after[0], before[1])


def _tied_span(stamps: Ints, piece: LogPart) -> tuple[int, int] | None:
    if piece.fit is None:
        return None
    utc = piece.fit.to_utc(stamps[slice(*piece.rows)], origin_ns(stamps, piece))
    return int(utc.min()), int(utc.max())


def _restart(
    name: str, stamps: Ints, before: LogPart, after: LogPart, span_before: tuple[int, int], span: tuple[int, int]
) -> Restart:
    """Return the account of one step of a log's clock."""
    at = after.rows[0]
    shown_s = (int(stamps[at]) - int(stamps[at - 1])) / 1e9
    what = f"clock of engine log {name}"
    if before.fit is None or after.fit is None:
        cause = f"its stamps go on {shown_s:+.0f} s from the row before; it was set or began anew"
        return Restart(span[0], what, None, cause, "the piece that nothing ties is not used")
    gap_s = (span[0] - span_before[1]) / 1e9
    size_s = round(shown_s - gap_s, 2)
    pace_s = float(np.median(np.abs(np.diff(stamps[slice(*after.rows)])))) / 1e9
    if abs(gap_s - pace_s) <= max(2.0, 0.5 * pace_s):
        return Restart(span[0], what, size_s, "it was set while it went on logging", "none: each piece is tied alone")
    cause = f"it logged nothing for {gap_s:.0f} s, and its clock was set or began anew"
    return Restart(span[0], what, size_s, cause, f"{gap_s:.0f} s without engine data; each piece is tied alone")


def _clock(t_ns: int) -> str:
    return utc_text(t_ns)[11:19]
