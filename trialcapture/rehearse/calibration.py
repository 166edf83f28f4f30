"""What is wrong with every reading of a trial alike: drawn once, hidden from the reduction, told in the truth.

No averaging within the trial shows these errors or takes them away, so only many trials tell whether a stated
uncertainty has room for them. Their sizes are common practice, no source; they are written down here and not taken
from the reduction, whose uncertainties they test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from trialcapture.rehearse.scenarios import Scenario

SPEED_BIAS_SD_KN = 0.03
"""Of one receiver's speed; receivers differ from each other."""
UNCALIBRATED_SD_PCT = 2.5
"""Of a fuel rate reckoned by the engine's control unit and never checked."""
CALIBRATED_SD_PCT = 1.0
"""Of a fuel rate whose calibration was measured."""


@dataclass(frozen=True, slots=True)
class CalibrationErrors:
    """The errors of one trial.

    Attributes:
        speed_bias_kn: Per receiver, by source, what it shows over the true speed [kn].
        fuel_pct: What every engine's calibrated fuel rate shows over the fuel burnt [%]. One error for all engines
            and logs: sister engines share the injector map, the fuel with its density and warmth, and the person
            who calibrated them; the spread between two units of a kind is small beside that.
    """

    speed_bias_kn: dict[str, float]
    fuel_pct: float

    def as_truth(self) -> dict[str, Any]:
        """Return the errors as the truth file tells them."""
        biases = {source: round(bias, 5) for source, bias in self.speed_bias_kn.items()}
        return {"receiver_speed_bias_kn": biases, "fuel_calibration_pct": round(self.fuel_pct, 4)}


def draw_errors(run: Scenario, speed: np.random.Generator, fuel: np.random.Generator) -> CalibrationErrors:
    """Draw the errors of one trial, normally distributed, each kind from a generator of its own."""
    sd_pct = UNCALIBRATED_SD_PCT if run.fuel_calibration is None else CALIBRATED_SD_PCT
    biases = {receiver.source: float(speed.normal(0.0, SPEED_BIAS_SD_KN)) for receiver in run.receivers}
    return CalibrationErrors(biases, float(fuel.normal(0.0, sd_pct)))


def no_errors(run: Scenario) -> CalibrationErrors:
    """Return the errors of sensors that are right in the mean."""
    return CalibrationErrors({receiver.source: 0.0 for receiver in run.receivers}, 0.0)


def with_errors(run: Scenario, errors: CalibrationErrors) -> Scenario:
    """Return the scenario with receivers and engine logs that have these errors."""
    receivers = tuple(
        replace(receiver, speed_bias_kn=receiver.speed_bias_kn + errors.speed_bias_kn[receiver.source])
        for receiver in run.receivers
    )
    scale = 1.0 + errors.fuel_pct / 100.0
    logs = tuple(replace(style, fuel_scale=style.fuel_scale * scale) for style in run.logs)
    return replace(run, receivers=receivers, logs=logs)
