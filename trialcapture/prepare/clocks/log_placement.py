"""Alignment of an engine log with UTC, whole or in pieces.

A log whose clock ran on is aligned as a whole (`clocks.log_alignment`). One whose clock was set, or began anew, is cut
there, and each piece is aligned alone: its offset is its own, its drift is that of the oscillator and so shared. A
piece that nothing aligns is left out and named.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import integers, to_arrow
from trialcapture.config import Config, EngineLog
from trialcapture.prepare.clocks.log_alignment import (
    AlignedLog,
    LogPiece,
    align_whole_log,
    engines_of,
    late_items,
    origin_ns,
    result_in_pieces,
    run_of,
    without_wild,
)
from trialcapture.prepare.clocks.log_clock import (
    BUS_U_S,
    NO_MATCH_FINE,
    USUAL_DRIFT,
    EngineLogClock,
    LogFit,
    to_log_fit,
)
from trialcapture.prepare.clocks.log_match import FineFit, refine_offset
from trialcapture.prepare.clocks.log_pieces import Cuts, Engine, PieceOffsets, find_cuts, find_piece_offsets, pairs_of
from trialcapture.prepare.clocks.receiver_clocks import ClockRow
from trialcapture.prepare.data_health import Rejection

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Series = Mapping[str, pa.Table]
Align = Callable[[slice], tuple[LogFit | None, ClockRow, list[str]]]
"""Ties some rows of a log as a log of its own."""

_WORST_U_S = 3.0
"""A piece that its rpm ties no better than this is left out (common practice, no source)."""
_SAME_S = 1.0
"""Offsets of neighbours nearer than this, and than three times their uncertainty, are one (our choice, no source)."""
_STEP_S = 0.6
"""Stamps that go back by less are in the jitter of rows (our choice, no source)."""
_LONG_S = 6 * 3600.0
"""A pause so long parts one day's trial from another's (our choice, no source)."""
_LEAST_PAUSE_S, _MOST_PAUSES = 5.0, 3
"""A pause from which a hidden step is looked for [s], and how many pauses are (our choice, no source)."""
_LEAST_PIECE_S = 20.0
"""A shorter piece is not fitted alone [s] (our choice, no source)."""
_LEAST_READINGS = 12
"""A piece with less is not aligned (common practice, no source)."""


def align_engine_log(
    name: str,
    spec: EngineLog,
    log: pa.Table,
    series: Series,
    config: Config,
    marks_ns: Sequence[int] = (),
    network_u_s: float = BUS_U_S,
) -> AlignedLog:
    """Align one engine log with UTC, in pieces where its clock was set.

    Args:
        name: File name.
        spec: The log's description, which may ask for one method.
        log: The downsampled index of its rows in the order they were logged, with ``row``, the 0-based line of each.
        series: Chosen network series by channel group.
        config: Engine ids.
        marks_ns: UTC of marks a person made [ns].
        network_u_s: Standard uncertainty of when network readings were true [s].
    """
    stamps = integers(log["t_log_ns"])[0]
    cuts = find_cuts(stamps) if stamps.size > 1 else None
    if cuts is not None and cuts.wild.any():
        few = align_engine_log(name, spec, log.filter(to_arrow(~cuts.wild)), series, config, marks_ns, network_u_s)
        return without_wild(name, few, integers(log["row"])[0][cuts.wild])

    def align(rows: slice) -> tuple[LogFit | None, ClockRow, list[str]]:
        return align_whole_log(
            name, spec, log.slice(rows.start, rows.stop - rows.start), series, config, marks_ns, network_u_s
        )

    whole = slice(0, int(stamps.size))
    if cuts is None and stamps.size > 1:
        return _result_of_longest(name, log, align)
    if cuts is None or not cuts.at.size:
        return _result_of_whole(name, log, cuts, *align(whole))
    engines = engines_of(log, series, config) if spec.clock.method in ("auto", "rpm") else []
    pieces = _tie_by_rpm(stamps, engines, cuts, network_u_s) if engines else None
    bounds = _bounds(stamps, cuts)
    if pieces is None or not any(p.fit for p in pieces):
        if spec.clock.method == "fixed":
            pieces = _declared(bounds, align)
        elif len(bounds) > 2 or not engines:
            pieces = _tie_apart(stamps, bounds, cuts, align)
    if pieces is not None:
        pieces = _without_other_days(stamps, pieces, series)
    if pieces is None or (len(pieces) == 1 and pieces[0].rows == (whole.start, whole.stop)):
        return _result_of_whole(name, log, cuts, *align(whole))
    return result_in_pieces(name, log, pieces, cuts)


def _result_of_whole(
    name: str, log: pa.Table, cuts: Cuts | None, fit: LogFit | None, row: ClockRow, warnings: list[str]
) -> AlignedLog:
    """Return what a fit of the whole log comes to."""
    if fit is None:
        return AlignedLog(None, [row], warnings, [])
    stamps = integers(log["t_log_ns"])[0]
    run = run_of(log, LogPiece((0, int(stamps.size)), fit), fit)
    return AlignedLog(EngineLogClock((run,)), [row], warnings, late_items(name, cuts))


def _result_of_longest(name: str, log: pa.Table, align: Align) -> AlignedLog:
    """Return what the longest stretch of rising stamps comes to, of a log whose rows are in no order."""
    stamps = integers(log["t_log_ns"])[0]
    bounds = [0, *(np.flatnonzero(np.diff(stamps) < 0) + 1).tolist(), int(stamps.size)]
    first, stop = max(pairwise(bounds), key=lambda b: b[1] - b[0])
    fit, row, warnings = align(slice(first, stop))
    lost = int(stamps.size) - (stop - first)
    item = Rejection(f"engine log {name}", "", f"its stamps run backwards {len(bounds) - 2} times", lost, "left out")
    if fit is None:
        return AlignedLog(None, [row], warnings, [item])
    return AlignedLog(EngineLogClock((run_of(log, LogPiece((first, stop), fit), fit),)), [row], warnings, [item])


def _bounds(stamps: Ints, cuts: Cuts) -> list[int]:
    """Return where the stretches between sure steps of the clock begin, and the number of rows."""
    step_s = (stamps[cuts.at] - stamps[cuts.at - 1]) / 1e9
    is_sure = ((step_s < -_STEP_S) & ~cuts.may_be_late) | (step_s > _LONG_S)
    return [0, *cuts.at[is_sure].tolist(), int(stamps.size)]


def _without_other_days(stamps: Ints, pieces: list[LogPiece], series: Series) -> list[LogPiece]:
    """Return the pieces less those that nothing ties and that by their neighbours' clock lie outside the trial."""
    velocity = series.get("velocity")
    tied = [p for p in pieces if p.fit is not None]
    if velocity is None or not velocity.num_rows or not tied:
        return pieces
    t_ns = integers(velocity["t_ns"])[0]

    def is_outside(piece: LogPiece) -> bool:
        near = min(tied, key=lambda p: abs(p.rows[0] - piece.rows[0]))
        rows = stamps[slice(*piece.rows)]
        step_ns = max(int(rows.min()) - int(stamps[near.rows[1] - 1]), int(stamps[near.rows[0]]) - int(rows.max()))
        if near.fit is None or step_ns < _LONG_S * 1e9:
            return False
        utc = near.fit.to_utc(rows, origin_ns(stamps, near))
        return bool(utc.max() < t_ns[0] or utc.min() > t_ns[-1])

    return [p for p in pieces if p.fit is not None or not is_outside(p)]


