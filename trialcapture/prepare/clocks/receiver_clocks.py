"""How receive clocks relate to UTC, receiver by receiver, and the evidence people are shown of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats, truths
from trialcapture.config.inputs import declared_source
from trialcapture.prepare.clocks.downsampled_index import AXIS, DownsampledIndex
from trialcapture.prepare.clocks.line_order import Epochs, TimesByOrder, assign_utc_by_order
from trialcapture.prepare.clocks.lower_envelope import ClockFit, find_slips, find_too_early, fit_lower_envelope
from trialcapture.prepare.clocks.receiver_steps import (
    BEFORE_ALL,
    EPOCH_S,
    LONGEST_DELAY_S,
    RecordingContext,
    TimeCorrection,
    TimedSentences,
    choose_level,
    computer_steps,
    corrected_epochs,
    corrected_time,
    deciding_rows,
    describe_steps,
    epochs_behind_ns,
    find_time_correction,
    whole_ns,
)
from trialcapture.prepare.clocks.sentence_times import integer_column, receiver_codes
from trialcapture.prepare.data_health import Disagreement, Hole, Item

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

GNSS_LATENCY_S, GNSS_LATENCY_U_S = 0.10, 0.12
"""Delay of a receiver's promptest sentence behind its own time, and its standard uncertainty [s], where the source
declares none: delays only add, so nothing received shows the least of them; receivers take 0.05 to 0.35 s (common
practice, no source)."""
_DECLARED_LATENCY_U_S, _DECLARED_LATENCY_U_SHARE = 0.02, 0.2
"""Standard uncertainty of a delay that is declared: the larger of these [s, share of it] (common practice, no
source)."""
_AHEAD_S = 1.0
"""A receiver further ahead of the main one than this is wrong [s]: delays only add (our choice, no source)."""
_MOST_DRIFT = 300e-6
"""No computer's clock is as far off as this by itself; ordinary ones are within 100e-6 (common practice, no source)."""
_EPOCH_ROOM_S = 1.5 * 86_400.0
"""How far from whole 1024-week epochs a date off by them may be [s]: a computer's date may be a day wrong (our
choice)."""


@dataclass(frozen=True, slots=True)
class ClockRow:
    """One line of clock evidence: how a source's stamps relate to UTC.

    Attributes:
        source: Source and talker, or engine-log file.
        offset_s: Source stamp minus UTC for receive clocks, UTC minus log time for engine logs [s].
        offset_u_s: Standard uncertainty [s].
        drift_ppm: Rate error [1e-6].
        drift_u_ppm: Standard uncertainty [1e-6].
        method: How it was found.
        quality: ``good``, ``fair``, ``poor`` or ``failed``, then the reason.
        from_ns: Of a log in pieces, the UTC at which this piece begins [ns], and
        to_ns: at which it ends; None where the row holds for all of the source.
    """

    source: str
    offset_s: float | None
    offset_u_s: float | None
    drift_ppm: float | None
    drift_u_ppm: float | None
    method: str
    quality: str
    from_ns: int | None = None
    to_ns: int | None = None


def envelope_latency_s(receiver: str | None, latency_s: Mapping[str, float]) -> float:
    """Return the delay of the main receiver's promptest sentence [s]: as declared, else what is usual."""
    if receiver is None:
        return 0.0
    return declared_latency_s(receiver, latency_s) or GNSS_LATENCY_S


def envelope_latency_u_s(receiver: str, latency_s: Mapping[str, float]) -> float:
    """Return the standard uncertainty of `envelope_latency_s` [s]."""
    declared_s = declared_latency_s(receiver, latency_s)
    if declared_s == 0.0:
        return GNSS_LATENCY_U_S
    return max(_DECLARED_LATENCY_U_S, _DECLARED_LATENCY_U_SHARE * declared_s)


def declared_latency_s(key: str, latency_s: Mapping[str, float]) -> float:
    """Return the declared latency of a ``source/talker`` [s], 0 where none is declared."""
    return latency_s.get(declared_source(key.split("/", maxsplit=1)[0], latency_s), 0.0)


@dataclass(frozen=True, slots=True)
class FittedReceivers:
    """How the receive clock of a log stands to UTC by its receivers.

    Attributes:
        fit: By the main receiver, or None where it told too few times.
        own: What to add to each receiver's own time, by ``source/talker``; plain ones are left out.
        rows: The evidence of all.
        items: What was found wrong with their times and the computer's.
    """

    fit: ClockFit | None
    own: Mapping[str, TimeCorrection]
    rows: list[ClockRow]
    items: list[Item]


