"""The boat's motion: forces on hull, propellers and engines, and the helm, integrated in time at a fixed step.

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

from trialcapture.geodesy import radii_m
from trialcapture.rehearse.boats import BoatModel, EngineModel, Hull, Repeatability, When
from trialcapture.rehearse.hull import (
    MOTORING_SHARE,
    RHO_AIR_KG_PER_M3,
    RHO_WATER_KG_PER_M3,
    Resistance,
    Stream,
    fuel_l_per_h,
    full_torque_nm,
    rated_torque_nm,
)
from trialcapture.rehearse.scenarios import Phase
from trialcapture.rehearse.sea import Sea, correlated, depth_m, low_pass, swing, wake_dip_m_s, wave_motion
from trialcapture.units import KN_M_PER_S

# ------------------------------------------------------------------------------
# Engines, governors, boost and propellers, advanced step by step.
#
# Each engine obeys ``I dω/dt = Q − Q_propeller``, with an ideal governor, a torque limit and a boost that lags.
# ------------------------------------------------------------------------------

_CELLS_PER_RATED = 500
"""Steps of the torque tables up to the rated speed (our choice)."""
_KW_PER_RPM_NM = 2.0 * math.pi / 60.0 / 1000.0


class EngineRoom:
    """The engines of a boat and the propellers they drive.

    Attributes:
        rpm: Speed of each engine now [rpm].
        burnt_kg: Fuel burnt in the last step, all engines [kg].
        record: Per engine what was: rpm, torque [N·m], boost as a share.
    """

    def __init__(self, boat: BoatModel, sync_share: tuple[float, ...]) -> None:
        engine, propeller = boat.engine, boat.propeller
        count = len(boat.engine_ids)
        self.rpm = [engine.idle_rpm] * count
        self.burnt_kg = 0.0
        self.record = [(array("d"), array("d"), array("d")) for _ in range(count)]
        self._boat = boat
        self._sync = sync_share
        self._torque = [0.0] * count
        self._boost = [0.05] * count
        self._rated_nm = rated_torque_nm(engine)
        cells = np.arange(0.0, 1.5 * _CELLS_PER_RATED) / _CELLS_PER_RATED
        self._limits = full_torque_nm(cells * engine.rated_rpm, engine).tolist()
        self._tip_per_rpm = propeller.diameter_m / (60.0 * engine.gear_ratio)
        self._thrust_scale = RHO_WATER_KG_PER_M3 * propeller.diameter_m**2 * (1.0 - propeller.thrust_deduction)
        self._torque_scale = (
            RHO_WATER_KG_PER_M3 * propeller.diameter_m**3 / (engine.gear_ratio * engine.gear_efficiency)
        )
        self._rpm_per_nm_s = 60.0 / (2.0 * math.pi * engine.inertia_kg_m2)

    def step(self, setting: float, clutched: bool, speed: float, dt: float, astern: bool = False) -> float:
        """Advance all engines by one step.

        Args:
            setting: Speed the levers ask for [rpm].
            clutched: Whether the propellers are driven.
            speed: Speed through water [m/s].
            dt: Step [s].
            astern: Whether the gear is astern.

        Returns:
            Thrust of all propellers that reaches the hull [N].
        """
        advance = speed * (1.0 - self._boat.propeller.wake)
        k0, k1, k2 = self._boat.propeller.kt
        thrust = 0.0
        self.burnt_kg = 0.0
        for k in range(len(self.rpm)):
            tip = self.rpm[k] * self._tip_per_rpm
            if astern:  # blades the wrong way round push with a part of what they do ahead, and stall the inflow
                thrust -= _ASTERN_SHARE * k0 * tip * tip - k2 * advance * abs(advance)
            elif clutched:
                thrust += k0 * tip * tip + k1 * tip * advance + k2 * advance * advance
            else:  # a propeller that stands still only drags
                thrust += k2 * advance * abs(advance)
            self._turn(k, setting, clutched, tip, advance, dt)
        return self._thrust_scale * thrust

    def _turn(self, k: int, setting: float, clutched: bool, tip: float, advance: float, dt: float) -> None:
        engine = self._boat.engine
        n = self.rpm[k]
        load_nm = 0.0
        wish = setting
        if clutched:
            k0, k1, k2 = self._boat.propeller.kq
            load_nm = self._torque_scale * (k0 * tip * tip + k1 * tip * advance + k2 * advance * advance)
            wish *= 1.0 + self._sync[k]
        wish *= 1.0 - engine.droop_share * self._torque[k] / self._rated_nm
        limit = self._limit_nm(n)
        ready = engine.naturally_aspirated_share
        most = limit * (ready + (1.0 - ready) * self._boost[k])
        need = load_nm + (wish - n) / engine.governor_s / self._rpm_per_nm_s
        torque = min(max(need, -MOTORING_SHARE * self._rated_nm), most)
        for column, value in zip(self.record[k], (n, torque, self._boost[k]), strict=True):
            column.append(value)
        share = n / engine.rated_rpm
        friction_kw = engine.rated_kw * (engine.friction_share[0] + engine.friction_share[1] * share) * share
        brake_kw = max(torque * n * _KW_PER_RPM_NM, 0.0)
        self.burnt_kg += (brake_kw + friction_kw) * engine.indicated_g_per_kwh * dt / 3.6e6
        self._torque[k] = torque
        self.rpm[k] = max(n + (torque - load_nm) * self._rpm_per_nm_s * dt, 0.3 * engine.idle_rpm)
        if limit > 0.0:
            self._boost[k] += (min(max(torque / limit, 0.0), 1.0) - self._boost[k]) * dt / engine.turbo_lag_s

    def _limit_nm(self, rpm: float) -> float:
        at = min(rpm / self._boat.engine.rated_rpm * _CELLS_PER_RATED, 1.49 * _CELLS_PER_RATED - 1.0)
        cell = int(at)
        low = self._limits[cell]
        return float(low + (self._limits[cell + 1] - low) * (at - cell))


# ------------------------------------------------------------------------------
# The people and the autopilot: levers moved by hand and corrected by the tachometer, headings steered.
# ------------------------------------------------------------------------------

_ASTERN_SHARE = 0.6
"""Thrust of a propeller turning astern at no speed over that ahead (common practice, no source)."""
_STILL_M_S = 0.1
"""The gear is taken out of astern when she is this slow [m/s]."""
_ADJUST_S = 12.0
"""How long the tachometer has to show the order before the hand leaves the lever [s]."""
_ADJUST_LAG_S = 4.0
"""How long a helmsman takes to follow the tachometer (common practice, no source)."""
_MET_SHARE = 0.002
"""The tachometer shows the order when it is this close, as a share."""
_AHEAD_SHARE = 0.02
"""How far beyond the order, and beyond the governor's droop, the hand pushes the lever while the boat gathers way."""
_BLIP_S = 2.5
"""How long the throttle is opened for a mark (common practice, no source)."""
_RUDDER_LAG_S = 1.5
"""Time constant of rudder and hull in a turn (common practice, no source)."""
_ARRIVED_RAD = 0.05
"""A heading so near to the ordered one is reached."""


