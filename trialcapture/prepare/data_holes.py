"""Times in which a channel that feeds the result has no reading, and what that cost."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import floats, integers, truths
from trialcapture.prepare.health import Hole

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SHORTEST_S = 3.0
"""A shorter silence is one of a slow or busy line, and readings on both sides speak for it (common practice, no
source)."""
ENDS_S = 60.0
"""Engine data that begins this much after the first position, or ends this much before the last, has a hole there: a
logger is switched on and off with the engines (common practice, no source)."""
_NAMES = {"sog_kn": "speed over ground", "lat_deg": "position", "heading_true_deg": "heading"}


def find_holes(
    overview: pa.Table, segments: pa.Table, engine_ids: Sequence[str], named: Sequence[Hole] = ()
) -> list[Hole]:
    """Return the holes of speed, position, heading, rpm and fuel, in order of channel and time.

    A channel that was never recorded has no holes: it is said to be missing as a whole.

    Args:
        overview: A row a second of the samples.
        segments: Steady stretches, accepted or not.
        engine_ids: Engines.
        named: Holes that are named already, with what they cost; none is named twice.
    """
    if overview.num_rows < 2:
        return []
    t_ns = integers(overview["t"])[0]
    step_ns = int(np.median(np.diff(t_ns)))
    starts, stops = (integers(segments[name])[0] for name in ("start", "stop"))
    used = truths(segments["accepted"])
    channels = [*_NAMES, *(f"{q}_{e}" for q in ("rpm", "fuel_l_per_h") for e in engine_ids)]
    found: list[Hole] = []
    for name in channels:
        if name not in overview.column_names:
            continue
        known = np.isfinite(floats(overview[name]))
        if not known.any():
            continue
        is_engine = name not in _NAMES
        for first, stop in _missing(known, step_ns, is_engine):
            low, high = int(t_ns[first]) - step_ns // 2, int(t_ns[stop - 1]) + step_ns // 2
            touched = (starts < high) & (stops > low)
            what = _NAMES.get(name) or _engine_name(name)
            if any(h.what == what and h.start_ns < high and h.stop_ns > low for h in named):
                continue
            cost = _cost(name, touched, used, (high - low) / 1e9)
            found.append(Hole(low, high, what, "no usable reading came in", cost))
    return found


def _missing(known: Bools, step_ns: int, is_engine: bool) -> list[tuple[int, int]]:
    """Return runs of rows without a reading; those before the first and after the last one count for engines alone."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], known, [True]]).astype(np.int8)))
    out = []
    for first, stop in edges.reshape(-1, 2).tolist():
        at_end = first == 0 or stop == known.size
        if at_end and not is_engine:
            continue
        if (stop - first) * step_ns / 1e9 >= (ENDS_S if at_end else SHORTEST_S):
            out.append((first, stop))
    return out


def _engine_name(name: str) -> str:
    return (
        f"rpm of engine {name[4:]}"
        if name.startswith("rpm_")
        else f"fuel of engine {name.removeprefix('fuel_l_per_h_')}"
    )


def _cost(name: str, touched: Bools, used: Bools, seconds: float) -> str:
    legs = int((touched & used).sum())
    refused = int((touched & ~used).sum())
    if name == "lat_deg":
        return f"none: {seconds:.0f} s of track; speed comes from its own readings"
    parts = []
    if legs:
        parts.append(f"part of {legs} used stretch{'es' if legs > 1 else ''}")
    if refused:
        parts.append(
            f"{refused} refused stretch{'es' if refused > 1 else ''} lie{'' if refused > 1 else 's'} in or beside it"
        )
    return " and ".join(parts) or f"none: {seconds:.0f} s outside steady stretches"