def fit_receivers(
    log_index: DownsampledIndex,
    times: Mapping[str, tuple[Ints, Bools]],
    clock: str,
    receiver: str,
    latency_s: Mapping[str, float],
) -> FittedReceivers:
    """Fit the receive clock on every receiver, steps of their own times taken out, and keep the main one's fit.

    Args:
        log_index: Of the whole log.
        times: UTC [ns] of the downsampled index's timed sentences and where known, by formatter.
        clock: Receive clock, ``mono`` or ``wall``.
        receiver: ``source/talker`` of the one whose fit is wanted.
        latency_s: Declared delay of each source [s].
    """
    tables, breaks = log_index.tables, log_index.breaks_ns[clock]
    has_wall = clock == "mono" and all(bool(integer_column(tables[n], "wall_ms")[1].all()) for n in times)
    axes = {name: integer_column(table, AXIS[clock])[0] for name, table in tables.items()}
    timed = gather_timed_sentences(tables, _even(tables, times, axes), axes, with_wall=has_wall or clock == "wall")
    around = RecordingContext(clock, breaks, np.sort(np.concatenate(list(axes.values()))))
    fits: dict[str, ClockFit] = {}
    own: dict[str, TimeCorrection] = {}
    rows: list[ClockRow] = []
    for key, sentences in timed.items():
        followed = find_time_correction(sentences, around)
        utc = sentences.utc_ns if followed.is_plain else sentences.utc_ns + followed.added(sentences.axis_ns)
        used = ~find_too_early(sentences.axis_ns - utc)
        used &= True if followed.is_plain else deciding_rows(sentences, followed)
        steady = sentences.wall_ns[used] if has_wall and sentences.wall_ns is not None else None
        fit = fit_lower_envelope(sentences.axis_ns[used], utc[used], steady, breaks)
        if fit is None:
            rows.append(ClockRow(key, None, None, None, None, f"early edge, {clock} clock", "failed: too few times"))
            own[key] = followed
            continue
        fits[key] = fit
        own[key] = followed.joined(fit.starts_ns, [round(r * 1e9) for r in fit.repaired_s or (0.0,)])
    items: list[Item] = []
    main = fits.get(receiver)
    if main is not None:
        steady_others = [k for k in fits if k != receiver and own[k].is_plain]
        at = timed[receiver].axis_ns[-1:]
        ahead_s = [(k, float(fits[k].to_utc(at)[0] - main.to_utc(at)[0]) / 1e9) for k in steady_others]
        level, why = choose_level(timed[receiver], own[receiver], ahead_s)
        off_ns = _epochs_off_ns(timed[receiver], own[receiver], level)
        off_ns = off_ns or epochs_behind_ns(own[receiver], level, ahead_s)
        if off_ns:
            items.append(corrected_epochs(f"date of {receiver}", off_ns / 86_400e9))
        by_ns = off_ns - own[receiver].added_ns[level]
        own[receiver], fits[receiver] = _shifted(own[receiver], main, by_ns)
        main = fits[receiver]
        items += describe_steps(receiver, timed[receiver], own[receiver], main, why)
        items += computer_steps(clock, timed[receiver], own[receiver], main, breaks)
        for key in sorted(own.keys() - {receiver}):
            if key in fits:
                own[key], fits[key], found = _against_main(key, timed[key], own[key], fits[key], receiver, main)
                items += found
    for key in sorted(fits, key=lambda k: (k != receiver, k)):
        fit, sentences = fits[key], timed[key]
        if abs(fit.drift) > _MOST_DRIFT + 3.0 * fit.drift_u:
            items.append(
                Disagreement(
                    f"rate of the time of {key}", "clock of the recording computer", -fit.drift * 1e6,
                    fit.drift_u * 1e6, "1e-6", None, None, "warning",
                    f"times follow the receiver; they run apart by {abs(fit.drift) * 3600:.1f} s in an hour",
                )
            )  # fmt: skip
        quality = "good" if fit.points > 100 and fit.offset_u_s < 0.1 else "fair: few or late sentences"
        if fit.drift_u > 50e-6:
            quality = "fair: too short to see drift" if quality == "good" else quality
        # people know the computer by its wall clock, so that is what the evidence compares with UTC
        behind_ns = sentences.wall_ns - sentences.axis_ns if has_wall and sentences.wall_ns is not None else None
        shown_ns = fit.offsets_ns[-1] + (0 if behind_ns is None else int(np.median(behind_ns[-100:])))
        rows.append(
            ClockRow(
                key,
                shown_ns / 1e9 - envelope_latency_s(key, latency_s),
                float(np.hypot(fit.offset_u_s, envelope_latency_u_s(key, latency_s))),
                fit.drift * 1e6,
                fit.drift_u * 1e6,
                f"early edge, {clock} clock, {len(fit.starts_ns)} level" + ("s" if len(fit.starts_ns) > 1 else ""),
                quality,
            )
        )
    rows.sort(key=lambda r: (r.source != receiver, r.source))
    return FittedReceivers(main, {k: o for k, o in own.items() if not o.is_plain}, rows, items)