@dataclass(frozen=True, slots=True)
class Crew:
    """How the throttles are handled.

    Attributes:
        sync_share: Per engine, how far its rpm is set from the order, as a share.
        reading_share: Standard deviation of how well the order is met, as a share of it.
        hand_s: Shortest and longest time a change of the lever takes [s].
        hunting_share: Amplitude of a slow oscillation of the setting within each hold, as a share.
        hunting_s: Its period [s].
    """

    sync_share: tuple[float, ...]
    reading_share: float = 0.0015
    hand_s: tuple[float, float] = (3.0, 6.0)
    hunting_share: float = 0.0
    hunting_s: float = 25.0


class Throttles:
    """The levers, moved together."""

    def __init__(self, engine: EngineModel, crew: Crew, rng: np.random.Generator) -> None:
        self._engine = engine
        self._crew = crew
        self._rng = rng
        self._full = engine.rated_rpm * 1.12
        self._setting = self._from = self._goal = engine.idle_rpm
        self._hand_s = 0.0
        self._met_s = 0.0
        self._phase = Phase("neutral", 0.0)
        self._steps = 1

    def take(self, phase: Phase, dt: float) -> None:
        """Take a new order; `dt` is the step [s]."""
        self._phase = phase
        self._steps = max(round(phase.duration_s / dt), 1)
        self._from = self._setting
        missed = 1.0 + self._rng.normal(0.0, self._crew.reading_share)
        self._goal = self._full if math.isinf(phase.rpm) else phase.rpm * missed
        self._met_s = 0.0
        change = abs(self._goal - self._setting)
        hand_s = self._rng.uniform(*self._crew.hand_s)
        self._hand_s = hand_s if change > 0.02 * self._engine.rated_rpm else 0.5
        if phase.hand_s is not None:
            self._hand_s = phase.hand_s

    def setting(self, step: int, dt: float, rpm: list[float]) -> float:
        """Return the speed the levers ask for [rpm], `step` steps into the order, engines now at `rpm`."""
        kind, at_s = self._phase.kind, step * dt
        hunting = 1.0
        if kind == "hold":
            if self._crew.hunting_share:
                hunting += self._crew.hunting_share * math.sin(2.0 * math.pi * at_s / self._crew.hunting_s)
            if at_s < self._hand_s:
                self._setting = self._from + (self._goal - self._from) * at_s / self._hand_s
            elif self._goal >= self._full:
                self._setting = self._goal
            elif self._met_s < _ADJUST_S:
                self._correct(sum(rpm) / len(rpm) / hunting, dt)  # the eye averages the swing out
        elif kind == "ramp":
            first, last = self._phase.rpm_from, self._phase.rpm
            self._setting = first + (last - first) * (step + 1) / self._steps
        elif kind == "blip":
            self._setting = self._phase.rpm if at_s < _BLIP_S else self._engine.idle_rpm
        elif kind == "neutral":
            self._setting = self._engine.idle_rpm
        elif kind == "astern":
            share = min(at_s / self._hand_s, 1.0) if self._hand_s > 0.0 else 1.0
            self._setting = self._from + (self._goal - self._from) * share
        return self._setting * hunting

    def _correct(self, shown: float, dt: float) -> None:
        """Move the lever for one step by what the tachometer shows [rpm], until it has shown the order long enough.

        An engine that labours while the boat gathers way falls short of any setting, so the lever stays near the
        order: pushed on, it would be left at full throttle.
        """
        short = self._goal - shown
        most = (self._engine.droop_share + _AHEAD_SHARE) * self._goal
        self._setting = min(max(self._setting + short * dt / _ADJUST_LAG_S, self._goal - most), self._goal + most)
        if abs(short) <= _MET_SHARE * self._goal:
            self._met_s += dt


