"""Engines, governors, boost and propellers, advanced step by step.

Each engine obeys ``I dω/dt = Q − Q_propeller``, with an ideal governor, a torque limit and a boost that lags.
"""

from __future__ import annotations

import math
from array import array

import numpy as np

from trialcapture.rehearse.boats import BoatModel
from trialcapture.rehearse.hull import RHO_WATER_KG_PER_M3
from trialcapture.rehearse.propulsion import MOTORING_SHARE, full_torque_nm, rated_torque_nm

_CELLS_PER_RATED = 500
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

    def step(self, setting: float, clutched: bool, speed: float, dt: float) -> float:
        """Advance all engines by one step.

        Args:
            setting: Speed the levers ask for [rpm].
            clutched: Whether the propellers are driven.
            speed: Speed through water [m/s].
            dt: Step [s].

        Returns:
            Thrust of all propellers that reaches the hull [N].
        """
        advance = speed * (1.0 - self._boat.propeller.wake)
        k0, k1, k2 = self._boat.propeller.kt
        thrust = 0.0
        self.burnt_kg = 0.0
        for k in range(len(self.rpm)):
            tip = self.rpm[k] * self._tip_per_rpm
            if clutched:
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
