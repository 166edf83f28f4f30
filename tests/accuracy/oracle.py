"""What an oracle would print: it does not know a trial's errors, but their true standard deviations.

It measures what the program measures, by the best estimate that the runs in the table allow, and prints its 95 %
interval, 1.96 times the root sum of squares of these parts:

speed
    the posterior standard deviation of a linear model of all runs of the trial (below): spread from run to run over
    the root of the runs each way, wander by the correlation times, current and tide as far as the design leaves them
    open (their own spread, for runs all one way; what the trend does between the runs of a pair), and the wind's way
    effect, which only bands run one way have;
    what had not settled: the root mean square, over the trial's bands, of how far their runs fell short;
    the receiver's bias; the tachometer's error and its rounding, times the slope of speed against engine speed;
    without heading on one line, the current abeam that nothing shows: c² sin²θ / 2V, θ any direction
fuel
    spread from run to run over the root of the runs each way (as a share that of the speed: what holds the boat back
    loads her engines), what had not settled, the way effect of bands run one way, the calibration, the tachometer
economy
    both; spread, settling and wind move speed and fuel opposite ways and so count with the sum of their shares, the
    tachometer with the difference of the slopes
range
    economy, and the tank's capacity and usable share

The linear model: each run shows ``V_band + (c + r t) · h + a_band w · h`` along its heading h, with c the current
(every direction alike, so the drawn strength over √2 a component), r its growth (likewise), and w the direction of the
wind (likewise), times the half difference a_band of running with and against it. With a heading it also shows
``(c + r t) · n + V δ`` across, n to starboard, δ the heading sensor's error. Nothing is known of V_band beforehand.

Source: posterior of a linear Gaussian model, Gelman et al., Bayesian Data Analysis (2013), section 14.8 (from memory);
variance of a mean over time T of noise with correlation time τ: s² 2τ/T (1 − τ/T (1 − exp(−T/τ))), elementary.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from tests.accuracy.effects import TACHOMETER_SD_PCT, TANK, WANDER, Drawn
from trialcapture.rehearse.simulate import SPEED_BIAS_SD_KN, UNCALIBRATED_SD_PCT
from trialcapture.rehearse.truth import USABLE_SHARE

Floats = npt.NDArray[np.float64]

LEVEL_K = 1.96
"""Of a 95 % interval of a normal law."""
_UNKNOWN_KN = 100.0
"""Standard deviation of a band's speed before anything was measured."""
_APPROACH_S = 25.0
"""What of a hold no good program uses; the rest is averaged (our choice)."""
_LEEWAY_SHARE = 0.005
"""Of the wind; it moves the boat across (as the hulls that are simulated have it)."""


def mean_variance(sd: float, memory_s: float, duration_s: float) -> float:
    """Return the variance of a mean over some time of noise that forgets exponentially, unit of `sd` squared."""
    x = memory_s / duration_s
    return float(sd**2 * 2.0 * x * (1.0 - x * (1.0 - np.exp(-1.0 / x))))


def rounding_sd(step: float, noise_sd: float) -> float:
    """Return the standard deviation of what rounding leaves in the mean of a noisy reading, any phase of it alike.

    The first harmonic of the sawtooth, damped by the noise: (q/π) exp(−2π² s²/q²) sin; its root mean square, but
    never more than q/√12 (Widrow & Kollár, Quantization Noise, 2008, chapter 4; from memory).
    """
    return float(min(step / np.pi * np.exp(-2.0 * (np.pi * noise_sd / step) ** 2) / np.sqrt(2.0), step / np.sqrt(12.0)))