def _even(
    tables: Mapping[str, pa.Table], times: Mapping[str, tuple[Ints, Bools]], axes: Mapping[str, Ints]
) -> dict[str, tuple[Ints, Bools]]:
    """Return the times told, those corrected that are whole seconds off now and then; see `find_slips`."""
    even = {}
    for name, (own, known) in times.items():
        codes, _ = receiver_codes(tables[name])
        right = own.copy()
        for code in np.unique(codes[known]):
            mine = np.flatnonzero(known & (codes == code))
            right[mine] += find_slips(axes[name][mine], own[mine])
        even[name] = (right, known)
    return even


def follow_by_order(
    log_index: DownsampledIndex, times: Mapping[str, tuple[Ints, Bools]], receiver: str, by_order: TimesByOrder
) -> FittedReceivers:
    """Follow the other receivers of a log without stamps against the main one's times, and tell what was wrong.

    Args:
        log_index: Of the whole log.
        times: UTC [ns] of the downsampled index's timed sentences and where known, by formatter.
        receiver: ``source/talker`` of the main one.
        by_order: Its times.
    """
    items: list[Item] = []
    own = {receiver: by_order.own}
    if by_order.epochs is None:
        return FittedReceivers(None, own, [], items)
    timed = by_order.timed
    assigned_ns = timed.utc_ns + by_order.own.added(timed.axis_ns)
    items += describe_steps(
        receiver, replace(timed, axis_ns=assigned_ns), _by_time(by_order.own, timed), None, by_order.why
    )
    for i in by_order.pauses:
        items.append(
            Hole(
                int(assigned_ns[i - 1]), int(assigned_ns[i]), "the whole log",
                "no line between, by the receiver's times; the log has no receipt stamps to tell otherwise",
                f"{(assigned_ns[i] - assigned_ns[i - 1]) / 1e9:.0f} s are not recorded",
            )
        )  # fmt: skip
    axes = {name: assign_utc_by_order(table, by_order.epochs) for name, table in log_index.tables.items()}
    lines = {name: integer_column(table, "line")[0] for name, table in log_index.tables.items()}
    around = RecordingContext("order", np.zeros(0, dtype=np.int64), np.sort(np.concatenate(list(axes.values()))))
    others = gather_timed_sentences(log_index.tables, times, axes, with_wall=False)
    by_line = gather_timed_sentences(log_index.tables, times, lines, with_wall=False)
    for key in sorted(others.keys() - {receiver}):
        followed = find_time_correction(others[key], around)
        behind_s = [
            float(np.median((others[key].axis_ns - others[key].utc_ns)[followed.level(others[key].axis_ns) == k])) / 1e9
            for k in range(len(followed.added_ns))
        ]
        level = int(np.argmin(np.abs(behind_s)))
        followed = followed.moved(-followed.added_ns[level])
        items += describe_steps(key, others[key], followed, None, f"that agrees with {receiver}")
        if abs(behind_s[level]) > LONGEST_DELAY_S:
            by_ns = round(behind_s[level]) * 1_000_000_000  # lines in order tell no better
            followed = followed.moved(by_ns)
            items.append(corrected_time(key, receiver, by_ns, 0.5))
        at = np.searchsorted(others[key].axis_ns, followed.starts_ns[1:])
        starts = [int(by_line[key].axis_ns[min(i, by_line[key].axis_ns.size - 1)]) for i in at]
        own[key] = TimeCorrection((BEFORE_ALL, *starts), followed.added_ns)
    return FittedReceivers(None, {k: o for k, o in own.items() if not o.is_plain}, [], items)


def _by_time(own: TimeCorrection, timed: TimedSentences) -> TimeCorrection:
    """Return levels that begin at lines as levels that begin at the time placed there."""
    at = np.searchsorted(timed.axis_ns, own.starts_ns[1:])
    assigned = timed.utc_ns[at] + own.added(timed.axis_ns[at])
    return TimeCorrection((BEFORE_ALL, *(int(t) for t in assigned)), own.added_ns)


