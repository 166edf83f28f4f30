"""Tying an engine log to UTC, whole or in pieces, and the account of what its clock did.

A log whose clock ran on is tied as a whole (`trialcapture.prepare.logalign`). One whose clock was set, or began anew,
is cut there, and each piece is tied alone: its offset is its own, its drift is the oscillator's and so shared. A piece
that nothing ties is left out and named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers, to_arrow
from trialcapture.config import Config, EngineLog
from trialcapture.prepare.health import Hole, Item, Rejection, Restart, utc_text
from trialcapture.prepare.logalign import align_log, engines_of
from trialcapture.prepare.logclock import (
    BUS_U_S,
    NO_MATCH_FINE,
    USUAL_DRIFT,
    LogClock,
    LogFit,
    LogRun,
    told_fit,
)
from trialcapture.prepare.logfine import FineFit, refine_offset
from trialcapture.prepare.logpieces import Cuts, Engine, Placed, find_cuts, pairs_of, place_pieces
from trialcapture.prepare.receiver_clocks import ClockRow

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Series = Mapping[str, pa.Table]

_WORST_U_S = 3.0
"""A piece that its rpm ties no better than this is left out (common practice, no source)."""
_SAME_S = 1.0
"""Offsets of neighbours nearer than this, and than three times their uncertainty, are one."""
_LEAST_PIECE_S = 20.0
_LEAST_READINGS = 12
"""A piece with less is not tied (common practice, no source)."""


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
class _Piece:
    """Rows between two steps of the clock.

    Attributes:
        rows: Their indices in the outline: first, and one past the last.
        fit: How the clock relates to UTC there, or None.
        why: Why it is not tied.
        is_step: Whether the clock was set before it.
    """

    rows: tuple[int, int]
    fit: LogFit | None
    why: str = ""
    is_step: bool = True


def tie_log(
    name: str,
    spec: EngineLog,
    log: pa.Table,
    series: Series,
    config: Config,
    marks_ns: Sequence[int] = (),
    network_u_s: float = BUS_U_S,
) -> TiedLog:
    """Tie one engine log to UTC, in pieces where its clock was set.

    Args:
        name: File name.
        spec: The log's description, which may ask for one method.
        log: The outline of its rows in the order they were logged, with ``row``, the 0-based line of each.
        series: Chosen network series by channel group.
        config: Engine ids.
        marks_ns: UTC of marks a person made [ns].
        network_u_s: Standard uncertainty of when network readings were true [s].
    """
    stamps = integers(log["t_log_ns"])[0]
    cuts = find_cuts(stamps) if stamps.size > 1 else None
    if cuts is None or not cuts.at.size or spec.clock.method == "fixed":
        return _tied_whole(name, spec, log, series, config, marks_ns, network_u_s, cuts)
    pieces: list[_Piece] | None = None
    if spec.clock.method != "marks":
        engines = engines_of(log, series, config)
        if engines:
            pieces = _tie_by_rpm(stamps, engines, cuts, network_u_s)
    if pieces is None or not any(p.fit for p in pieces):
        return _tied_whole(name, spec, log, series, config, marks_ns, network_u_s, cuts)
    return _told(name, log, pieces, cuts)


def place_rows(rows: pa.Table, clock: LogClock) -> tuple[pa.Table, Ints]:
    """Return the rows of a log that have a place in time, and the UTC [ns] of each.

    Args:
        rows: Decoded rows, or the outline of them.
        clock: From `tie_log`.
    """
    t_ns, known = clock.to_utc(integers(rows["t_log_ns"])[0], integers(rows["row"])[0])
    return (rows, t_ns) if known.all() else (rows.filter(to_arrow(known)), t_ns[known])


def _tied_whole(
    name: str,
    spec: EngineLog,
    log: pa.Table,
    series: Series,
    config: Config,
    marks_ns: Sequence[int],
    network_u_s: float,
    cuts: Cuts | None,
) -> TiedLog:
    fit, row, warnings = align_log(name, spec, log, series, config, marks_ns, network_u_s)
    if fit is None:
        return TiedLog(None, [row], warnings, [])
    stamps = integers(log["t_log_ns"])[0]
    runs = _runs_of(log, _Piece((0, stamps.size), fit), None if cuts is None else cuts.wild, int(stamps[0]))
    return TiedLog(LogClock(tuple(runs)), [row], warnings, _misplaced_items(name, cuts))


def _misplaced_items(name: str, cuts: Cuts | None) -> list[Item]:
    items: list[Item] = []
    if cuts is not None and cuts.late.any():
        items.append(Rejection(f"engine log {name}", "", "out of order", int(cuts.late.sum()), "none: put in order"))
    if cuts is not None and cuts.wild.any():
        count = int(cuts.wild.sum())
        items.append(Rejection(f"engine log {name}", "", "stamp far off its neighbours'", count, "left out"))
    return items


def _runs_of(log: pa.Table, piece: _Piece, wild: Bools | None, origin_ns: int) -> list[LogRun]:
    """Return the runs of rows of one piece: more than one where rows among them carry wild stamps."""
    if piece.fit is None:
        return []
    row = integers(log["row"])[0]
    first, stop = piece.rows
    taken = np.zeros(stop - first, dtype=np.bool_) if wild is None else wild[first:stop]
    edges = np.flatnonzero(np.diff(np.concatenate([[True], taken, [True]]).astype(np.int8)))
    runs = []
    for a, b in edges.reshape(-1, 2):
        low, high = sorted((int(row[first + a]), int(row[first + b - 1])))
        runs.append(LogRun((low, high), origin_ns, piece.fit))
    return runs


def _tie_by_rpm(stamps: Ints, engines: list[Engine], cuts: Cuts, network_u_s: float) -> list[_Piece] | None:
    """Return the pieces of a log with the fit of each; None where it is one piece or nothing fits."""
    placed = place_pieces(stamps, engines, cuts)
    if placed is None:
        return None
    groups = _grouped(stamps, placed, cuts)
    usable = ~(cuts.late | cuts.wild)
    fits = [_fine(stamps, engines, usable, placed, group) for group in groups]
    fits = _with_shared_drift(fits)
    groups, fits = _merged(stamps, engines, usable, placed, groups, fits)
    if len(groups) == 1 and placed.is_clear.all():
        return None
    pieces: list[_Piece] = []
    for group, fine in zip(groups, fits, strict=True):
        pieces += _judged(stamps, placed, group, fine, network_u_s)
    return pieces


def _grouped(stamps: Ints, placed: Placed, cuts: Cuts) -> list[tuple[int, int]]:
    """Return the first piece and the one past the last of each stretch over which the clock was not set."""
    begins = [0]
    for k in range(1, placed.offset_s.size):
        at = int(placed.bounds[k])
        is_back = stamps[at] - stamps[at - 1] < -600_000_000
        if (is_back and not cuts.may_be_late[k - 1]) or abs(placed.offset_s[k] - placed.offset_s[k - 1]) > 1.5:
            begins.append(k)
    return list(zip(begins, [*begins[1:], int(placed.offset_s.size)], strict=True))


def _rows(placed: Placed, group: tuple[int, int]) -> tuple[int, int]:
    return int(placed.bounds[group[0]]), int(placed.bounds[group[1]])


def _fine(stamps: Ints, engines: list[Engine], usable: Bools, placed: Placed, group: tuple[int, int]) -> FineFit | None:
    first, stop = _rows(placed, group)
    mask = np.zeros(stamps.size, dtype=np.bool_)
    mask[first:stop] = usable[first:stop]
    if stamps[stop - 1] - stamps[first] < _LEAST_PIECE_S * 1e9:
        return None
    pairs = pairs_of(stamps, engines, mask)
    offset_s = float(np.median(placed.offset_s[group[0] : group[1]]))
    return refine_offset(pairs, int(stamps[first]), offset_s, least=_LEAST_READINGS) if pairs else None


def _with_shared_drift(fits: list[FineFit | None]) -> list[FineFit | None]:
    """Return the fits with the drift that all of them and what is known of clocks agree on.

    The pieces of one log were stamped by one oscillator. A piece whose drift the others contradict keeps its own.
    """
    found = [f for f in fits if f is not None]
    if not found:
        return fits
    shared: list[FineFit | None] = []
    for f in fits:
        others = [g for g in found if g is not f and not g.is_at_bound]
        weights = np.array([1.0 / g.drift_u**2 for g in others] + [1.0 / USUAL_DRIFT**2])
        values = np.array([g.drift for g in others] + [0.0])
        drift, drift_u = float(weights @ values / weights.sum()), float(weights.sum() ** -0.5)
        if f is None or (abs(f.drift - drift) > 4.0 * np.hypot(f.drift_u, drift_u) and not f.is_at_bound):
            shared.append(f)
        else:
            held = f.with_drift(drift, drift_u)
            shared.append(replace(held, is_at_bound=abs(float(held.at[0])) > 5.0))
    return shared


def _merged(
    stamps: Ints,
    engines: list[Engine],
    usable: Bools,
    placed: Placed,
    groups: list[tuple[int, int]],
    fits: list[FineFit | None],
) -> tuple[list[tuple[int, int]], list[FineFit | None]]:
    """Return the groups with those joined whose offsets are one within their uncertainty."""
    merged, kept = [groups[0]], [fits[0]]
    for group, fine in zip(groups[1:], fits[1:], strict=True):
        before, at = kept[-1], int(placed.bounds[group[0]])
        is_back = stamps[at] - stamps[at - 1] < -600_000_000
        if before is not None and fine is not None and not is_back:
            since_s = (stamps[at] - stamps[_rows(placed, merged[-1])[0]]) / 1e9
            apart_s = fine.offset_s() - (before.offset_s() + before.drift * since_s)
            u_s = np.hypot(fine.offset_u_s(0.0), np.hypot(before.offset_u_s(0.0), before.drift_u * since_s))
            if abs(apart_s) < min(_SAME_S, 3.0 * u_s):
                merged[-1] = (merged[-1][0], group[1])
                kept[-1] = _fine(stamps, engines, usable, placed, merged[-1])
                continue
        merged.append(group)
        kept.append(fine)
    return merged, kept


def _judged(
    stamps: Ints, placed: Placed, group: tuple[int, int], fine: FineFit | None, network_u_s: float
) -> list[_Piece]:
    """Return a group as one tied piece, less what at its ends might belong elsewhere; or as one that is not tied."""
    clear = np.flatnonzero(placed.is_clear[group[0] : group[1]]) + group[0]
    whole = _rows(placed, group)
    if not clear.size:
        return [_Piece(whole, None, "its rpm would fit the network's nearly as well at another time; give a mark")]
    if fine is None:
        return [_Piece(whole, None, "it is too short, or its rpm hardly changes")]
    if fine.is_at_bound:
        return [_Piece(whole, None, "no offset and drift make its rpm follow the network's all the way")]
    if fine.offset_u_s(network_u_s) > _WORST_U_S:
        return [_Piece(whole, None, "its rpm hardly changes, so nothing ties it")]
    if fine.unexplained > NO_MATCH_FINE:
        return [_Piece(whole, None, f"{fine.unexplained:.0%} of its rpm's variance does not match the network's")]
    inner = (int(clear[0]), int(clear[-1]) + 1)
    unsure = "nothing tells on which side of the step of its clock it lies"
    parts = [_Piece(_rows(placed, (group[0], inner[0])), None, unsure)] if inner[0] > group[0] else []
    rows = _rows(placed, inner)
    fit = told_fit(fine, network_u_s)
    since_s = (stamps[rows[0]] - stamps[whole[0]]) / 1e9
    fit = replace(fit, offset_s=fine.offset_s() + fine.drift * float(since_s))
    parts.append(_Piece(rows, fit, "", not parts))
    if inner[1] < group[1]:
        parts.append(_Piece(_rows(placed, (inner[1], group[1])), None, unsure, False))
    return parts


def _told(name: str, log: pa.Table, pieces: list[_Piece], cuts: Cuts) -> TiedLog:
    """Return runs, clock evidence and account of a log in pieces."""
    stamps = integers(log["t_log_ns"])[0]
    runs: list[LogRun] = []
    rows: list[ClockRow] = []
    items: list[Item] = []
    spans = [_span(stamps, pieces, k, cuts) for k in range(len(pieces))]
    for k, (piece, span) in enumerate(zip(pieces, spans, strict=True)):
        runs += _runs_of(log, piece, cuts.wild, _origin(stamps, piece))
        what = f"engine log {name}, piece {k + 1} of {len(pieces)} ({_clock(span[0])} to {_clock(span[1])})"
        fit = piece.fit
        if fit is None:
            rows.append(ClockRow(what, None, None, None, None, "rpm against rpm", f"failed: {piece.why}"))
            seconds = (span[1] - span[0]) / 1e9
            cost = f"{seconds:.0f} s of fuel and engine data are not used"
            items.append(Hole(*span, f"engine log {name}", f"piece {k + 1} is not tied to UTC: {piece.why}", cost))
        else:
            rows.append(
                ClockRow(what, fit.offset_s, fit.offset_u_s, fit.drift_ppm, fit.drift_u_ppm, fit.method, fit.quality)
            )
        if k and piece.is_step:
            items.append(_restart(name, stamps, pieces[k - 1], piece, spans[k - 1], span))
    return TiedLog(LogClock(tuple(runs)), rows, [], [*items, *_misplaced_items(name, cuts)])


def _origin(stamps: Ints, piece: _Piece) -> int:
    return int(stamps[piece.rows[0]])


def _span(stamps: Ints, pieces: list[_Piece], k: int, cuts: Cuts) -> tuple[int, int]:
    """Return between what UTC [ns] the rows of a piece lie; for one that is not tied, between its neighbours."""
    tied = [_tied_span(stamps, piece, cuts) for piece in pieces]
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


def _tied_span(stamps: Ints, piece: _Piece, cuts: Cuts) -> tuple[int, int] | None:
    if piece.fit is None:
        return None
    rows = slice(*piece.rows)
    utc = piece.fit.to_utc(stamps[rows][~cuts.wild[rows]], _origin(stamps, piece))
    return int(utc.min()), int(utc.max())


def _restart(
    name: str, stamps: Ints, before: _Piece, after: _Piece, span_before: tuple[int, int], span: tuple[int, int]
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