class Helm:
    """The autopilot: a rate of turn in proportion to the heading error, within what the boat can turn.

    Attributes:
        heading: Heading now, unwrapped [rad].
        yaw: Rate of turn now [rad/s].
    """

    def __init__(self, hull: Hull, heading_deg: float) -> None:
        self.heading = self._wanted = math.radians(heading_deg)
        self.yaw = 0.0
        self._hull = hull
        self._kind = "neutral"

    def take(self, phase: Phase) -> None:
        """Take a new order."""
        self._kind = phase.kind
        if phase.kind in ("hold", "turn", "ramp"):
            offset = math.radians(phase.heading_deg) - self._wanted
            self._wanted += (offset + math.pi) % (2.0 * math.pi) - math.pi
        elif phase.kind == "circle":
            self._wanted += math.radians(phase.turn_deg)

    def steer(self, speed: float, dt: float) -> bool:
        """Steer for one step; return True when a turn is done.

        Args:
            speed: Speed through water [m/s].
            dt: Step [s].
        """
        fastest = min(math.radians(self._hull.turn_rate_max_deg_per_s), max(speed, 1.0) / self._hull.turn_radius_m)
        order = min(max(0.25 * (self._wanted - self.heading), -fastest), fastest)
        self.yaw += (order - self.yaw) * dt / _RUDDER_LAG_S
        self.heading += self.yaw * dt
        return self._kind in ("turn", "circle") and abs(self._wanted - self.heading) < _ARRIVED_RAD


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
            ``torque_nm_<id>``, ``load_pct_<id>``, ``boost_<id>``, ``fuel_l_per_h_<id>``; ``behind``, by what share the
            speed is still short of what the forces make it, where a part of it comes slowly.
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
        clutched, astern = phase.kind not in ("neutral", "blip"), phase.kind == "astern"
        helm.take(phase)
        throttles.take(phase, dt)
        for step in range(round(phase.duration_s / dt)):
            setting = throttles.setting(step, dt, room.rpm)
            heading = helm.heading
            sin_h, cos_h = math.sin(heading), math.cos(heading)
            current_e, current_n, jump = stream.at(now, x, y, sin_h, cos_h)
            over_e, over_n = speed * sin_h + current_e, speed * cos_h + current_n
            thrust = room.step(setting, clutched, speed, dt, astern)
            drag = resistance.step(speed, heading, helm.yaw, over_e, over_n, mass, dt)
            state = (speed, heading, helm.yaw, resistance.ratio, resistance.share, x, y, current_e, current_n, mass)
            for column, value in zip(columns, state, strict=True):
                column.append(value)
            speed += (thrust - drag) / (mass * (1.0 + boat.hull.added_mass_share)) * dt - jump
            mass -= room.burnt_kg
            x += over_e * dt
            y += over_n * dt
            now += dt
            if helm.steer(speed, dt) or (astern and speed < _STILL_M_S):
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
    if hull.slow_share > 0.0:
        series |= _with_slow_part(series["stw_m_s"], hull)
    t_s = np.arange(series["stw_m_s"].size, dtype=np.float64) * STEP_S
    for engine_id, record in zip(boat.engine_ids, room.record, strict=True):
        rpm, torque, boost = (np.frombuffer(column, dtype=np.float64) for column in record)
        full = full_torque_nm(np.minimum(rpm, boat.engine.rated_rpm), boat.engine)
        series[f"rpm_{engine_id}"] = rpm
        series[f"torque_nm_{engine_id}"] = torque
        series[f"boost_{engine_id}"] = boost
        series[f"load_pct_{engine_id}"] = np.clip(100.0 * torque / full, 0.0, 100.0)
        fuel = fuel_l_per_h(rpm, torque, boat.engine)
        # a propeller's torque falls about as its advance grows: held back at the same rpm, it asks for more
        series[f"fuel_l_per_h_{engine_id}"] = fuel * (1.0 - series["behind"]) if "behind" in series else fuel
    return Motion(t_s, series, tuple(ordered))


