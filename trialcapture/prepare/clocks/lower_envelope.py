"""UTC of receive-time stamps by the lower envelope of (receive time - GNSS time), level by level.

A receiver's sentence can only arrive late, never early, so the lower edge of ``receive time - sentence time`` is the
clock offset and everything above it is delay. Fitting a line under the points (rather than through them) is the
method of Moon, Skelly & Towsley, "Estimation and Removal of Clock Skew from Network Delay Measurements", IEEE
INFOCOM 1999; the best line is the edge of the lower convex hull that spans the mean time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.sample_statistics import first_least

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_BIN_S = 20.0
"""The drift is fitted to the least delay of each so long [s] (our choice, no source)."""
_STEP_S = 0.4
"""Smallest step of a level that is looked for [s] (our choice, no source)."""
_STRAY_S = 2.0
"""A time further from its neighbours' median is damage [s] (our choice, no source)."""
_LEVEL_BINS = 30
"""Seconds to either side of a point by which a step shows (our choice, no source)."""
_LEAST_OFFSET_U_S = 0.02
"""No offset is known better [s] (our choice, no source)."""
_SLIP_SPAN, _SLIP_NS, _ALIKE_NS = 5, 800_000_000, 150_000_000
"""Sentences compared, and how far off and how alike their delays are [ns], where lone times are whole seconds off (our
choice, no source)."""
FROZEN_NS, LONG_FROZEN_NS = 1_500_000_000, 10_000_000_000
"""A receiver's time stands still where it tells one for longer; for good, longer than the second (common practice,
no source)."""
_EVEN_S = 0.2
"""Sentences that come in as far apart as usual to within this are not held up (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ClockFit:
    """UTC = receive time - offset, with one offset per level (a level ends where a clock was stepped or slept).

    Attributes:
        starts_ns: Receive time at which each level begins [ns]; the first reaches back for ever.
        offsets_ns: Receive time minus UTC at `middle_ns` for each level [ns].
        drift: Dimensionless rate error of the receive clock (1e-6 is 1 ppm fast).
        middle_ns: Receive time the drift turns about [ns].
        offset_u_s: Standard uncertainty of an offset [s].
        drift_u: Standard uncertainty of `drift`.
        delay_s: Median delay of a sentence behind the lower envelope [s].
        points: Sentence times the fit rests on.
        repaired_s: Errors of the receiver's own UTC that were taken out [s], by level.
    """

    starts_ns: tuple[int, ...]
    offsets_ns: tuple[int, ...]
    drift: float
    middle_ns: int
    offset_u_s: float
    drift_u: float
    delay_s: float
    points: int
    repaired_s: tuple[float, ...] = ()

    def level(self, receive_ns: Ints) -> Ints:
        """Return the index of the level each receive-time stamp falls in."""
        found = np.searchsorted(np.asarray(self.starts_ns[1:], dtype=np.int64), receive_ns, side="right")
        return found.astype(np.int64)

    def to_utc(self, receive_ns: Ints) -> Ints:
        """Return UTC [ns since 1970] of receive-time stamps [ns]."""
        offsets = np.asarray(self.offsets_ns, dtype=np.int64)[self.level(receive_ns)]
        bend = np.rint(self.drift * (receive_ns - self.middle_ns)).astype(np.int64)
        utc: Ints = receive_ns - offsets - bend
        return utc


def fit_lower_envelope(
    receive_ns: Ints, utc_ns: Ints, steady_ns: Ints | None = None, breaks_ns: Ints | None = None
) -> ClockFit | None:
    """Fit a receive clock to UTC on the lower envelope, in levels where either clock was stepped.

    Args:
        receive_ns: Receive-time stamps of timed sentences [ns], in order of arrival.
        utc_ns: The sentences' own UTC [ns since 1970].
        steady_ns: A second receive clock (wall) beside the first, same length, or None. It tells a receiver
            that corrects its leap seconds (neither laptop clock moves) from a laptop that slept.

    Returns:
        The fit, or None when fewer than three usable points exist.
    """
    usable = find_believable_times(receive_ns, utc_ns)
    received, utc = receive_ns[usable], utc_ns[usable]
    if received.size < 3:
        return None
    difference = received - utc
    base = int(np.median(difference))
    excess_s = (difference - base) / 1e9
    starts = _level_starts(received, excess_s)
    if breaks_ns is not None and breaks_ns.size:
        forced = np.searchsorted(received, breaks_ns)
        starts = np.unique(np.concatenate([starts, forced[forced < received.size]]))
    level = np.searchsorted(received[starts[1:]], received, side="right")
    floors = np.array([_envelope_level(excess_s[level == i]) for i in range(len(starts))])
    x_s = (received - received[0]) / 1e9
    above_s = excess_s - floors[level]
    low_x, low_y = _bin_minima(x_s, above_s, _BIN_S)
    prompt = low_y <= np.median(low_y) + 0.5
    low_x, low_y = low_x[prompt], low_y[prompt]
    drift, drift_u = _envelope_slope(low_x, low_y)
    middle_s = float(low_x.mean())
    bent_s = excess_s - drift * (x_s - middle_s)
    edges = np.array([_envelope_level(bent_s[level == i]) for i in range(len(starts))])
    delay_s = float(np.median(bent_s - edges[level]))
    scatter = np.diff(np.sort(low_y - drift * (low_x - middle_s))[:3]).mean() if low_y.size >= 3 else 0.1
    # of n delays the second least is about 2/n of their spread above none: the edge of a short level is the less sure
    thin_s = 2.0 * delay_s / max(float(np.bincount(level).min()), 1.0) if len(starts) > 1 else 0.0
    repaired = _receiver_repairs(starts, edges, steady_ns, receive_ns, utc_ns, usable)
    return ClockFit(
        starts_ns=tuple(int(v) for v in received[starts]),
        offsets_ns=tuple(base + round((e - r) * 1e9) for e, r in zip(edges, repaired, strict=True)),
        drift=drift,
        middle_ns=int(received[0]) + round(middle_s * 1e9),
        offset_u_s=float(np.sqrt(_LEAST_OFFSET_U_S**2 + scatter**2 + thin_s**2)),
        drift_u=drift_u,
        delay_s=delay_s,
        points=int(received.size),
        repaired_s=tuple(repaired),
    )


def find_believable_times(receive_ns: Ints, utc_ns: Ints) -> npt.NDArray[np.bool_]:
    """Return True where a sentence's time fits its neighbours.

    A damaged sentence can pass its one-byte checksum with a wrong time; such a point stands alone, a real step
    of a clock does not. A point is kept when its (receive time - time) lies within two seconds of the median of its
    own ten-second bin or of a bin beside it.
    """
    difference = receive_ns - utc_ns
    # the medians lie among the points, so where all points lie close together none is far from its own
    if difference.size == 0 or np.ptp(difference) < _STRAY_S * 1e9:
        return np.ones(difference.size, dtype=np.bool_)
    difference_s = (difference - np.partition(difference, difference.size // 2)[difference.size // 2]) / 1e9
    run = np.cumsum(np.concatenate([[0], (np.diff(receive_ns // 10_000_000_000) != 0).astype(np.int64)]))
    order = np.lexsort((difference_s, run))
    first = np.flatnonzero(np.concatenate([[True], np.diff(run[order]) > 0]))
    size = np.diff(np.concatenate([first, [run.size]]))
    middle = difference_s[order][first + size // 2]
    # a bin of one or two points cannot outvote a stray: it borrows the nearest fuller bin's median
    fuller = np.flatnonzero(size >= 3)
    if fuller.size:
        nearest = np.searchsorted((fuller[1:] + fuller[:-1]) / 2, np.arange(middle.size))
        middle = middle[fuller[nearest]]
    wide = np.concatenate([middle[:1], middle, middle[-1:]])
    away = np.stack([np.abs(difference_s - wide[run + k]) for k in range(3)])
    believable: npt.NDArray[np.bool_] = away.min(axis=0) <= _STRAY_S
    return believable


def find_repeats(at_ns: Ints, told_ns: Ints, stream: Ints) -> tuple[Ints, Ints]:
    """Return how long each row's time had been told without a break, and how long it was told in all [ns].

    Args:
        at_ns: When it came in [ns], ascending in each stream, shape (n,).
        told_ns: The time it tells [ns].
        stream: What it belongs to: one formatter of one receiver.
    """
    order = np.argsort(stream, kind="stable")
    at, told, own = at_ns[order], told_ns[order], stream[order]
    new = np.concatenate([[True], (told[1:] != told[:-1]) | (own[1:] != own[:-1])])[: at.size]
    since_ns, span_ns = np.zeros(at.size, dtype=np.int64), np.zeros(at.size, dtype=np.int64)
    if new.all():
        return since_ns, span_ns
    begins = np.flatnonzero(new)
    ends = np.append(begins[1:], at.size) - 1
    run = np.cumsum(new) - 1
    since_ns[order] = at - at[begins][run]
    span_ns[order] = (at[ends] - at[begins])[run]
    return since_ns, span_ns


def find_frozen(at_ns: Ints, told_ns: Ints, stream: Ints) -> Bools:
    """Return True for sentences whose time tells nothing of any clock, because it stands still.

    Where it stood for long the first is such too: a downsampled index may have kept any of those that tell it.
    Arguments as for `find_repeats`.
    """
    since_ns, span_ns = find_repeats(at_ns, told_ns, stream)
    frozen: Bools = (since_ns > FROZEN_NS) | (span_ns > LONG_FROZEN_NS)
    return frozen


def find_slips(base_ns: Ints, own_ns: Ints) -> Ints:
    """Return the whole seconds [ns] by which lone times of one receiver are off, though they came in as evenly as ever.

    Args:
        base_ns: When its sentences of one kind were received, on UTC [ns], shape (n,), ascending.
        own_ns: Their own times [ns].
    """
    none = np.zeros(base_ns.size, dtype=np.int64)
    late = base_ns - own_ns
    if base_ns.size < _SLIP_SPAN or np.ptp(late) < _SLIP_NS:
        return none
    half = _SLIP_SPAN // 2
    padded = np.concatenate([late[:half], late, late[-half:]])
    off = late - np.median(np.lib.stride_tricks.sliding_window_view(padded, _SLIP_SPAN), axis=1)
    whole = np.rint(off / 1e9)
    gap = np.diff(base_ns)
    even = np.abs(gap - np.median(gap)) < 0.3 * np.median(gap)
    # a sentence that was held up came in late, and the next one soon after it
    in_time = np.concatenate([[True], even]) & np.concatenate([even, [True]])
    slipped = (np.abs(whole) >= 1) & (np.abs(whole) <= 2) & (np.abs(off - whole * 1e9) < 0.2e9) & in_time
    return np.where(slipped, whole * 1e9, 0).astype(np.int64)


def find_too_early(delay_ns: Ints) -> Bools:
    """Return True for lone sentences that came long before they were due, by neighbours that are all alike.

    Args:
        delay_ns: Receive time less own time [ns], in order of arrival.
    """
    span, half = 2 * _SLIP_SPAN + 1, _SLIP_SPAN
    if delay_ns.size < span or np.ptp(delay_ns) < _SLIP_NS:
        return np.zeros(delay_ns.size, dtype=np.bool_)
    padded = np.concatenate([delay_ns[:half], delay_ns, delay_ns[-half:]])
    near = np.sort(np.lib.stride_tricks.sliding_window_view(padded, span), axis=1)
    alike = near[:, (3 * span) // 4] - near[:, half] < _ALIKE_NS
    early: Bools = alike & (near[:, half] - delay_ns > _SLIP_NS)
    # several in a row are the beginning of another level
    runs = np.cumsum(np.concatenate([[0], np.diff(early.astype(np.int8)) != 0]))
    early &= np.bincount(runs)[runs] <= 2
    return early


def _level_starts(received: Ints, excess_s: Floats) -> Ints:
    """Return indices where (receive time - time) moves to another lasting level; the first is 0."""
    x_s = (received - received[0]) / 1e9
    low_x, low_y = _bin_minima(x_s, excess_s, 1.0)
    n = low_y.size
    width = min(_LEVEL_BINS, n // 4)
    if width < 5 or np.ptp(low_y) <= _STEP_S:
        return np.zeros(1, dtype=np.int64)
    # an lower envelope on each side of a point: delays only add, so the minimum is what a step moves
    windows = np.lib.stride_tricks.sliding_window_view(low_y, width)
    edge = np.partition(windows, 1, axis=1)[:, 1]
    jump = np.abs(edge[width:] - edge[:-width])
    starts = [0]
    over = np.flatnonzero(jump > _STEP_S)
    for group in np.split(over, np.flatnonzero(np.diff(over) > width) + 1) if over.size else []:
        low, high = int(group[0]), min(int(group[-1]) + 2 * width, n)
        # the split that leaves the least delay above the edges of both its sides
        cost = [
            float(low_y[low:i].sum() - (i - low) * low_y[low:i].min())
            + float(low_y[i:high].sum() - (high - i) * low_y[i:high].min())
            for i in range(low + 1, high)
        ]
        split = low + 1 + int(np.argmin(cost))
        near = np.arange(*np.searchsorted(x_s, low_x[[max(split - 2, 0), min(split + 2, n - 1)]]))
        at = int(near[1:][np.argmax(np.abs(np.diff(excess_s[near])))]) if near.size > 1 else int(near[0])
        first, last = np.searchsorted(x_s, low_x[[max(split - width, 0), min(split + width, n - 1)]])
        before, after = excess_s[first:at], excess_s[at:last]
        if before.size >= 3 and after.size >= 3 and abs(_envelope_level(after) - _envelope_level(before)) > _STEP_S:
            starts.append(at)
    return np.unique(np.asarray(starts, dtype=np.int64))


def _envelope_level(excess_s: Floats) -> float:
    """Return the lower envelope of one level: the second smallest value, so that one stray point does not rule."""
    return float(np.partition(excess_s, 1)[1]) if excess_s.size > 1 else float(excess_s[0])


def _bin_minima(x_s: Floats, y_s: Floats, bin_s: float) -> tuple[Floats, Floats]:
    """Return abscissa and value of the first smallest y of each time bin; x ascends."""
    which = np.floor(x_s / bin_s).astype(np.int64)
    begins = np.flatnonzero(np.diff(which, prepend=which[0] - 1))
    at = first_least(y_s, begins)
    return x_s[at], y_s[at]


def _envelope_slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and its standard uncertainty of the lower-hull edge that spans the mean abscissa."""
    if x.size < 3 or x[-1] - x[0] < 300.0:
        return 0.0, 100e-6
    hull: list[int] = []
    xs, ys = x.tolist(), y.tolist()  # single values of an array are slow to reach
    for i in range(x.size):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (ys[b] - ys[a]) * (xs[i] - xs[a]) >= (ys[i] - ys[a]) * (xs[b] - xs[a]):
                hull.pop()
            else:
                break
        hull.append(i)
    corner_x = x[hull]
    right = int(np.clip(np.searchsorted(corner_x, x.mean()), 1, len(hull) - 1))
    a, b = hull[right - 1], hull[right]
    slope = float((y[b] - y[a]) / (x[b] - x[a]))
    residual = y - (y[a] + slope * (x - x[a]))
    typical = float(np.median(residual)) + 1e-3
    return slope, float(typical / (x[-1] - x[0]) * 2.0)


