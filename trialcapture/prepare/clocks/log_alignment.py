"""Alignment of an engine log with UTC, whole or in pieces: the choice between the methods, warnings, clock evidence.

A log whose clock ran on is aligned as a whole. One whose clock was set, or began anew, is cut there, and each piece is
aligned alone: its offset is its own, its drift is that of the oscillator and so shared. A piece that nothing aligns is
left out and named.

Also found here: engines whose columns in the log are exchanged.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats, integers, to_arrow
from trialcapture.config import Config, EngineLog
from trialcapture.prepare.clocks.log_clock import (
    BUS_U_S,
    NO_MATCH_FINE,
    USUAL_DRIFT,
    Cuts,
    Engine,
    EngineLogClock,
    LogFit,
    LogRun,
    PieceOffsets,
    find_cuts,
    find_piece_offsets,
    fit_by_marks,
    fit_by_rpm,
    pairs_of,
    to_log_fit,
)
from trialcapture.prepare.clocks.log_match import FineFit, Pair, refine_offset
from trialcapture.prepare.clocks.log_motion import fit_by_motion
from trialcapture.prepare.clocks.receiver_clocks import ClockRow
from trialcapture.prepare.data_health import Disagreement, Hole, Item, Rejection, Restart, utc_text

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_BLOCK_NS, _STEADY_RPM, _LEAST_BLOCKS = 10_000_000_000, 15.0, 20
"""Engines are compared by means of so long [ns], over which rpm spreads by less; so many are needed (our choice, no
source)."""
_MEASURABLE = 0.3
"""Share of the network's least count, and of 1 rpm, by which engines must differ to be told apart (our choice, no
source)."""
_OPPOSED, _CLEARLY = -0.5, 4.0
"""Correlation of what the log and the network show of the engines' difference, and how many standard errors it must lie
from nought, to call them exchanged (common practice, no source)."""
_ODD_OFFSET_S = 900.0
"""An offset beyond this is told, as the declared zone may be wrong [s] (our choice: zones differ by a
quarter of an hour at least)."""
_DAY_S = 86_400.0
_PAUSE_NS, _SET_BACK_NS = 6 * 3_600_000_000_000, 5_000_000_000
"""A pause, and a set-back, that part two runs of a log [ns] (our choice, no source)."""


def align_whole_log(
    name: str,
    spec: EngineLog,
    log: pa.Table,
    series: Mapping[str, pa.Table],
    config: Config,
    marks_ns: Sequence[int] = (),
    network_u_s: float = BUS_U_S,
) -> tuple[LogFit | None, ClockRow, list[str]]:
    """Align one engine log with UTC.

    ``auto`` matches rpm with rpm on the network; where there is none, it takes the surer of marks and of rpm
    against the boat's acceleration. A log that fits nothing, or fits twice, is left out and the reason told; it is not
    taken at its word.

    Args:
        name: File name.
        spec: The log's description, which may ask for one method.
        log: Decoded rows, or the downsampled index of them; its first row is the log's.
        series: Chosen network series by channel group.
        config: Engine ids.
        marks_ns: UTC of marks a person made [ns].
        network_u_s: Standard uncertainty of when network readings were true [s].

    Returns:
        How the log's clock relates to UTC, or None; the clock evidence; warnings.
    """
    if log.num_rows < 2:
        fit = LogFit(None, None, 0.0, 0.0, "none", "failed: the log has fewer than two rows")
        return None, _row(name, fit), [f"engine log {name}: {fit.quality}"]
    stamps = integers(log["t_log_ns"])[0]
    method = spec.clock.method
    fits: list[LogFit] = []
    matched = _longest_run(stamps)
    if method == "fixed":
        fits.append(
            LogFit(
                float(spec.clock.offset_s or 0.0),
                0.5,
                0.0,
                100.0,
                "fixed by the technician",
                "fair: as declared",
            )
        )
    if method in ("auto", "rpm"):
        pairs = _pairs(log, stamps, matched, series, config)
        if pairs:
            fits.append(fit_by_rpm(pairs, int(stamps[0]), network_u_s))
        elif method == "rpm":
            fits.append(
                LogFit(None, None, 0.0, 0.0, "rpm against rpm", "failed: no rpm of these engines on the network")
            )
    by_rpm = any(f.method == "rpm against rpm" for f in fits)
    ask_marks = method == "marks" or (method == "auto" and not _found(fits) and len(marks_ns) >= 3)
    ask_motion = method == "auto" and not by_rpm
    if ask_marks or ask_motion:
        t_ns, rpm = _mean_rpm(log, stamps, matched, config)
        if ask_marks and t_ns.size:
            fits.append(fit_by_marks(np.asarray(marks_ns, dtype=np.int64), t_ns, rpm))
        velocity = series["velocity"]
        if ask_motion and t_ns.size and velocity.num_rows:
            sog = floats(velocity["sog_kn"])
            known = np.isfinite(sog)
            sog_ns = integers(velocity["t_ns"])[0]
            fits.append(fit_by_motion(sog_ns[known], sog[known], floats(velocity["cog_true_deg"])[known], t_ns, rpm))
    if not fits:
        fits.append(LogFit(None, None, 0.0, 0.0, "none", "failed: no rpm in the log"))
    fit = min(_found(fits), key=lambda f: f.offset_u_s or 0.0, default=_all_failed(fits))
    warnings = [*_warnings(name, fit, stamps, series), *_quarrels(name, fit, fits)]
    return (None if fit.offset_s is None else fit), _row(name, fit), warnings


def _found(fits: Sequence[LogFit]) -> list[LogFit]:
    return [f for f in fits if f.offset_s is not None]


def _all_failed(fits: Sequence[LogFit]) -> LogFit:
    """Return the first fit with the reasons of all."""
    if len(fits) == 1:
        return fits[0]
    reasons = [f"{f.method}: {f.quality.removeprefix('failed: ')}" for f in fits]
    return replace(fits[0], method=", ".join(f.method for f in fits), quality="failed: " + "; ".join(reasons))


def _quarrels(name: str, fit: LogFit, fits: Sequence[LogFit]) -> list[str]:
    """Return words for two ways of aligning a log that contradict each other."""
    told = []
    for other in _found(fits):
        if other is fit or fit.offset_s is None or other.offset_s is None:
            continue
        apart_s = other.offset_s - fit.offset_s
        if abs(apart_s) > 3.0 * float(np.hypot(fit.offset_u_s or 0.0, other.offset_u_s or 0.0)):
            told.append(
                f"engine log {name}: {fit.method} gives {fit.offset_s:+.1f} s and {other.method} "
                f"{other.offset_s:+.1f} s; the former is used, check the marks"
            )
    return told


def _row(name: str, fit: LogFit) -> ClockRow:
    return ClockRow(
        f"engine log {name}",
        fit.offset_s,
        fit.offset_u_s,
        fit.drift_ppm,
        fit.drift_u_ppm,
        fit.method,
        fit.quality,
    )


def _pairs(log: pa.Table, stamps: Ints, matched: Bools, series: Mapping[str, pa.Table], config: Config) -> list[Pair]:
    """Return, per engine both sides saw, network UTC and rpm with log stamps and rpm, finite values only."""
    pairs: list[Pair] = []
    for engine_id in config.engine_ids:
        name, table = f"rpm_{engine_id}", series.get(f"rpm_{engine_id}")
        if name not in log.column_names or table is None or table.num_rows < 60:
            continue
        seen, logged = floats(table[name]), floats(log[name])
        a, b = np.isfinite(seen), np.isfinite(logged) & matched
        t_ns = integers(table["t_ns"])[0]
        rising = _rising(stamps[b])
        if a.sum() >= 60 and rising.sum() >= 60:
            pairs.append((t_ns[a], seen[a], stamps[b][rising], logged[b][rising]))
    return pairs


def engines_of(log: pa.Table, series: Mapping[str, pa.Table], config: Config) -> list[Engine]:
    """Return, per engine both sides saw, network UTC and rpm and what the log holds, one value a row."""
    engines: list[Engine] = []
    for engine_id in config.engine_ids:
        name, table = f"rpm_{engine_id}", series.get(f"rpm_{engine_id}")
        if name not in log.column_names or table is None or table.num_rows < 60:
            continue
        seen, logged = floats(table[name]), floats(log[name])
        known = np.isfinite(seen)
        if known.sum() >= 60 and np.isfinite(logged).sum() >= 60:
            engines.append((integers(table["t_ns"])[0][known], seen[known], logged))
    return engines


def find_exchanged(
    name: str, log: pa.Table, t_ns: Ints, series: Mapping[str, pa.Table], config: Config
) -> list[Disagreement]:
    """Return engines whose columns in a log follow another engine's rpm on the network clearly better than their own.

    Compared are means of ten seconds of steady running. The log's scale is left free, but neither engine may bend it
    its own way: it is that against the mean of both.

    Args:
        name: File name.
        log: Rows that have a place in time.
        t_ns: UTC of each [ns].
        series: Chosen network series by channel group.
        config: Engine ids.
    """
    order = np.argsort(t_ns, kind="stable")
    seen: dict[str, Floats] = {}
    logged: dict[str, Floats] = {}
    count_rpm: dict[str, float] = {}
    for engine_id in config.engine_ids:
        table = series.get(f"rpm_{engine_id}")
        if table is None or table.num_rows < 60:
            continue
        rpm, at = floats(table[f"rpm_{engine_id}"]), integers(table["t_ns"])[0]
        known = np.isfinite(rpm)
        if known.sum() >= 60:
            seen[engine_id] = _block_means(at[known], rpm[known], t_ns)
            count_rpm[engine_id] = _least_count(rpm[known])
            if f"rpm_{engine_id}" in log.column_names:
                logged[engine_id] = _block_means(t_ns[order], floats(log[f"rpm_{engine_id}"])[order], t_ns)
    found = []
    for own, other in combinations([e for e in config.engine_ids if e in seen], 2):
        both = [e for e in (own, other) if e in logged]
        size = float(np.sqrt(np.nanmean((seen[own] - seen[other]) ** 2))) if both else 0.0
        if size < _MEASURABLE * max(count_rpm[own], count_rpm[other], 1.0):
            continue
        across = {own: seen[other], other: seen[own]}
        if _is_crossed([(logged[e], seen[e], across[e]) for e in both]):
            rest = float(np.sqrt(np.nanmean(np.concatenate([(logged[e] - across[e]) ** 2 for e in both]))))
            what = " and ".join(f"rpm of {e}" for e in both) + f" in engine log {name}"
            against = "rpm of " + " and ".join(own if e == other else other for e in both) + " on the network"
            cost = f"fuel and engine data of {own} and {other} may be exchanged; their sums do not change"
            found.append(Disagreement(what, against, size, rest, "rpm", None, None, "warning", cost))
    return found


def _least_count(rpm: Floats) -> float:
    """Return the smallest step between readings."""
    step = np.diff(np.unique(np.round(rpm, 3)))
    return float(step.min()) if step.size else 0.0


def _block_means(t_ns: Ints, rpm: Floats, span_ns: Ints) -> Floats:
    """Return the mean rpm of each ten seconds of a span; NaN where rpm is unknown or changes."""
    first = int(span_ns.min())
    count = int((int(span_ns.max()) - first) // _BLOCK_NS) + 1
    block = (t_ns - first) // _BLOCK_NS
    usable = np.isfinite(rpm) & (block >= 0) & (block < count)
    block, rpm = block[usable], rpm[usable]
    number = np.bincount(block, minlength=count).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(block, rpm, count) / number
        spread = np.sqrt(np.maximum(np.bincount(block, (rpm - mean[block]) ** 2, count) / number, 0.0))
    steady: Floats = np.where((spread < _STEADY_RPM) & (mean > 300.0), mean, np.nan)
    return steady


def _is_crossed(sides: Sequence[tuple[Floats, Floats, Floats]]) -> bool:
    """Return True where a log's engines lie on the other side of the engines' mean than their own rpm does.

    Args:
        sides: Per engine of the log, what it shows, what the network shows of it, and of the other engine.
    """
    known = np.all([np.isfinite(part) for side in sides for part in side], axis=0)
    if known.sum() < _LEAST_BLOCKS:
        return False
    shown, own, other = (np.concatenate([side[k][known] for side in sides]) for k in range(3))
    middle = 0.5 * (own + other)
    away, expected = shown - float(np.median(shown / middle)) * middle, own - middle
    away, expected = (np.clip(v, -limit, limit) for v, limit in ((away, _wide(away)), (expected, _wide(expected))))
    r = float(away @ expected / (np.linalg.norm(away) * np.linalg.norm(expected) + 1e-9))
    # neighbouring blocks of one hold share what the engines do: three count as one
    t = r * (known.sum() / 3.0) ** 0.5 / (1.0 - min(r * r, 0.99)) ** 0.5
    return r < _OPPOSED and t < -_CLEARLY


def _wide(values: Floats) -> float:
    return 5.0 * 1.4826 * float(np.median(np.abs(values))) + 1e-9


def _longest_run(stamps: Ints) -> Bools:
    """Return True for the longest run of rows without a pause of six hours or a clock set back.

    A log that holds several days, or whose clock was set in between, is matched by the day it has most of.
    """
    step = np.diff(stamps)
    run = np.concatenate([[0], np.cumsum((step > _PAUSE_NS) | (step < -_SET_BACK_NS))])
    longest: Bools = run == np.bincount(run).argmax()
    return longest


def _rising(stamps: Ints) -> Bools:
    """Return True where a stamp is later than all before it: rows a clock repeated are not matched twice."""
    earlier = np.concatenate([[np.iinfo(np.int64).min], np.maximum.accumulate(stamps)[:-1]])
    rising: Bools = stamps > earlier
    return rising


def _mean_rpm(log: pa.Table, stamps: Ints, matched: Bools, config: Config) -> tuple[Ints, npt.NDArray[np.float64]]:
    """Return stamps [ns] and the mean rpm of the engines the log holds, where all of them are known.

    An engine the log knows for less than half the time of the one it knows best would cost the others their rows.
    """
    columns = [floats(log[f"rpm_{e}"]) for e in config.engine_ids if f"rpm_{e}" in log.column_names]
    known = [int((np.isfinite(c) & matched).sum()) for c in columns]
    columns = [c for c, n in zip(columns, known, strict=True) if n and n >= 0.5 * max(known)]
    if not columns:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    rpm = np.mean(columns, axis=0)
    usable = np.isfinite(rpm) & matched
    usable[usable] = _rising(stamps[usable])
    return stamps[usable], rpm[usable]


def _apart(stamps: Ints, series: Mapping[str, pa.Table]) -> str:
    """Return words for a log and a network recording whose stamps do not overlap, or an empty string."""
    velocity = series.get("velocity")
    if velocity is None or not velocity.num_rows:
        return ""
    t_ns = integers(velocity["t_ns"])[0]
    if stamps[-1] >= t_ns[0] and stamps[0] <= t_ns[-1]:
        return ""
    log, network = (f"{_minute(int(t[0]))} to {_minute(int(t[-1]))}" for t in (stamps, t_ns))
    return f" (its stamps run from {log} UTC as declared, the NMEA log from {network} UTC)"


def _minute(t_ns: int) -> str:
    return datetime.fromtimestamp(t_ns / 1e9, UTC).strftime("%Y-%m-%d %H:%M")


def _warnings(name: str, fit: LogFit, stamps: Ints, series: Mapping[str, pa.Table]) -> list[str]:
    if fit.offset_s is None:
        why = fit.quality.removeprefix("failed: ")
        return [f"engine log {name} is not used: {why}{_apart(stamps, series)}"]
    told = []
    offset_s = fit.offset_s
    if fit.quality.startswith("poor"):
        told.append(
            f"engine log {name} is tied to UTC to {fit.offset_u_s:.0f} s only ({fit.quality}); fuel is doubtful"
        )
    if abs(offset_s) > 0.9 * _DAY_S:
        day = datetime.fromtimestamp(int(stamps[0]) / 1e9, UTC).date()
        told.append(
            f"engine log {name} carries another date ({day}); its clock is {abs(offset_s) / _DAY_S:.1f} days off"
        )
    elif abs(offset_s) > _ODD_OFFSET_S:
        told.append(
            f"engine log {name}: its clock is {offset_s / 3600.0:+.2f} h off UTC as declared; is the zone right?"
        )
    velocity = series.get("velocity")
    if velocity is not None and velocity.num_rows:
        utc = fit.to_utc(stamps)
        t_ns = integers(velocity["t_ns"])[0]
        if utc[-1] < t_ns[0] or utc[0] > t_ns[-1]:
            told.append(f"engine log {name} and the NMEA log do not overlap in time")
    return told


# The evidence of an engine log's clock, piece by piece.


@dataclass(frozen=True, slots=True)
class AlignedLog:
    """What came of aligning one log.

    Attributes:
        clock: How its stamps relate to UTC; None where nothing aligns them.
        rows: The clock evidence: one row, or one a piece.
        warnings: Sentences for people.
        items: What is wrong with its clock, for the account of data health.
    """

    clock: EngineLogClock | None
    rows: list[ClockRow]
    warnings: list[str]
    items: list[Item]


@dataclass(frozen=True, slots=True)
class LogPiece:
    """Rows between two steps of the clock.

    Attributes:
        rows: Their indices in the downsampled index: first, and one past the last.
        fit: How the clock relates to UTC there, or None.
        why: Why it is not aligned.
        is_step: Whether the clock was set before it.
        method: How it was tried, where it is not aligned.
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


