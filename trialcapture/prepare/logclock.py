"""Tying an engine log's own clock to UTC by what both sides saw of the same engine.

In order of trust: rpm seen on the network against rpm in the log; marks; rpm in the log against the motion of the
boat. The offset is UTC minus log time at the log's first row; drift is how much the offset grows per second.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.logfine import MAX_DRIFT, WIDE_DRIFT, FineFit, refine_offset
from trialcapture.prepare.logmatch import Pair, search_offset

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

AMBIGUOUS_RATIO = 1.10
"""Two fits whose misfit differs by less than this ratio cannot be told apart."""
NO_MATCH = 0.30
"""Unexplained share of the rpm's variance, offset known to the second, above which two recordings are not of the same
run."""
NO_MATCH_FINE = 0.05
"""The same once offset and drift are fitted."""
USUAL_DRIFT = 100e-6
"""Standard uncertainty of the drift of a clock nobody has measured (common practice, no source)."""
SHOWN_DRIFT = 3.0
"""A drift larger than this many of its standard uncertainties is one of the clock, not of the fit: 99.7 %."""
SHORT_DRIFT_U = 300e-6
"""A fit that knows its drift no better than this tells nothing about it that is not known of every clock."""
BUS_U_S = 0.2
"""Standard uncertainty of when rpm seen on the network was true [s]: bus, gateway and receiver delay it by 0.05 to
0.5 s (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LogFit:
    """How a log's clock relates to UTC.

    Attributes:
        offset_s: UTC minus log time at the log's first row [s]; None when no fit can be trusted.
        offset_u_s: Standard uncertainty of the offset [s].
        drift_ppm: Growth of the offset [1e-6].
        drift_u_ppm: Standard uncertainty [1e-6].
        method: What was matched.
        quality: ``good``, ``fair: …``, ``poor: …`` or ``failed: …``.
        misfit: Unexplained share of the variance at the fit.
        rival_s: Offset of the next best, separate fit [s], and
        rival_misfit: its unexplained share.
    """

    offset_s: float | None
    offset_u_s: float | None
    drift_ppm: float
    drift_u_ppm: float
    method: str
    quality: str
    misfit: float | None = None
    rival_s: float | None = None
    rival_misfit: float | None = None

    def to_utc(self, t_log_ns: Ints, first_ns: int | None = None) -> Ints:
        """Return UTC [ns] of log stamps [ns]; `first_ns` is the log's first stamp, by default the first one given."""
        if self.offset_s is None:
            raise ValueError("this fit has no offset")
        since = t_log_ns - (t_log_ns[0] if first_ns is None else first_ns)
        utc: Ints = t_log_ns + round(self.offset_s * 1e9) + np.rint(since * (self.drift_ppm * 1e-6)).astype(np.int64)
        return utc


@dataclass(frozen=True, slots=True)
class LogRun:
    """Rows of a log over which its clock ran on undisturbed.

    Attributes:
        rows: First and last of them, as 0-based lines of the file, the lesser first.
        origin_ns: The stamp at which the fit's offset holds [ns].
        fit: How the clock relates to UTC.
    """

    rows: tuple[int, int]
    origin_ns: int
    fit: LogFit


@dataclass(frozen=True, slots=True)
class LogClock:
    """The clock of a log, run by run; rows that belong to none have no place in time.

    Attributes:
        runs: In order of time; a log whose clock was never set has one.
    """

    runs: tuple[LogRun, ...]

    def to_utc(self, t_log_ns: Ints, row: Ints) -> tuple[Ints, Bools]:
        """Return UTC [ns] of rows and where it is known, shape (n,); 0 elsewhere.

        Args:
            t_log_ns: Stamps [ns], shape (n,).
            row: 0-based lines of the file, shape (n,).
        """
        utc, known = np.zeros(row.size, dtype=np.int64), np.zeros(row.size, dtype=np.bool_)
        for run in self.runs:
            mine = (row >= run.rows[0]) & (row <= run.rows[1])
            if mine.all():
                return run.fit.to_utc(t_log_ns, run.origin_ns), mine
            utc[mine] = run.fit.to_utc(t_log_ns[mine], run.origin_ns)
            known |= mine
        return utc, known


def fit_by_rpm(pairs: list[Pair], log_start_ns: int, network_u_s: float = BUS_U_S) -> LogFit:
    """Fit a log's clock by matching its rpm with rpm seen on the network.

    A masked, normalised cross-correlation finds the offset to the second over every overlap; a robust
    least-squares fit of offset, drift and rpm scale on the transients then refines it.

    Args:
        pairs: One entry per engine both sides saw.
        log_start_ns: Stamp of the log's first row [ns].
        network_u_s: Standard uncertainty of when rpm seen on the network was true [s].
    """
    coarse = search_offset(pairs)
    if coarse is None:
        return _failed("rpm against rpm", "too little of both recordings, or the rpm never changed")
    offset_s, misfit, rival_s, rival_misfit = coarse
    if misfit > NO_MATCH:
        return _failed(
            "rpm against rpm",
            f"the rpm in the log does not match the rpm on the network ({misfit:.0%} unexplained): another run?",
            coarse,
        )
    if rival_misfit is not None and rival_misfit < AMBIGUOUS_RATIO * misfit:
        return _ambiguous("rpm against rpm", coarse)
    fine = refine_offset(pairs, log_start_ns, offset_s)
    if fine is not None and fine.is_at_bound:
        fine = _beyond_bound(fine, pairs, log_start_ns, offset_s)
    if fine is None:
        return _failed("rpm against rpm", "the fit did not settle", coarse)
    if fine.is_at_bound:
        why = (
            f"no drift up to {WIDE_DRIFT * 1e6:.0f} ppm makes the rpm in the log follow the rpm on the network all "
            "the way: was its clock set meanwhile?"
        )
        return _failed("rpm against rpm", why, coarse)
    if fine.unexplained > NO_MATCH_FINE:
        why = f"at best {fine.unexplained:.0%} of the rpm's variance stays unexplained: another run?"
        return _failed("rpm against rpm", why, coarse)
    return told_fit(fine, network_u_s, rival_s, rival_misfit)


def _beyond_bound(fine: FineFit, pairs: list[Pair], log_start_ns: int, offset_s: float) -> FineFit | None:
    """Return a fit that is not pressed against the bound of the drift, or one that still is where there is none.

    The drift is looked for farther away. Where that shows none beyond `SHOWN_DRIFT` of its standard uncertainties,
    in a recording too short to show one, the clock is given the drift that clocks usually have.
    """
    wide = refine_offset(pairs, log_start_ns, offset_s, WIDE_DRIFT)
    is_shown = wide is not None and not wide.is_at_bound and abs(wide.drift) > SHOWN_DRIFT * wide.drift_u
    if is_shown or fine.drift_u <= SHORT_DRIFT_U:
        return wide
    held = fine.with_drift(0.0, USUAL_DRIFT)
    return replace(held, is_at_bound=abs(float(held.at[0])) > 5.0)


def told_fit(
    fine: FineFit, network_u_s: float, rival_s: float | None = None, rival_misfit: float | None = None
) -> LogFit:
    """Return the fit of a log's clock that a fine fit comes to, with what is to be said about it."""
    notes = []
    if fine.unexplained > 0.01:
        notes.append(f"{fine.unexplained:.0%} of the rpm's variance unexplained")
    if abs(fine.scale - 1.0) > 0.01:
        notes.append(f"network rpm reads {1.0 / fine.scale - 1.0:+.1%} against the log")
    if abs(fine.drift) > MAX_DRIFT:
        notes.append(f"its clock runs {abs(fine.drift):.2%} {'slow' if fine.drift > 0 else 'fast'}")
    quality = "fair: " + ", ".join(notes) if notes else "good"
    return LogFit(
        fine.offset_s(),
        fine.offset_u_s(network_u_s),
        fine.drift * 1e6,
        fine.drift_u * 1e6,
        "rpm against rpm",
        quality,
        fine.unexplained,
        rival_s,
        rival_misfit,
    )


def _failed(method: str, why: str, coarse: tuple[float, float, float | None, float | None] | None = None) -> LogFit:
    misfit, rival_s, rival_misfit = coarse[1:] if coarse else (None, None, None)
    return LogFit(None, None, 0.0, 0.0, method, f"failed: {why}", misfit, rival_s, rival_misfit)


def _ambiguous(method: str, coarse: tuple[float, float, float | None, float | None]) -> LogFit:
    offset_s, misfit, rival_s, rival_misfit = coarse
    why = (
        f"two alignments fit about equally well, {offset_s:.0f} s and {rival_s or 0.0:.0f} s "
        f"({misfit:.1%} and {rival_misfit or 0.0:.1%} unexplained); give a mark or a fixed offset"
    )
    return LogFit(None, None, 0.0, 0.0, method, f"failed: {why}", misfit, rival_s, rival_misfit)