def _receiver_repairs(
    starts: Ints,
    edges: Floats,
    steady_ns: Ints | None,
    receive_ns: Ints,
    utc_ns: Ints,
    usable: npt.NDArray[np.bool_],
) -> list[float]:
    """Return per level the seconds by which the receiver's UTC was wrong, the last level being right.

    Early after a cold start a receiver may not know the leap seconds; its UTC then steps by whole seconds when
    it learns them. Only a step that the laptop's clocks do not share, and of a whole second, is such; of another size
    it is where sentences went on coming in evenly over it, because else their delay may have changed. A leap
    second itself looks the same and is none: it comes at the turn of a half-year, and both sides of it are right.
    """
    repaired = [0.0] * edges.size
    if edges.size < 2:
        return repaired
    received, utc = receive_ns[usable], utc_ns[usable]
    steady = None if steady_ns is None else steady_ns[usable]
    usual_s = usual_step_ns(utc) / 1e9
    for i in range(edges.size - 2, -1, -1):
        step = edges[i + 1] - edges[i]
        at = int(starts[i + 1])
        a, b = max(at - 1, 0), min(at, received.size - 1)
        arrived_s = float(received[b] - received[a]) / 1e9
        if steady is not None:
            clocks_moved_s = abs(float(steady[b] - steady[a]) / 1e9 - arrived_s)
        else:
            # with one receive clock only, the one whose count is out of the ordinary was moved
            clocks_moved_s = abs(arrived_s - usual_s) if arrived_s > 0.01 else np.inf
        whole = round(step)
        leap = whole == 1 and _is_turn_of_half_year(int(utc[b]))
        is_whole = abs(whole) >= 1 and abs(step - whole) < 0.15
        told_s = float(utc[b] - utc[a]) / 1e9
        is_even = abs(arrived_s - usual_s) < _EVEN_S and abs(told_s - (usual_s - step)) < _EVEN_S
        wrong = abs(whole) <= 20 and (is_whole or is_even) and clocks_moved_s < 0.3 and not leap
        repaired[i] = repaired[i + 1] - ((whole if is_whole else step) if wrong else 0)
    return repaired


def usual_step_ns(utc_ns: Ints) -> float:
    """Return the median step from one time a receiver told to its next [ns]; a second where there is none."""
    step = np.diff(utc_ns)
    return float(np.median(step[step > 0])) if np.any(step > 0) else 1e9


def _is_turn_of_half_year(utc_ns: int) -> bool:
    """Return True within three seconds of the first midnight of January or July, where leap seconds are put in."""
    since_s = (utc_ns + 3_000_000_000) // 1_000_000_000
    day = np.datetime64(since_s, "s").astype("datetime64[D]").item()
    return (day.month, day.day) in ((1, 1), (7, 1)) and since_s % 86_400 < 6