def assign_utc_to_rows(rows: pa.Table, clock: EngineLogClock) -> tuple[pa.Table, Ints]:
    """Return the rows of a log that have a place in time, and the UTC [ns] of each.

    Args:
        rows: Decoded rows, or the downsampled index of them.
        clock: From `align_engine_log`.
    """
    t_ns, known = clock.to_utc(integers(rows["t_log_ns"])[0], integers(rows["row"])[0])
    return (rows, t_ns) if known.all() else (rows.filter(to_arrow(known)), t_ns[known])


def late_items(name: str, cuts: Cuts | None) -> list[Item]:
    """Return the account of rows that were out of order."""
    if cuts is None or not cuts.late.any():
        return []
    return [Rejection(f"engine log {name}", "", "out of order", int(cuts.late.sum()), "none: put in order")]


def without_wild(name: str, tied: AlignedLog, wild: Ints) -> AlignedLog:
    """Return a tied log in which some rows, whose stamps are far off, have no place in time."""
    item = Rejection(f"engine log {name}", "", "stamp far off its neighbours'", int(wild.size), "left out")
    clock = tied.clock
    if clock is not None:
        runs: list[LogRun] = []
        for run in clock.runs:
            inside = np.sort(wild[(wild > run.rows[0]) & (wild < run.rows[1])])
            edges = [run.rows[0], *(e for w in inside.tolist() for e in (w - 1, w + 1)), run.rows[1]]
            runs += [replace(run, rows=(a, b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if a <= b]
        clock = EngineLogClock(tuple(runs))
    return replace(tied, clock=clock, items=[*tied.items, item])


def run_of(log: pa.Table, piece: LogPiece, fit: LogFit) -> LogRun:
    """Return the run of a log's downsampled index that one piece is."""
    row = integers(log["row"])[0]
    low, high = sorted((int(row[piece.rows[0]]), int(row[piece.rows[1] - 1])))
    return LogRun((low, high), origin_ns(integers(log["t_log_ns"])[0], piece), fit)


def result_in_pieces(name: str, log: pa.Table, pieces: list[LogPiece], cuts: Cuts) -> AlignedLog:
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
    return AlignedLog(EngineLogClock(tuple(runs)), rows, [], [*items, *late_items(name, cuts)])


def origin_ns(stamps: Ints, piece: LogPiece) -> int:
    """Return the stamp of a piece's first row [ns]; its offset holds there."""
    return int(stamps[piece.rows[0]])


def _span(stamps: Ints, pieces: list[LogPiece], k: int) -> tuple[int, int]:
    """Return between what UTC [ns] the rows of a piece lie; for one that is not aligned, between its neighbours."""
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


def _tied_span(stamps: Ints, piece: LogPiece) -> tuple[int, int] | None:
    if piece.fit is None:
        return None
    utc = piece.fit.to_utc(stamps[slice(*piece.rows)], origin_ns(stamps, piece))
    return int(utc.min()), int(utc.max())


def _restart(
    name: str, stamps: Ints, before: LogPiece, after: LogPiece, span_before: tuple[int, int], span: tuple[int, int]
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
