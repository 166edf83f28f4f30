"""The boat's motion: forces on hull, propellers and engines, integrated in time at a fixed step.

Along the boat's axis, with V the speed through water and C the current along the heading:
``(m + added) dV/dt = Σ T(n, V) − R(V) − air − turning drag − wave drag − (m + added) dC/dt``.
The last term is why a current front disturbs the speed through water: the boat keeps its way over ground.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from trialcapture.rehearse.boats import BoatModel
from trialcapture.rehearse.engineroom import EngineRoom
from trialcapture.rehearse.forces import Resistance, Stream
from trialcapture.rehearse.helm import Crew, Helm, Throttles
from trialcapture.rehearse.kit import When
from trialcapture.rehearse.noise import swing
from trialcapture.rehearse.plan import Phase
from trialcapture.rehearse.propulsion import fuel_l_per_h, full_torque_nm
from trialcapture.rehearse.sea import Sea

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

STEP_S = 0.05
"""Integration step [s]: 20 Hz, no more than the fastest time constant (the governor shutting down)."""

_SERIES = (
    "stw_m_s", "heading_rad", "yaw_rad_s", "ratio", "planing", "x_m", "y_m", "current_e_m_s", "current_n_m_s",
    "mass_kg",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ordered:
    """A phase as it was run: from `start_s` to `stop_s` since the start of the simulation."""

    phase: Phase
    start_s: float
    stop_s: float


@dataclass(frozen=True, slots=True)
class Motion:
    """What the boat did, without waves: arrays on a uniform time grid of `STEP_S`.

    Attributes:
        t_s: Time since the start [s].
        series: ``stw_m_s``, ``heading_rad`` (unwrapped), ``yaw_rad_s``, ``trim_rad``, ``planing``, ``x_m``,
            ``y_m``, ``current_e_m_s``, ``current_n_m_s``, ``mass_kg``; and per engine id ``rpm_<id>``,
            ``torque_nm_<id>``, ``load_pct_<id>``, ``boost_<id>``, ``fuel_l_per_h_<id>``.
        ordered: The phases as run.
    """

    t_s: Floats
    series: dict[str, Floats]
    ordered: tuple[Ordered, ...] = field(default=())


def integrate(
    boat: BoatModel,
    phases: tuple[Phase, ...],
    sea: Sea,
    crew: Crew,
    rng: np.random.Generator,
    *,
    mass_kg: float | None = None,
) -> Motion:
    """Run the phases one after another and return the motion.

    Args:
        boat: The boat.
        phases: The orders.
        sea: Current, wind and waves.
        crew: How the throttles are handled.
        rng: Source of what differs from hand to hand.
        mass_kg: Mass at the start [kg]; the boat's own displacement when not given.
    """
    mass = boat.displacement_kg if mass_kg is None else mass_kg
    room = EngineRoom(boat, crew.sync_share)
    resistance, stream = Resistance(boat.hull, sea, mass), Stream(sea)
    throttles, helm = Throttles(boat.engine, crew, rng), Helm(boat.hull, phases[0].heading_deg)
    columns = [array("d") for _ in _SERIES]
    dt = STEP_S
    speed = x = y = now = 0.0
    ordered: list[Ordered] = []
    for phase in phases:
        began = now
        clutched = phase.kind not in ("neutral", "blip")
        helm.take(phase)
        throttles.take(phase, dt)
        for step in range(round(phase.duration_s / dt)):
            setting = throttles.setting(step, dt, room.rpm)
            heading = helm.heading
            sin_h, cos_h = math.sin(heading), math.cos(heading)
            current_e, current_n, jump = stream.at(now, x, y, sin_h, cos_h)
            over_e, over_n = speed * sin_h + current_e, speed * cos_h + current_n
            thrust = room.step(setting, clutched, speed, dt)
            drag = resistance.step(speed, heading, helm.yaw, over_e, over_n, mass, dt)
            state = (speed, heading, helm.yaw, resistance.ratio, resistance.share, x, y, current_e, current_n, mass)
            for column, value in zip(columns, state, strict=True):
                column.append(value)
            speed += (thrust - drag) / (mass * (1.0 + boat.hull.added_mass_share)) * dt - jump
            mass -= room.burnt_kg
            x += over_e * dt
            y += over_n * dt
            now += dt
            if helm.steer(speed, dt):
                break
        ordered.append(Ordered(phase, began, now))
    return _as_motion(boat, room, ordered, dict(zip(_SERIES, columns, strict=True)))


def _as_motion(boat: BoatModel, room: EngineRoom, ordered: list[Ordered], columns: dict[str, array[float]]) -> Motion:
    series = {name: np.frombuffer(column, dtype=np.float64) for name, column in columns.items()}
    series["trim_rad"] = np.arctan(series.pop("ratio"))
    hull = boat.hull
    if hull.swing_period_s > 0.0:
        for name in ("stw_m_s", "trim_rad"):
            series[name] = swing(series[name], STEP_S, hull.swing_period_s, hull.swing_damping)
    t_s = np.arange(series["stw_m_s"].size, dtype=np.float64) * STEP_S
    for engine_id, record in zip(boat.engine_ids, room.record, strict=True):
        rpm, torque, boost = (np.frombuffer(column, dtype=np.float64) for column in record)
        full = full_torque_nm(np.minimum(rpm, boat.engine.rated_rpm), boat.engine)
        series[f"rpm_{engine_id}"] = rpm
        series[f"torque_nm_{engine_id}"] = torque
        series[f"boost_{engine_id}"] = boost
        series[f"load_pct_{engine_id}"] = np.clip(100.0 * torque / full, 0.0, 100.0)
        series[f"fuel_l_per_h_{engine_id}"] = fuel_l_per_h(rpm, torque, boat.engine)
    return Motion(t_s, series, tuple(ordered))


def spans_s(when: When, ordered: Sequence[Ordered], end_s: float) -> list[tuple[float, float]]:
    """Return from when to when something acts, since the start of the simulation [s].

    Args:
        when: As asked for.
        ordered: The phases as run; needed only for ``when.step``.
        end_s: Length of the trial [s].
    """
    if when.step is None:
        begin_s = when.share * end_s
        return [(begin_s, min(begin_s + when.duration_s, end_s))]
    runs = [o for o in ordered if o.phase.label.startswith("step ")]
    ladder = sorted({float(o.phase.label.removeprefix("step ")) for o in runs})
    if not ladder:
        return []
    label = f"step {ladder[round(when.step * (len(ladder) - 1))]:.0f}"
    chosen = [(o.start_s, o.stop_s) for o in runs if o.phase.label == label]
    return chosen if when.way is None else chosen[when.way : when.way + 1]


def acts_at(when: When, at_s: Floats, ordered: Sequence[Ordered], end_s: float) -> Bools:
    """Return where something acts, the shape of `at_s` [s]."""
    acts = np.zeros(at_s.shape, dtype=bool)
    for begin_s, stop_s in spans_s(when, ordered, end_s):
        acts |= (at_s >= begin_s) & (at_s < stop_s)
    return acts


def repeated(acts: Bools) -> npt.NDArray[np.int64]:
    """Return for each reading which one it repeats: the first of a stretch where `acts` holds, else itself."""
    own = np.arange(acts.size)
    begins = acts & ~np.concatenate([[False], acts[:-1]])
    return np.where(acts, np.maximum.accumulate(np.where(begins, own, 0)), own)