def oracle_halves(
    drawn: Drawn, settled: Sequence[Mapping[str, Any]], used_s: Mapping[int, float] | None = None
) -> list[dict[str, float]]:
    """Return the ± an oracle would print for each step and quantity; none for a step without a run.

    Args:
        drawn: The trial as drawn.
        settled: Its truth, as `trialcapture.rehearse.truth.tell_settled` gives it.
        used_s: How long each run was averaged, by its number [s]; others are not used. None for all that is planned.
    """
    levels, scenario = drawn.levels, drawn.scenario
    if used_s is None:
        planned_s = max(scenario.plan.hold_s - _APPROACH_S, 20.0)
        used_s = {run["number"]: planned_s for step in settled for run in step["runs"]}
    settled = [step | {"runs": [r for r in step["runs"] if r["number"] in used_s]} for step in map(dict, settled)]
    made = [step for step in settled if step["runs"]]
    if not made:
        return [{} for _ in settled]
    run_sd = float(levels["run to run [kn]"])
    receiver = scenario.receivers[0]
    restless = [*WANDER[str(levels["wander"])], (receiver.velocity_sd_kn, receiver.velocity_memory_s)]
    noise = {n: run_sd**2 + sum(mean_variance(sd, tau, s) for sd, tau in restless) for n, s in used_s.items()}
    posterior = _speed_variance(drawn, made, noise)
    short = np.array([np.mean([run["unsettled_kn"] for run in step["runs"]]) for step in made])
    short_kn = float(np.sqrt(np.mean(short**2)))
    turn = TACHOMETER_SD_PCT[str(levels["tachometer"])] / 100.0
    calibration = (
        UNCALIBRATED_SD_PCT if scenario.fuel_calibration_u_pct is None else scenario.fuel_calibration_u_pct
    ) / 100.0
    capacity_pct, usable = TANK[str(levels["tank"])]
    tank = float(np.hypot(capacity_pct / 100.0, usable / USABLE_SHARE))
    abeam = _unseen_abeam_kn2(drawn, made) if levels["heading"] == "no" else 0.0

    out: list[dict[str, float]] = []
    for step in settled:
        if not step["runs"]:
            out.append({})
            continue
        b = len([entry for entry in out if entry])
        speed, fuel, rpm = step["speed_kn"], step["fuel_l_per_h"], step["rpm"]
        weights = _way_weights(step["runs"])
        spread = run_sd * float(np.sqrt(np.sum(weights**2)))
        one_way = len({run["direction_deg"] for run in step["runs"]}) == 1
        way_v = step["wind_way_kn"] / speed / np.sqrt(2.0) if one_way else 0.0
        way_f = step["wind_way_fuel_share"] / np.sqrt(2.0) if one_way else 0.0
        noise_rpm = float(np.hypot(1.5, 0.0008 * rpm))
        read = rounding_sd(float(levels["rpm in steps of"]), noise_rpm) * np.sqrt(np.sum(weights**2)) / rpm
        off = float(np.hypot(turn, read))
        slope_v, slope_f = _log_slope(step, "speed_kn"), _log_slope(step, "fuel_l_per_h")
        fixed = SPEED_BIAS_SD_KN**2 + (abeam / (2.0 * speed)) ** 2 * 3.0 / 8.0
        speed_u2 = posterior[b] + short_kn**2 + fixed + (slope_v * off * speed) ** 2
        fuel_share2 = (spread / speed) ** 2 + (short_kn / speed) ** 2 + way_f**2 + calibration**2 + (slope_f * off) ** 2
        # spread and wind are in the posterior of the speed; here they count together with what they do to the fuel
        rest = max(posterior[b] - spread**2 - (way_v * speed) ** 2, 0.0) + fixed
        economy2 = (2.0 * spread / speed) ** 2 + (2.0 * short_kn / speed) ** 2 + (way_v + way_f) ** 2
        economy2 += rest / speed**2 + calibration**2 + ((slope_v - slope_f) * off) ** 2
        out.append(
            {
                "speed": LEVEL_K * float(np.sqrt(speed_u2)),
                "fuel": LEVEL_K * fuel * float(np.sqrt(fuel_share2)),
                "economy": LEVEL_K * step["economy_nm_per_l"] * float(np.sqrt(economy2)),
                "range": LEVEL_K * step["range_nm"] * float(np.sqrt(economy2 + tank**2)),
            }
        )
    return out


def _speed_variance(drawn: Drawn, settled: Sequence[Mapping[str, Any]], noise: Mapping[int, float]) -> Floats:
    """Return the posterior variance of each band's speed by the linear model [kn²], shape (B,).

    `noise` is the variance of each run's mean, by its number [kn²].
    """
    levels, scenario = drawn.levels, drawn.scenario
    bands = len(settled)
    times = [(run["start_s"] + run["stop_s"]) / 2.0 for step in settled for run in step["runs"]]
    middle = float(np.mean(times)) if times else 0.0
    current = max(float(levels["current [kn]"]), 1e-3) / np.sqrt(2.0)
    growth = max(float(levels["tide [kn/h]"]), 1e-3) / np.sqrt(2.0)
    heading_rad = np.radians(scenario.instruments.heading_error_deg)
    prior = [_UNKNOWN_KN] * bands + [current] * 2 + [growth] * 2 + [np.sqrt(0.5)] * 2 + [heading_rad]
    precision = np.diag(1.0 / np.square(prior))
    leeway = _LEEWAY_SHARE * scenario.sea.wind_kn
    for b, step in enumerate(settled):
        for run in step["runs"]:
            h = np.radians(run["direction_deg"])
            ahead, starboard = np.array([np.sin(h), np.cos(h)]), np.array([np.cos(h), -np.sin(h)])
            hours = ((run["start_s"] + run["stop_s"]) / 2.0 - middle) / 3600.0
            row = np.zeros(len(prior))
            row[b] = 1.0
            row[bands : bands + 6] = np.concatenate([ahead, hours * ahead, step["wind_way_kn"] * ahead])
            precision += np.outer(row, row) / noise[run["number"]]
            if levels["heading"] == "yes":
                row = np.zeros(len(prior))
                row[bands : bands + 4] = np.concatenate([starboard, hours * starboard])
                row[-1] = step["speed_kn"]
                precision += np.outer(row, row) / (noise[run["number"]] + leeway**2)
    return np.asarray(np.diag(np.linalg.inv(precision))[:bands], dtype=np.float64)


def _way_weights(runs: Sequence[Mapping[str, Any]]) -> Floats:
    """Return the weight of each run in the mean of its band, all directions alike."""
    directions = [run["direction_deg"] for run in runs]
    return np.array([1.0 / directions.count(d) / len(set(directions)) for d in directions])


def _unseen_abeam_kn2(drawn: Drawn, settled: Sequence[Mapping[str, Any]]) -> float:
    """Return the square of a current abeam that one line of runs without heading does not show [kn²]."""
    lines = {run["direction_deg"] % 180.0 for step in settled for run in step["runs"]}
    return float(drawn.levels["current [kn]"]) ** 2 if len(lines) == 1 else 0.0


def _log_slope(step: Mapping[str, Any], column: str) -> float:
    """Return d ln value / d ln rpm of a step."""
    low, _, high = step["nearby"]
    return float(np.log(high[column] / low[column]) / np.log(high["rpm"] / low["rpm"]))
