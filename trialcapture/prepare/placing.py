"""Giving every sentence its place on UTC, whatever stamps the log carries.

Three receipt axes, best first: the monotonic receipt clock of a journal, a wall clock finer than a second, and,
for a plain log, the order of the lines between the sentences that carry a time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.prepare.receipt import find_epochs, receipt_axis
from trialcapture.prepare.sentence_times import TIMED, integers, main_receiver, receivers, sentence_times
from trialcapture.prepare.utc import ClockFit, fit_early_edge

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

GNSS_LATENCY_S, GNSS_LATENCY_U_S = 0.10, 0.08
"""Delay of a receiver's promptest sentence behind its own time, and its standard uncertainty [s], where the source
declares none (common practice, no source)."""
_EARLY_NS, _LATE_NS = -1_000_000_000, 15_000_000_000


@dataclass(frozen=True, slots=True)
class ClockRow:
    """One line of clock evidence: how a source's stamps relate to UTC.

    Attributes:
        source: Source and talker, or engine-log file.
        offset_s: Source stamp minus UTC for receipt clocks, UTC minus log time for engine logs [s].
        offset_u_s: Standard uncertainty [s].
        drift_ppm: Rate error [1e-6].
        drift_u_ppm: Standard uncertainty [1e-6].
        method: How it was found.
        quality: ``good``, ``fair``, ``poor`` or ``failed``, then the reason.
    """

    source: str
    offset_s: float | None
    offset_u_s: float | None
    drift_ppm: float | None
    drift_u_ppm: float | None
    method: str
    quality: str


def place_sentences(
    sentences: Mapping[str, pa.Table], latency_s: Mapping[str, float], shared: ClockFit | None = None
) -> tuple[dict[str, pa.Table], list[ClockRow], list[str], ClockFit | None]:
    """Give every sentence of one raw file its UTC.

    Args:
        sentences: Tables by formatter as decoded from one file, lines ascending in each.
        latency_s: Declared delay of a source's sentences behind the measurement [s]; absent means 0.
        shared: How the session's monotonic clock was tied to UTC by another file; used where this file is stamped
            by that clock and carries no time of its own.

    Returns:
        The tables with a column ``t_ns`` (int64 UTC, null where a sentence's own time is not believable or
        nothing in the file tells time); clock evidence; warnings as sentences for people; and the fit of the
        monotonic clock where there is one.
    """
    present = {name: table for name, table in sentences.items() if table.num_rows}
    if not present:
        return {}, [], [], shared
    warnings: list[str] = []
    times = sentence_times(present, warnings)
    receiver = main_receiver(present, times)
    axis, breaks, kind = receipt_axis(present, times, receiver)
    rows: list[ClockRow] = []
    fit: ClockFit | None = None
    if kind != "order" and receiver is not None:
        fit = _fit_receivers(present, times, axis, breaks, receiver, kind, latency_s, rows, warnings)
    elif kind == "order":
        rows.append(_order_row(receiver, times, present))
    if fit is None and kind == "mono":
        fit = shared
    if fit is None and kind != "wall" and receiver is None:
        warnings.append("no sentence in this log carries a time, so it cannot be placed on UTC")
    if fit is None and kind == "wall" and receiver is None:
        warnings.append("no GNSS time in this log: the recording computer's clock is used as it stands")
        rows.append(ClockRow("computer clock", 0.0, 60.0, None, None, "wall clock", "poor: no GNSS time"))
    # the early edge stands behind UTC by the delay of the receiver's promptest sentence
    edge_s = _edge_latency_s(receiver, latency_s)
    placed = {}
    for name, table in present.items():
        receipt = axis[name]
        base = receipt if fit is None else fit.to_utc(receipt)
        known = np.full(base.size, fit is not None or (kind == "wall") or (kind == "order" and receiver is not None))
        t_ns = base + round(edge_s * 1e9) - _latency_ns(table, latency_s)
        if name in times:
            own, believed = _own_times(name, times, base, receipt, fit)
            t_ns = np.where(believed, own, t_ns)
            known &= believed
        placed[name] = table.append_column("t_ns", pa.array(t_ns, pa.int64(), mask=~known))
    if "VTG" in placed:
        placed["VTG"] = _time_of_neighbour(placed, axis)
    return placed, rows, warnings, fit if kind == "mono" else shared


def _edge_latency_s(receiver: str | None, latency_s: Mapping[str, float]) -> float:
    """Return the delay of the main receiver's promptest sentence [s]: as declared, else what is usual."""
    if receiver is None:
        return 0.0
    return latency_s.get(receiver.split("/", maxsplit=1)[0]) or GNSS_LATENCY_S


