"""How receipt clocks relate to UTC, receiver by receiver, and the evidence people are shown of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.config.source_ids import declared_source
from trialcapture.prepare.order import Epochs
from trialcapture.prepare.outline import AXIS, Outline
from trialcapture.prepare.sentence_times import integers, receiver_codes
from trialcapture.prepare.utc import ClockFit, fit_early_edge

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

GNSS_LATENCY_S, GNSS_LATENCY_U_S = 0.10, 0.08
"""Delay of a receiver's promptest sentence behind its own time, and its standard uncertainty [s], where the source
declares none (common practice, no source)."""


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


def edge_latency_s(receiver: str | None, latency_s: Mapping[str, float]) -> float:
    """Return the delay of the main receiver's promptest sentence [s]: as declared, else what is usual."""
    if receiver is None:
        return 0.0
    return declared_latency_s(receiver, latency_s) or GNSS_LATENCY_S


def declared_latency_s(key: str, latency_s: Mapping[str, float]) -> float:
    """Return the declared latency of a ``source/talker`` [s], 0 where none is declared."""
    return latency_s.get(declared_source(key.split("/", maxsplit=1)[0], latency_s), 0.0)


def fit_receivers(
    outline: Outline,
    times: Mapping[str, tuple[Ints, Bools]],
    clock: str,
    receiver: str,
    latency_s: Mapping[str, float],
    rows: list[ClockRow],
    warnings: list[str],
) -> ClockFit | None:
    """Fit the receipt clock on every receiver, keep the main one's fit, and write down the evidence of all.

    Args:
        outline: Of the whole log.
        times: UTC [ns] of the outline's timed sentences and where known, by formatter.
        clock: Receipt clock, ``mono`` or ``wall``.
        receiver: ``source/talker`` of the one whose fit is wanted.
        latency_s: Declared delay of each source [s].
        rows: Takes the evidence.
        warnings: Takes sentences for people.
    """
    gathered: dict[str, list[tuple[Ints, Ints, Ints]]] = {}
    tables, breaks = outline.tables, outline.breaks_ns[clock]
    has_wall = clock == "mono" and all(bool(integers(tables[n], "wall_ms")[1].all()) for n in times)
    for name, (own, known) in times.items():
        codes, names = receiver_codes(tables[name])
        axis = integers(tables[name], AXIS[clock])[0]
        wall = integers(tables[name], "wall_ms")[0] * 1_000_000
        for code in np.unique(codes[known]):
            mine = known & (codes == code)
            gathered.setdefault(names[code], []).append((axis[mine], own[mine], wall[mine]))
    main: ClockFit | None = None
    for key in sorted(gathered, key=lambda k: (k != receiver, k)):
        receipt, utc, wall = (np.concatenate(part) for part in zip(*gathered[key], strict=True))
        order = np.argsort(receipt, kind="stable")
        fit = fit_early_edge(receipt[order], utc[order], wall[order] if has_wall else None, breaks)
        if fit is None:
            rows.append(ClockRow(key, None, None, None, None, f"early edge, {clock} clock", "failed: too few times"))
            continue
        if key == receiver:
            main = fit
            warnings.extend(_fit_warnings(fit, clock))
        quality = "good" if fit.points > 100 and fit.offset_u_s < 0.1 else "fair: few or late sentences"
        if fit.drift_u > 50e-6:
            quality = "fair: too short to see drift" if quality == "good" else quality
        # people know the computer by its wall clock, so that is what the evidence compares with UTC
        shown_ns = fit.offsets_ns[-1] + (int(np.median((wall - receipt)[order][-100:])) if has_wall else 0)
        rows.append(
            ClockRow(
                key,
                shown_ns / 1e9 - edge_latency_s(key, latency_s),
                float(np.hypot(fit.offset_u_s, GNSS_LATENCY_U_S)),
                fit.drift * 1e6,
                fit.drift_u * 1e6,
                f"early edge, {clock} clock, {len(fit.starts_ns)} level" + ("s" if len(fit.starts_ns) > 1 else ""),
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
