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
class Circumstances:
    """What every result is measured under.

    Attributes:
        config: Boat, engines and settings.
        conditions: Wind, sea and water as the trial had them.
        volume_m3: Volume the hull displaces; None where the displacement is unknown.
        legs: The accepted segments.
        current_at: The fitted current; None where there is no band.
        shows_current: Whether runs of the trial tell the current; where not, `current_at` is a mere belief.
        clock_u_s: Standard uncertainty of the worst clock of the trial [s].
    """

    config: Config
    conditions: TrialConditions
    volume_m3: float | None
    legs: Legs
    current_at: CurrentAt | None
    shows_current: bool
    clock_u_s: float


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
    clock_u_s = read_numbers(clocks, "offset_u_s") if clocks is not None else np.zeros(0)
    return Circumstances(
        config=config,
        conditions=conditions,
        volume_m3=kg and kg / conditions.water_density_kg_per_m3,
        legs=gathered.legs,
        current_at=None if current is None else lambda t_ns: current.at((t_ns - t0_ns) / NS_PER_H),
        shows_current=reduction is not None and reduction.shows_current,
        clock_u_s=float(np.max(clock_u_s[np.isfinite(clock_u_s)], initial=0.0)),
    )