def _tie_apart(stamps: Ints, bounds: list[int], cuts: Cuts, align: Align) -> list[LogPiece]:
    """Return the pieces of a log that its rpm on the network does not tie, tied one by one by marks or by motion.

    A pause may hide a clock put forward: both sides of it are tied too, and where they contradict each other the log
    is cut there.
    """
    pieces: list[LogPiece] = []
    for first, stop in pairwise(bounds):
        inner = [int(i) for i in cuts.at if first < i < stop]
        pieces += _tie_across_pauses(stamps, slice(first, stop), inner, align)
    return pieces


def _declared(bounds: list[int], align: Align) -> list[LogPiece] | None:
    """Return a log with a declared offset cut where its clock was put back: one offset cannot hold on both sides."""
    if len(bounds) == 2:
        return None
    longest = max(pairwise(bounds), key=lambda b: b[1] - b[0])
    why = "its clock was set, and the declared offset holds on one side only; the longer piece is taken for that"
    return [LogPiece(b, align(slice(*b))[0] if b == longest else None, why) for b in pairwise(bounds)]


def _tie_across_pauses(stamps: Ints, rows: slice, inner: Sequence[int], align: Align) -> list[LogPiece]:
    """Return the fit of rows whose stamps only ever pause, as one piece, or two where the pause hides a step."""
    fit, row, _ = align(rows)
    whole = [LogPiece((rows.start, rows.stop), fit, row.quality.removeprefix("failed: "), method=row.method)]
    step_s = {int(i): float(stamps[i] - stamps[i - 1]) / 1e9 for i in inner}
    for i in sorted(step_s, key=lambda i: -step_s[i])[:_MOST_PAUSES]:
        if step_s[i] < _LEAST_PAUSE_S:
            break
        sides = [align(slice(rows.start, i)), align(slice(i, rows.stop))]
        before, after = sides[0][0], sides[1][0]
        parts = [
            LogPiece(span, side[0], side[1].quality.removeprefix("failed: "), method=side[1].method)
            for span, side in zip(((rows.start, i), (i, rows.stop)), sides, strict=True)
        ]
        if before is not None and after is not None:
            if _is_apart(before, after, float(stamps[i] - stamps[rows.start]) / 1e9):
                return parts
        elif fit is None and (before is not None or after is not None):
            return parts
    return whole


