"""What holds for every result of a trial: current, wind, boat, and the uncertainties they have in common."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from trialcapture.config import Config
from trialcapture.reduce.conditions import load_sheet, trial_conditions
from trialcapture.reduce.reduction import GatheredLegs, Reduction
from trialcapture.reduce.runs import NS_PER_H, IntArray, Legs, read_numbers
from trialcapture.reduce.summary import TrialConditions
from trialcapture.reduce.uncertainty import FloatArray

ReadSamples = Callable[[int, int, Sequence[str]], pa.Table]
"""Returns some columns of the samples of a trial from a start to a stop [ns since 1970 UTC], half-open, at their full
rate; every channel of the trial set and its age may be asked for (`trialcapture.channels`)."""


@dataclass(frozen=True, slots=True)
class TrialSamples:
    """Samples of a trial.

    Attributes:
        overview: A row a second, of the whole trial; None where there are none.
        read: Reads the full rate of an episode; None where only the overview is there.
    """

    overview: pa.Table | None
    read: ReadSamples | None


CurrentAt = Callable[[IntArray | FloatArray], tuple[FloatArray, FloatArray]]
"""Returns the current, north and east [kn], shape (q, 2), and its covariance [kn²], shape (q, 2, 2), at times
[ns since 1970 UTC], shape (q,)."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment that a person marked: when [ns since 1970 UTC], and what was said of it, in lower case."""

    t_ns: int
    text: str


@dataclass(frozen=True, slots=True)
class ReceiverLag:
    """How late a receiver's speed follows the boat, behind the time that its sentence tells.

    Attributes:
        lag_s: What is taken out of every transient result.
        u_s: Its standard uncertainty.
        origin: Where both come from.
    """

    lag_s: float
    u_s: float
    origin: str


USUAL_LAG = ReceiverLag(0.3, 0.3, "usual for receivers of small craft")
"""Where positions do not show it: filters of receivers lag by 0 to 1 s, mostly by little (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What every result is measured under.

    Attributes:
        config: Boat, engines and settings.
        conditions: Wind, sea and water as the trial had them.
        volume_m3: Volume the hull displaces; None where the displacement is unknown.
        legs: The accepted segments.
        current_at: The fitted current; None where there is no band.
        shows_current: Whether runs of the trial tell the current; where not, `current_at` is a mere belief.
        clock_u_s: Standard uncertainty of the worst clock that speed and engine speed were placed by [s].
        lag: Of the receiver's speed.
        marks: Moments people marked, ascending.
    """

    config: Config
    conditions: TrialConditions
    volume_m3: float | None
    legs: Legs
    current_at: CurrentAt | None
    shows_current: bool
    clock_u_s: float
    lag: ReceiverLag = USUAL_LAG
    marks: tuple[Mark, ...] = ()


def find_circumstances(
    gathered: GatheredLegs, reduction: Reduction | None, clocks: pa.Table | None, config: Config
) -> Circumstances:
    """Return what every result of a trial is measured under.

    Args:
        gathered: The legs.
        reduction: Made of them.
        clocks: Clocks of the trial set.
        config: Settings as used.
    """
    conditions = trial_conditions(gathered.legs, config)
    kg = load_sheet(config).displacement_kg
    t0_ns = gathered.legs.t0_ns
    current = None if reduction is None else reduction.fit.current
    clock_u_s = _clocks_u_s(clocks) if clocks is not None else np.zeros(0)
    return Circumstances(
        config=config,
        conditions=conditions,
        volume_m3=kg and kg / conditions.water_density_kg_per_m3,
        legs=gathered.legs,
        current_at=None if current is None else lambda t_ns: current.at((t_ns - t0_ns) / NS_PER_H),
        shows_current=reduction is not None and reduction.shows_current,
        clock_u_s=float(np.max(clock_u_s[np.isfinite(clock_u_s)], initial=0.0)),
    )


def _clocks_u_s(clocks: pa.Table) -> FloatArray:
    """Return the standard uncertainties of the clocks that speed and engine speed were placed by [s].

    Where a log was aligned by the engine speed on the network, that one leads, and no clock of a log has a part in it.
    """
    is_log = np.array([str(name).startswith("engine log") for name in clocks["source"].to_pylist()], dtype=np.bool_)
    on_network = "rpm against rpm" in clocks["method"].to_pylist()
    u_s = read_numbers(clocks, "offset_u_s")
    return u_s[~is_log] if on_network and not is_log.all() else u_s