def _fit_receivers(
    tables: Mapping[str, pa.Table],
    times: Mapping[str, tuple[Ints, Bools]],
    axis: Mapping[str, Ints],
    breaks: Ints,
    receiver: str,
    kind: str,
    latency_s: Mapping[str, float],
    rows: list[ClockRow],
    warnings: list[str],
) -> ClockFit | None:
    """Fit the receipt clock on every receiver, keep the main one's fit, and write down the evidence of all."""
    gathered: dict[str, list[tuple[Ints, Ints, Ints]]] = {}
    has_wall = kind == "mono" and all(bool(integers(tables[n], "wall_ms")[1].all()) for n in times)
    for name, (own, known) in times.items():
        keys = receivers(tables[name])
        wall = integers(tables[name], "wall_ms")[0] * 1_000_000
        for key in np.unique(keys[known]):
            mine = known & (keys == key)
            gathered.setdefault(str(key), []).append((axis[name][mine], own[mine], wall[mine]))
    main: ClockFit | None = None
    for key in sorted(gathered, key=lambda k: (k != receiver, k)):
        receipt, utc, wall = (np.concatenate(part) for part in zip(*gathered[key], strict=True))
        order = np.argsort(receipt, kind="stable")
        fit = fit_early_edge(receipt[order], utc[order], wall[order] if has_wall else None, breaks)
        if fit is None:
            rows.append(ClockRow(key, None, None, None, None, f"early edge, {kind} clock", "failed: too few times"))
            continue
        if key == receiver:
            main = fit
            warnings.extend(_fit_warnings(fit, kind))
        quality = "good" if fit.points > 100 and fit.offset_u_s < 0.1 else "fair: few or late sentences"
        if fit.drift_u > 50e-6:
            quality = "fair: too short to see drift" if quality == "good" else quality
        # people know the computer by its wall clock, so that is what the evidence compares with UTC
        shown_ns = fit.offsets_ns[-1] + (int(np.median((wall - receipt)[order][-100:])) if has_wall else 0)
        rows.append(
            ClockRow(
                key,
                shown_ns / 1e9 - latency_s.get(key.split("/", maxsplit=1)[0], GNSS_LATENCY_S),
                float(np.hypot(fit.offset_u_s, GNSS_LATENCY_U_S)),
                fit.drift * 1e6,
                fit.drift_u * 1e6,
                f"early edge, {kind} clock, {len(fit.starts_ns)} level" + ("s" if len(fit.starts_ns) > 1 else ""),
                quality,
            )
        )
    return main


def _fit_warnings(fit: ClockFit, kind: str) -> list[str]:
    found = [f"the receiver's UTC was {r:+.0f} s off at first and was put right" for r in fit.repaired_s if r]
    steps = len(fit.starts_ns) - 1 - len(found)
    if steps > 0:
        clock = "computer's clock was stepped" if kind == "wall" else "computer slept or its clock was interrupted"
        found.append(f"the recording {clock} {steps} time{'s' if steps > 1 else ''}; times are taken from GNSS")
    return found


def _order_row(
    receiver: str | None, times: Mapping[str, tuple[Ints, Bools]], tables: Mapping[str, pa.Table]
) -> ClockRow:
    if receiver is None:
        return ClockRow("log", None, None, None, None, "none", "failed: no sentence carries a time")
    _, utc = find_epochs(tables, times, receiver)
    usual_s = float(np.median(np.diff(utc))) / 1e9 if utc.size > 1 else 1.0
    return ClockRow(
        receiver,
        0.0,
        usual_s / 12**0.5,
        None,
        None,
        "order of lines between timed sentences",
        "fair: no receipt stamps",
    )


def _latency_ns(table: pa.Table, latency_s: Mapping[str, float]) -> Ints:
    """Return the declared latency of each row's source [ns]."""
    if not any(latency_s.values()):
        return np.zeros(table.num_rows, dtype=np.int64)
    source = table["source"].cast(pa.string()).to_pylist()
    return np.array([round(latency_s.get(s, 0.0) * 1e9) for s in source], dtype=np.int64)


def _own_times(
    name: str, times: Mapping[str, tuple[Ints, Bools]], base: Ints, receipt: Ints, fit: ClockFit | None
) -> tuple[Ints, Bools]:
    """Return a formatter's own times, receiver errors taken out, and where they can be believed."""
    own, known = times[name]
    if fit is not None and any(fit.repaired_s):
        repair = np.rint(np.asarray(fit.repaired_s) * 1e9).astype(np.int64)
        own = own + repair[fit.level(receipt)]
    late = base - own
    if fit is None:
        return own, known & (np.abs(late) < _LATE_NS)
    return own, known & (late > _EARLY_NS) & (late < _LATE_NS)


def _time_of_neighbour(placed: Mapping[str, pa.Table], axis: Mapping[str, Ints]) -> pa.Table:
    """Return VTG with the time of the timed sentence of the same receiver that arrived nearest to it."""
    table = placed["VTG"]
    keys = receivers(table)
    t_ns, known = integers(table, "t_ns")
    result, sure = t_ns.copy(), known.copy()
    for key in np.unique(keys):
        receipt, utc = [], []
        for name in TIMED:
            if name in placed:
                own, ok = integers(placed[name], "t_ns")
                mine = ok & (receivers(placed[name]) == key)
                receipt.append(axis[name][mine])
                utc.append(own[mine])
        if not receipt or not sum(r.size for r in receipt):
            continue
        x, u = np.concatenate(receipt), np.concatenate(utc)
        order = np.argsort(x, kind="stable")
        x, u = x[order], u[order]
        mine = np.flatnonzero(keys == key)
        at = axis["VTG"][mine]
        right = np.clip(np.searchsorted(x, at), 0, x.size - 1)
        left = np.maximum(right - 1, 0)
        nearest = np.where(np.abs(x[left] - at) <= np.abs(x[right] - at), left, right)
        close = np.abs(x[nearest] - at) < 1_000_000_000
        result[mine[close]] = u[nearest[close]]
        sure[mine[close]] = True
    column = pa.array(result, pa.int64(), mask=~sure)
    return table.set_column(table.schema.get_field_index("t_ns"), "t_ns", column)