def _is_apart(before: LogFit, after: LogFit, since_s: float) -> bool:
    """Return True where two fits of neighbouring rows contradict each other."""
    at_cut_s = (before.offset_s or 0.0) + before.drift_ppm * 1e-6 * since_s
    u_s = np.hypot(before.offset_u_s or 0.0, after.offset_u_s or 0.0)
    return abs((after.offset_s or 0.0) - at_cut_s) > max(3.0 * float(u_s), _STEP_S)


def _tie_by_rpm(stamps: Ints, engines: list[Engine], cuts: Cuts, network_u_s: float) -> list[LogPiece] | None:
    """Return the pieces of a log with the fit of each; None where it is one piece or nothing fits."""
    offsets = find_piece_offsets(stamps, engines, cuts)
    if offsets is None:
        return None
    groups = _grouped(stamps, offsets, cuts)
    usable = ~cuts.late
    fits = [_fine(stamps, engines, usable, offsets, group) for group in groups]
    fits = _with_shared_drift(fits)
    groups, fits = _merged(stamps, engines, usable, offsets, groups, fits)
    if len(groups) == 1 and (offsets.is_clear.all() or not offsets.is_clear.any()):
        return None
    pieces: list[LogPiece] = []
    for group, fine in zip(groups, fits, strict=True):
        pieces += _pieces_of(stamps, offsets, group, fine, network_u_s)
    return pieces


def _grouped(stamps: Ints, offsets: PieceOffsets, cuts: Cuts) -> list[tuple[int, int]]:
    """Return the first piece and the one past the last of each stretch over which the clock was not set."""
    begins = [0]
    for k in range(1, offsets.offset_s.size):
        at = int(offsets.bounds[k])
        is_back = stamps[at] - stamps[at - 1] < -600_000_000
        is_apart = abs(offsets.offset_s[k] - offsets.offset_s[k - 1]) > 1.5
        # stamps that run on say that the clock ran on: rpm that fits elsewhere nearly as well is no evidence against it
        runs_on = stamps[at] > stamps[at - 1] and not offsets.is_clear[[k - 1, k]].any()
        if (is_back and not cuts.may_be_late[k - 1]) or (is_apart and not runs_on):
            begins.append(k)
    return list(zip(begins, [*begins[1:], int(offsets.offset_s.size)], strict=True))


