"""What is told of clocks that were set: steps of receivers' times and of the recording computer's clocks."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.health import ClockStep, Disagreement, Item, Restart
from trialcapture.prepare.receiver_steps import EPOCH_S, Heard, OwnTime
from trialcapture.prepare.utc import ClockFit

Ints = npt.NDArray[np.int64]

_RESTART_S = 10.0
"""A receiver silent for longer before its time steps has begun anew (common practice, no source)."""
_NEAR_ROWS = 20
_MOST_STEPS = 1000
_TIES = ("computer's clock", "order of lines")


def corrected_time(key: str, receiver: str, by_ns: int, u_s: float) -> Disagreement:
    """Return the item of a receiver whose time was moved onto that of the main one, by so much [ns]."""
    return Disagreement(
        f"time of {key}", f"time of {receiver}", -by_ns / 1e9, u_s, "s", None, None, "corrected",
        f"none: its sentences are placed on the UTC of {receiver}",
    )  # fmt: skip


def corrected_epochs(what: str, days: float) -> ClockStep:
    """Return the item of dates that were moved by so many days, whole epochs of 1024 weeks, onto the true ones."""
    weeks = round(abs(days) / 7.0)
    return ClockStep(
        None, what, -days * 86_400.0,
        f"the receiver's date is {weeks} weeks off (GPS week rollover); corrected by whole epochs",
        "none: the time of day is the receiver's",
    )  # fmt: skip


def describe_steps(key: str, heard: Heard, own: OwnTime, main: ClockFit | None, why: str) -> list[Item]:
    """Return an item for each step of a receiver's own time.

    Args:
        key: ``source/talker``.
        heard: Its timed sentences.
        own: What is added to its time.
        main: The receipt clock against UTC; None where the axis is UTC itself.
        why: Which of its times is taken for UTC, in words that follow "the time".
    """
    items: list[Item] = []
    level = own.level(heard.axis_ns)
    for k in range(1, len(own.added_ns)):
        size_s = (own.added_ns[k - 1] - own.added_ns[k]) / 1e9
        start = np.array([own.starts_ns[k]], dtype=np.int64)
        at_ns = int(start[0] if main is None else main.to_utc(start)[0])
        before, after = heard.axis_ns[level < k], heard.axis_ns[level >= k]
        silent_s = float(after[0] - before[-1]) / 1e9 if before.size and after.size else 0.0
        free = heard.judges and not heard.fixed[level < k].any() and bool(heard.fixed[level >= k].any())
        cause = _cause(size_s, silent_s, free=free)
        cost = f"none: what came before and after is tied together by the {_TIES[main is None]}; UTC is the time {why}"
        items.append(ClockStep(at_ns, f"time of {key}", round(size_s, 3), cause, cost))
        if silent_s > _RESTART_S and not free:
            items.append(
                Restart(
                    at_ns, f"receiver {key}", round(size_s, 3),
                    f"silent for {silent_s:.0f} s, then another time", f"{silent_s:.0f} s without its sentences",
                )
            )  # fmt: skip
    return items


def _cause(size_s: float, silent_s: float, *, free: bool) -> str:
    if free:
        return "its clock ran free until it had a fix"
    epochs = round(size_s / EPOCH_S)
    if epochs and abs(size_s - epochs * EPOCH_S) < 1.0:
        return f"its week count moved by {abs(epochs) * 1024} weeks"
    if 1 <= abs(size_s) <= 20 and size_s == round(size_s):
        return "the receiver's UTC was whole seconds off, as before it has learned the leap seconds, and was put right"
    return "it restarted" if silent_s > _RESTART_S else "it restarted or its clock was set"


def computer_steps(clock: str, heard: Heard, own: OwnTime, fit: ClockFit, breaks_ns: Ints) -> list[Item]:
    """Return an item for each step of the recording computer's clocks against UTC."""
    items: list[Item] = []
    utc = heard.utc_ns + own.added(heard.axis_ns)
    repaired = fit.repaired_s or (0.0,) * len(fit.starts_ns)
    levels = [k for k in range(1, len(fit.starts_ns)) if repaired[k] == repaired[k - 1]]
    for k in levels if clock == "mono" else []:
        at = np.array([fit.starts_ns[k]], dtype=np.int64)
        size_s = round((fit.offsets_ns[k] - fit.offsets_ns[k - 1]) / 1e9, 3)
        near = breaks_ns.size and np.abs(breaks_ns - at[0]).min() < 10e9
        if near:
            items.append(
                Restart(
                    int(fit.to_utc(at)[0]), "recorder", None, "the recording was begun anew, its monotonic clock too",
                    f"{max(-size_s, 0.0):.0f} s between are missing; times are taken from GNSS on both sides",
                )
            )  # fmt: skip
        elif heard.wall_ns is not None and not _wall_moved(heard, int(at[0]), -size_s):
            items.append(
                ClockStep(
                    int(fit.to_utc(at)[0]), "delay of the receiver", size_s,
                    "its sentences were longer on the way from here on, or shorter; the computer's clocks ran on",
                    f"times on one side may be off by {abs(size_s):.1f} s",
                )
            )  # fmt: skip
        else:
            cause = "the recording computer slept or its clock was interrupted"
            items.append(
                ClockStep(
                    int(fit.to_utc(at)[0]), "monotonic clock of the recording computer", size_s, cause,
                    f"{max(-size_s, 0.0):.0f} s are missing; times are taken from GNSS on both sides",
                )
            )  # fmt: skip
    if heard.wall_ns is None:
        return items
    off_ns = heard.wall_ns - utc
    starts = (
        [int(np.searchsorted(heard.axis_ns, fit.starts_ns[k])) for k in levels]
        if clock == "wall"
        else _lasting_steps(off_ns)
    )
    for i in starts:
        before, after = off_ns[max(i - _NEAR_ROWS, 0) : i], off_ns[i : i + _NEAR_ROWS]
        if not before.size or not after.size:
            continue
        size_s = round(float(np.median(after) - np.median(before)) / 1e9, 1)
        cost = (
            "none: times come from the monotonic clock"
            if clock == "mono"
            else "none: times are taken from GNSS, by the lines before and after"
        )
        items.append(
            ClockStep(
                int(utc[i]), "wall clock of the recording computer", size_s,
                "the recording computer's clock was stepped", cost,
            )
        )  # fmt: skip
    return items


def _wall_moved(heard: Heard, start_ns: int, by_s: float) -> bool:
    """Return True where the wall clock moved against the monotonic one just there and so far."""
    at = int(np.searchsorted(heard.axis_ns, start_ns))
    if heard.wall_ns is None or not 0 < at < heard.axis_ns.size:
        return True
    moved_ns = np.diff(heard.wall_ns - heard.axis_ns)[max(at - 3, 0) : at + 2]
    return bool(np.any(np.abs(moved_ns / 1e9 - by_s) < max(0.3, 0.1 * abs(by_s))))


def _lasting_steps(off_ns: Ints) -> list[int]:
    """Return where a clock moved by over a second against UTC and stayed there."""
    found = []
    for i in (np.flatnonzero(np.abs(np.diff(off_ns)) > 1e9) + 1)[:_MOST_STEPS]:
        before, after = off_ns[max(i - 5, 0) : i], off_ns[i : i + 5]
        if abs(float(np.median(after) - np.median(before))) > 1e9 and np.ptp(after) < 1e9 and np.ptp(before) < 1e9:
            found.append(int(i))
    return found
