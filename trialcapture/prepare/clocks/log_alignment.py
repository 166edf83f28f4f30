"""Alignment of a whole engine log with UTC: the choice between the methods, warnings and clock evidence.

Also found here: engines whose columns in the log are exchanged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats, integers, to_arrow
from trialcapture.config import Config, EngineLog
from trialcapture.prepare.clocks.log_clock import BUS_U_S, EngineLogClock, LogFit, LogRun, fit_by_marks, fit_by_rpm
from trialcapture.prepare.clocks.log_match import Pair
from trialcapture.prepare.clocks.log_motion import fit_by_motion
from trialcapture.prepare.clocks.log_pieces import Cuts, Engine
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