def _rows(offsets: PieceOffsets, group: tuple[int, int]) -> tuple[int, int]:
    return int(offsets.bounds[group[0]]), int(offsets.bounds[group[1]])


def _fine(
    stamps: Ints, engines: list[Engine], usable: Bools, offsets: PieceOffsets, group: tuple[int, int]
) -> FineFit | None:
    first, stop = _rows(offsets, group)
    mask = np.zeros(stamps.size, dtype=np.bool_)
    mask[first:stop] = usable[first:stop]
    if stamps[stop - 1] - stamps[first] < _LEAST_PIECE_S * 1e9:
        return None
    pairs = pairs_of(stamps, engines, mask)
    offset_s = float(np.median(offsets.offset_s[group[0] : group[1]]))
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
    offsets: PieceOffsets,
    groups: list[tuple[int, int]],
    fits: list[FineFit | None],
) -> tuple[list[tuple[int, int]], list[FineFit | None]]:
    """Return the groups with those joined whose offsets are one within their uncertainty."""
    merged, kept = [groups[0]], [fits[0]]
    for group, fine in zip(groups[1:], fits[1:], strict=True):
        before, at = kept[-1], int(offsets.bounds[group[0]])
        is_back = stamps[at] - stamps[at - 1] < -600_000_000
        if before is not None and fine is not None and not is_back:
            since_s = (stamps[at] - stamps[_rows(offsets, merged[-1])[0]]) / 1e9
            apart_s = fine.offset_s() - (before.offset_s() + before.drift * since_s)
            u_s = np.hypot(fine.offset_u_s(0.0), np.hypot(before.offset_u_s(0.0), before.drift_u * since_s))
            if abs(apart_s) < min(_SAME_S, 3.0 * u_s):
                merged[-1] = (merged[-1][0], group[1])
                kept[-1] = _fine(stamps, engines, usable, offsets, merged[-1])
                continue
        merged.append(group)
        kept.append(fine)
    return merged, kept


def _pieces_of(
    stamps: Ints, offsets: PieceOffsets, group: tuple[int, int], fine: FineFit | None, network_u_s: float
) -> list[LogPiece]:
    """Return a group as one aligned piece, less what at its ends may belong elsewhere; or as one not aligned."""
    clear = np.flatnonzero(offsets.is_clear[group[0] : group[1]]) + group[0]
    whole = _rows(offsets, group)
    if not clear.size:
        return [LogPiece(whole, None, "its rpm would fit the network's nearly as well at another time; give a mark")]
    if fine is None:
        return [LogPiece(whole, None, "it is too short, or its rpm hardly changes")]
    if fine.is_at_bound:
        return [LogPiece(whole, None, "no offset and drift make its rpm follow the network's all the way")]
    if fine.offset_u_s(network_u_s) > _WORST_U_S:
        return [LogPiece(whole, None, "its rpm hardly changes, so nothing ties it")]
    if fine.unexplained > NO_MATCH_FINE:
        return [LogPiece(whole, None, f"{fine.unexplained:.0%} of its rpm's variance does not match the network's")]
    inner = (int(clear[0]), int(clear[-1]) + 1)
    unsure = "nothing tells on which side of the step of its clock it lies"
    parts = [LogPiece(_rows(offsets, (group[0], inner[0])), None, unsure)] if inner[0] > group[0] else []
    rows = _rows(offsets, inner)
    fit = to_log_fit(fine, network_u_s)
    since_s = (stamps[rows[0]] - stamps[whole[0]]) / 1e9
    fit = replace(fit, offset_s=fine.offset_s() + fine.drift * float(since_s))
    parts.append(LogPiece(rows, fit, "", not parts))
    if inner[1] < group[1]:
        parts.append(LogPiece(_rows(offsets, (inner[1], group[1])), None, unsure, False))
    return parts