def gather_timed_sentences(
    tables: Mapping[str, pa.Table],
    times: Mapping[str, tuple[Ints, Bools]],
    axes: Mapping[str, Ints],
    *,
    with_wall: bool,
) -> dict[str, TimedSentences]:
    """Return the timed sentences of each receiver of a downsampled index.

    Args:
        tables: Of the downsampled index, by formatter.
        times: UTC [ns] of its timed sentences and where known, by formatter.
        axes: Place of each row on the receive-time axis [ns], by formatter.
        with_wall: Whether every row carries the wall clock.
    """
    gathered: dict[str, list[tuple[npt.NDArray[Any], ...]]] = {}
    judging: set[str] = set()
    for name, (own, known) in times.items():
        table = tables[name]
        codes, names = receiver_codes(table)
        wall = integer_column(table, "wall_ms")[0] * 1_000_000
        judges = "valid" in table.column_names
        fixed = truths(table["valid"]) if judges else np.zeros(own.size, dtype=np.bool_)
        lat, lon = (
            np.where(fixed, floats(table[c]), np.nan) if c in table.column_names else np.full(own.size, np.nan)
            for c in ("lat_deg", "lon_deg")
        )
        for code in np.unique(codes[known]):
            mine = known & (codes == code)
            judging |= {names[code]} if judges else set()
            gathered.setdefault(names[code], []).append(
                (axes[name][mine], own[mine], wall[mine], fixed[mine], lat[mine], lon[mine])
            )
    timed = {}
    for key, parts in gathered.items():
        axis, utc, wall, fixed, lat, lon = (np.concatenate(part) for part in zip(*parts, strict=True))
        order = np.argsort(axis, kind="stable")
        stamps = wall[order] if with_wall else None
        timed[key] = TimedSentences(
            axis[order], utc[order], stamps, fixed[order], lat[order], lon[order], key in judging
        )
    return timed


def _shifted(own: TimeCorrection, fit: ClockFit, by_ns: int) -> tuple[TimeCorrection, ClockFit]:
    """Return a receiver's times and its fit with UTC so much later [ns]."""
    return own.moved(by_ns), replace(fit, offsets_ns=tuple(o - by_ns for o in fit.offsets_ns))


def _epochs_off_ns(timed: TimedSentences, own: TimeCorrection, level: int) -> int:
    """Return whole epochs of 1024 weeks by which the level taken for UTC lies before the computer's clock [ns]."""
    if timed.wall_ns is None:
        return 0
    mine = own.level(timed.axis_ns) == level
    away_s = float(np.median((timed.wall_ns - timed.utc_ns)[mine])) / 1e9
    epochs = round(away_s / EPOCH_S)
    return round(epochs * EPOCH_S) * 1_000_000_000 if abs(away_s - epochs * EPOCH_S) < _EPOCH_ROOM_S else 0


def _against_main(
    key: str, timed: TimedSentences, own: TimeCorrection, fit: ClockFit, receiver: str, main: ClockFit
) -> tuple[TimeCorrection, ClockFit, list[Item]]:
    """Put another receiver's levels on the main receiver's UTC, and say what was wrong with them."""
    at = timed.axis_ns[-1:]
    behind_s = float(main.to_utc(at)[0] - fit.to_utc(at)[0]) / 1e9 + np.array(own.added_ns) / 1e9
    level = int(np.argmin(np.where(behind_s > -_AHEAD_S, np.abs(behind_s), 1e6 + np.abs(behind_s))))
    own, fit = _shifted(own, fit, -own.added_ns[level])
    off_s = float(behind_s[level])
    items: list[Item] = []
    if not -_AHEAD_S < off_s < LONGEST_DELAY_S:
        by_ns = whole_ns(round(off_s * 1e9))
        own, fit = _shifted(own, fit, by_ns)
        items.append(corrected_time(key, receiver, by_ns, float(np.hypot(fit.offset_u_s, main.offset_u_s))))
    return own, fit, [*describe_steps(key, timed, own, main, f"that agrees with {receiver}"), *items]


def two_devices(log_index: DownsampledIndex) -> list[Item]:
    """Return an item for each name under which two devices send."""
    found: dict[str, float] = {}
    for (key, _), crossed in sorted(log_index.crossed.items()):
        if crossed.is_two:
            found.setdefault(key, max(apart for apart, _ in crossed.apart_m))
    return [
        Disagreement(
            f"position of {key}", "position of a second device under this name", apart_m, 0.5 * apart_m, "m", None,
            None,
            "warning", "the readings of both are mixed; give each a source or a talker of its own",
        )
        for key, apart_m in found.items()
    ]  # fmt: skip


def order_row(receiver: str | None, epochs: Epochs | None) -> ClockRow:
    """Return the evidence of a log whose lines are placed by their order."""
    if receiver is None or epochs is None:
        return ClockRow("log", None, None, None, None, "none", "failed: no sentence carries a time")
    return ClockRow(
        receiver,
        0.0,
        epochs.usual_ns / 1e9 / 12**0.5,
        None,
        None,
        "order of lines between timed sentences",
        "fair: no receipt stamps",
    )