def _with_slow_part(stw_m_s: Floats, hull: Hull) -> dict[str, Floats]:
    """Return the speed with a share of every change of it behind a first-order lag, and how far that is behind.

    After a step the speed is short of where it settles by share · step · exp(−t / time constant).
    """
    slow = stw_m_s - hull.slow_share * (stw_m_s - low_pass(stw_m_s, STEP_S, hull.slow_s))
    under_way = stw_m_s > 1.0
    return {"stw_m_s": slow, "behind": np.where(under_way, slow / np.where(under_way, stw_m_s, 1.0) - 1.0, 0.0)}


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


# ------------------------------------------------------------------------------
# The boat as she really moves: waves and governor hunting laid over the mean motion, placed on the earth.
#
# What is added here is of mean zero and, within a run, stationary: it disturbs sensors, and makes runs differ from each
# other, without changing what is steady.
# ------------------------------------------------------------------------------

RUN_SD_SHARE = 0.002
"""Spread of a boat's speed from run to run at one rpm, as a share: trim, persons moving, helm, patches of sea, weed
(common practice, no source)."""
_RUN_LAG_S = 10.0
"""How fast the spread from run to run comes and goes (our choice)."""


def ride(
    motion: Motion,
    boat: BoatModel,
    sea: Sea,
    rng: np.random.Generator,
    run_rng: np.random.Generator | None = None,
    repeats: Repeatability | None = None,
) -> dict[str, Floats]:
    """Return the true state of boat, water and air on the time grid of the motion.

    Args:
        motion: The mean motion.
        boat: The boat.
        sea: Waves and wind.
        rng: Source of waves, gusts and hunting.
        run_rng: Source of what differs from run to run; None for a boat that repeats herself exactly.
        repeats: How well she repeats herself; None for the usual.

    Returns:
        ``t_s``, ``stw_kn``, ``heading_rad`` (unwrapped), ``yaw_rad_s``, ``roll_rad``, ``pitch_rad``,
        ``lat_deg``, ``lon_deg``, ``east_m_s``, ``north_m_s`` (over ground), ``current_e_m_s``,
        ``current_n_m_s``, ``depth_m``, ``wind_e_m_s``, ``wind_n_m_s`` (towards), ``planing``; per engine
        ``rpm_<id>``, ``fuel_l_per_h_<id>``, ``load_pct_<id>``, ``boost_<id>``.
    """
    mean = motion.series
    t_s = motion.t_s
    count = t_s.size
    stw = mean["stw_m_s"]
    way = np.clip(stw / 2.0, 0.0, 1.0)  # a boat without way is steered by nothing
    steered = mean["heading_rad"] + np.radians(0.5) * way * correlated(count, STEP_S, 20.0, rng)
    steered += np.radians(8.0) * (1.0 - way) * correlated(count, STEP_S, 90.0, rng)
    waves = wave_motion(t_s, stw, steered, sea, boat.hull.waterline_m, rng)

    out: dict[str, Floats] = {"t_s": t_s, "planing": mean["planing"]}
    repeats = repeats or Repeatability()
    luck = _run_luck(motion, run_rng, repeats.run_sd_kn)
    hunting = []
    for engine_id in boat.engine_ids:
        wander = 0.0008 * correlated(count, STEP_S, 4.0, rng)
        hunting.append(wander)
        out[f"rpm_{engine_id}"] = mean[f"rpm_{engine_id}"] * (1.0 + wander)
        # a propeller's torque falls about as its advance grows: held back at the same rpm, it asks for more
        out[f"fuel_l_per_h_{engine_id}"] = mean[f"fuel_l_per_h_{engine_id}"] * (1.0 + 2.5 * wander - luck)
        out[f"load_pct_{engine_id}"] = mean[f"load_pct_{engine_id}"]
        out[f"boost_{engine_id}"] = mean[f"boost_{engine_id}"]
    followed = stw * low_pass(np.mean(hunting, axis=0), STEP_S, 8.0)
    through = stw * (1.0 + luck) + followed + waves["surge_m_s"]
    if run_rng is not None:
        for sd_kn, memory_s in repeats.wander:
            through = through + way * sd_kn * KN_M_PER_S * correlated(count, STEP_S, memory_s, run_rng)
    if sea.wakes is not None:
        through = through - wake_dip_m_s(t_s, stw, sea.wakes)

    gust = sea.wind_gust_share * correlated(count, STEP_S, 15.0, rng)
    swing = np.radians(6.0) * correlated(count, STEP_S, 120.0, rng)
    wind = sea.wind_kn * KN_M_PER_S * np.maximum(1.0 + gust, 0.05)
    towards = np.radians(sea.wind_from_deg) + np.pi + swing
    out["wind_e_m_s"], out["wind_n_m_s"] = wind * np.sin(towards), wind * np.cos(towards)

    # the boat goes where she points, but not at once: quick yaw turns the hull and not the track
    course = steered + low_pass(waves["yaw_rad"], STEP_S, 2.0) - turn_drift_rad(mean, boat.hull)
    sin_h, cos_h = np.sin(course), np.cos(course)
    east = through * sin_h + mean["current_e_m_s"]
    north = through * cos_h + mean["current_n_m_s"]
    # leeway: the crosswind felt pushes the boat to leeward
    across = (out["wind_e_m_s"] - east) * cos_h - (out["wind_n_m_s"] - north) * sin_h
    leeway = boat.hull.leeway_share * low_pass(across, STEP_S, 5.0) * (RHO_AIR_KG_PER_M3 / 1.22)
    east, north = east + leeway * cos_h, north - leeway * sin_h

    meridian, vertical = radii_m(sea.latitude_deg)
    out["lat_deg"] = sea.latitude_deg + np.degrees(_travelled(north) / meridian)
    parallel = vertical * np.cos(np.radians(out["lat_deg"]))
    out["lon_deg"] = (sea.longitude_deg + np.degrees(_travelled(east / parallel)) + 180.0) % 360.0 - 180.0
    heading = steered + waves["yaw_rad"]
    turning = low_pass(stw * mean["yaw_rad_s"], STEP_S, 1.5)
    out |= {
        "stw_kn": through / KN_M_PER_S,
        "heading_rad": heading,
        "yaw_rad_s": np.gradient(heading, STEP_S),
        "roll_rad": waves["roll_rad"] + 0.04 * turning,
        "pitch_rad": mean["trim_rad"] + waves["pitch_rad"],
        "east_m_s": east,
        "north_m_s": north,
        "current_e_m_s": mean["current_e_m_s"],
        "current_n_m_s": mean["current_n_m_s"],
        "depth_m": depth_m(mean["x_m"], mean["y_m"], sea),
    }
    return out


