"""One call that runs a named trial: motion, sensors, wires, engine logs, notes, truth."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from trialcapture.config import Config, load_config
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.calibration import draw_errors, no_errors, with_errors
from trialcapture.rehearse.enginelog import WrittenLog, write_engine_log
from trialcapture.rehearse.fault_list import FAULTS
from trialcapture.rehearse.faults import Fault, tell_faults
from trialcapture.rehearse.helm import Crew
from trialcapture.rehearse.instruments import chatter, observe
from trialcapture.rehearse.lines import deliver, wall_ms
from trialcapture.rehearse.motion import Motion, integrate
from trialcapture.rehearse.plan import Plan, build_phases, fitted, shortened
from trialcapture.rehearse.receivers import receive
from trialcapture.rehearse.ride import ride
from trialcapture.rehearse.scenarios import DEFAULT, SCENARIOS, Scenario
from trialcapture.rehearse.settings import config_text
from trialcapture.rehearse.truth import tell_truth, utc_text


@dataclass(frozen=True, slots=True)
class Trial:
    """A simulated trial, everything in memory.

    Attributes:
        scenario: As run, with this seed's own current, wind, clocks and calibration errors, and with its faults.
        seed: The seed.
        start_utc_ns: UTC at the start [ns].
        config_text: The settings as TOML.
        config: The same, read.
        lines: What the recorder received: `trialcapture.rehearse.lines.LINES_SCHEMA`.
        engine_logs: The engine logs as offloaded.
        notes: Entries for ``raw/notes.jsonl``.
        truth: What a perfect reduction would find, ready for JSON.
    """

    scenario: Scenario
    seed: int
    start_utc_ns: int
    config_text: str
    config: Config
    lines: pa.Table
    engine_logs: tuple[WrittenLog, ...]
    notes: tuple[dict[str, Any], ...]
    truth: dict[str, Any]


def find_scenario(name: str) -> Scenario:
    """Return a scenario by name.

    Raises:
        TrialCaptureError: There is none of that name.
    """
    if name not in SCENARIOS:
        raise TrialCaptureError(
            "there is no such scenario", seen=name, expected="choose one of " + ", ".join(SCENARIOS)
        )
    return SCENARIOS[name]


def find_fault(name: str) -> Fault:
    """Return a fault by name.

    Raises:
        TrialCaptureError: There is none of that name.
    """
    if name not in FAULTS:
        raise TrialCaptureError("there is no such fault", seen=name, expected="choose from " + ", ".join(FAULTS))
    return FAULTS[name]


def simulate(
    scenario: str | Scenario = DEFAULT,
    seed: int = 1,
    *,
    plan: Plan | None = None,
    short: bool = False,
    hours: float | None = None,
    start_utc_ns: int | None = None,
    errors: bool = False,
    faults: Sequence[str | Fault] = (),
) -> Trial:
    """Simulate a trial.

    Args:
        scenario: Name of one of `SCENARIOS`, or a scenario of your own.
        seed: Equal seeds give equal bytes; another seed also varies current, wind and clocks a little.
        plan: Run this plan instead of the scenario's own.
        short: A quick version: three steps, short legs, no manoeuvres.
        hours: Length wanted [h]: steps are left out, or the ladder is run again, to come near it.
        start_utc_ns: When the trial begins; the scenario's own time when not given.
        errors: Draw what no averaging within one trial takes away: a bias of each receiver, an error of the fuel's
            calibration, a spread of speed from run to run. Without, sensors are right in the mean.
        faults: Names from `FAULTS`, or faults of your own, applied in turn. What the boat does and what sensors
            without faults measure is the same, draw for draw, as in the trial of this seed without them.

    Raises:
        TrialCaptureError: There is no such scenario or fault, a fault does not fit, or `hours` cannot be met.
    """
    run = find_scenario(scenario) if isinstance(scenario, str) else scenario
    run = replace(run, plan=plan or run.plan)
    run = replace(run, plan=shortened(run.plan) if short else run.plan)
    if hours is not None:
        run = replace(run, plan=fitted(run.plan, hours))
    root = np.random.SeedSequence([seed, zlib.crc32(run.name.encode())])
    rngs = [np.random.default_rng(child) for child in root.spawn(14)]
    if run.vary:
        run = _varied(run, rngs[0])
    drawn = draw_errors(run, rngs[10], rngs[11]) if errors else no_errors(run)
    run = with_errors(run, drawn)
    wrong = [find_fault(fault) if isinstance(fault, str) else fault for fault in faults]
    for fault in wrong:
        run = fault.applied(run)
    start_ns = start_utc_ns
    if start_ns is None:
        start_ns = round(datetime.fromisoformat(run.start_utc).timestamp()) * 1_000_000_000

    crew = _crew(run, rngs[1])
    motion = integrate(run.boat, build_phases(run.plan, run.boat), run.sea, crew, rngs[2])
    state = ride(motion, run.boat, run.sea, rngs[3], rngs[12] if errors else None)
    end_s = float(state["t_s"][-1])

    emissions = [
        receive(state, r, start_ns, run.sea.variation_deg, rngs[13 if r.is_beside else 4], motion.ordered)
        for r in run.receivers
    ]
    shown = (1.0 + drawn.fuel_pct / 100.0) / (1.0 if run.fuel_calibration is None else run.fuel_calibration[0])
    emissions += observe(state, run.instruments, run.boat, run.sea, rngs[5], motion.ordered, shown)
    emissions += chatter(end_s, run.instruments.source, run.damage, rngs[6])
    lines, counts = deliver(emissions, run.wires, run.damage, run.laptop, start_ns, end_s, rngs[7])

    logs = tuple(write_engine_log(state, run.boat, style, start_ns, rngs[8]) for style in run.logs)
    text = config_text(run)
    truth = {
        "scenario": run.name,
        "seed": seed,
        "boat": run.boat.name,
        "displacement_kg": run.boat.displacement_kg,
        **tell_truth(motion, state, run.boat, logs, start_ns, run.handling.hunting_share),
        "errors": drawn.as_truth(),
        "lines": counts,
        "laptop": {"wall_error_s": run.laptop.wall_error_s, "drift_ppm": run.laptop.drift_ppm},
        "log_factor": run.instruments.log_factor,
        "log_offset_kn": run.instruments.log_offset_kn,
    }
    if wrong:
        truth["faults"] = tell_faults(wrong, run, motion.ordered, truth["steps"], start_ns, end_s)
    notes = _notes(run, motion, start_ns, end_s, rngs[9])
    config = load_config(text, where=f"settings of scenario {run.name}")
    return Trial(run, seed, start_ns, text, config, lines, logs, notes, truth)


def _crew(run: Scenario, rng: np.random.Generator) -> Crew:
    """Return how the throttles are handled: the levers are never quite even, and may be set apart on purpose."""
    apart = np.linspace(0.5, -0.5, len(run.boat.engine_ids)) * run.handling.apart_share
    uneven = rng.normal(0.0, 0.0015, len(run.boat.engine_ids))
    sync = tuple(uneven + apart) if run.handling.apart_share else tuple(uneven)
    return Crew(sync, hunting_share=run.handling.hunting_share, hunting_s=run.handling.hunting_s)


def _varied(run: Scenario, rng: np.random.Generator) -> Scenario:
    """Return the scenario with current, wind and clocks as they are on this day."""
    sea = replace(
        run.sea,
        current_kn=run.sea.current_kn * float(rng.uniform(0.85, 1.15)),
        current_towards_deg=float(run.sea.current_towards_deg + rng.normal(0.0, 6.0)) % 360.0,
        tide_phase_deg=run.sea.tide_phase_deg + float(rng.normal(0.0, 4.0)),
        wind_kn=run.sea.wind_kn * float(rng.uniform(0.7, 1.2)),
        wind_from_deg=float(run.sea.wind_from_deg + rng.normal(0.0, 15.0)) % 360.0,
    )
    logs = tuple(
        replace(
            style,
            clock_error_s=style.clock_error_s + float(rng.uniform(-20.0, 20.0)),
            drift_ppm=style.drift_ppm + float(rng.normal(0.0, 6.0)),
        )
        for style in run.logs
    )
    laptop = replace(run.laptop, drift_ppm=run.laptop.drift_ppm + float(rng.normal(0.0, 8.0)))
    return replace(run, sea=sea, logs=logs, laptop=laptop)


def _notes(
    run: Scenario, motion: Motion, start_ns: int, end_s: float, rng: np.random.Generator
) -> tuple[dict[str, Any], ...]:
    """Return what people wrote down, stamped by the laptop's wall clock, with a hand's reaction time."""
    entries: list[tuple[float, str, Any, str | None, str]] = [
        (5.0, "trim", run.trim_note, None, "helm"),
        (8.0, "sea", f"waves {run.sea.wave_height_m:g} m, wind {run.sea.wind_kn:.0f} kn", None, "recorder"),
    ]
    for ordered in motion.ordered:
        if ordered.phase.kind == "blip":
            entries.append((ordered.start_s + 0.2 + float(rng.exponential(0.3)), "mark", "throttle blip", None, "lead"))
        elif ordered.phase.label == "slow run-down":
            entries.append((ordered.start_s + 2.0, "remark", "slow run-down begins", None, "lead"))
    out = []
    for t_s, kind, value, unit, by in sorted(entries, key=lambda entry: entry[0]):
        shown_s = int(wall_ms(np.array([t_s]), run.laptop, start_ns, end_s)[0]) / 1e3 - start_ns / 1e9
        out.append({"t": utc_text(start_ns, shown_s), "kind": kind, "value": value, "unit": unit, "by": by})
    return tuple(out)