def turn_drift_rad(mean: dict[str, Floats], hull: Hull) -> Floats:
    """Return by what angle the way through the water lags behind the heading in a turn [rad], starboard positive.

    In proportion to length over radius, as slender-body theory has it (from memory).
    """
    if hull.turn_drift_lengths == 0.0:
        return np.zeros(mean["stw_m_s"].size)
    return hull.turn_drift_lengths * hull.length_m * mean["yaw_rad_s"] / np.maximum(mean["stw_m_s"], 2.0)


def _run_luck(motion: Motion, rng: np.random.Generator | None, sd_kn: float | None) -> Floats:
    """Return by what share the speed through water differs from the boat's own at each instant, run by run."""
    luck = np.zeros(motion.t_s.size)
    if rng is None:
        return luck
    for ordered in motion.ordered:
        if ordered.phase.kind == "hold":
            span = slice(round(ordered.start_s / STEP_S), round(ordered.stop_s / STEP_S))
            sd = RUN_SD_SHARE if sd_kn is None else sd_kn * KN_M_PER_S / max(motion.series["stw_m_s"][span][-1], 1.0)
            luck[span] = rng.normal(0.0, sd)
    return low_pass(luck, STEP_S, _RUN_LAG_S)


def _travelled(rate: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1])) * STEP_S])
