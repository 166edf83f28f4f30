"""The boats that are simulated: all invented, with sizes and coefficients of their kind.

Coefficients not marked otherwise are common practice for the kind of boat, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Hull:
    """A hull as the equation of motion sees it; formulas in `trialcapture.rehearse.hull`.

    Attributes:
        planing: True when the hull lifts; False keeps it in displacement mode at every speed.
        length_m: Length overall [m].
        waterline_m: Length of waterline [m].
        beam_m: Beam [m].
        draught_m: Draught [m].
        lightship_kg: Mass without fluids, persons and gear [kg].
        wetted_m2: Wetted area at rest [m²].
        appendage_share: Drag of rudders and shafts, as a share of the friction.
        added_mass_share: Water carried along when accelerating, as a share of the mass.
        air_drag_m2: Drag coefficient times frontal area [m²].
        wave_ratio: Size of the wave-making resistance: over weight (planing), or at zero speed (displacement).
        wave_froude: Volumetric Froude number that scales its rise (planing); growth with Froude number
            (displacement).
        lift_ratio: Planing pressure drag over weight, times the volumetric Froude number.
        plane_froude: Volumetric Froude number half way between displacement and planing flow.
        plane_width: Width of that change.
        plane_hysteresis: How far the change lies apart, in volumetric Froude number, going up and down.
        wave_lag_lengths: Boat lengths travelled while waves and trim follow a change of speed (time constant).
        swing_period_s: Period with which speed and trim swing about where they settle, as a mass on a spring [s];
            0 where they do not.
        swing_damping: Damping ratio of that.
        wetted_drop: Share of the wetted area that comes out of the water on the plane.
        turn_drag: Drag in a turn, as a share of the centripetal force.
        turn_radius_m: Radius the autopilot steers [m].
        turn_rate_max_deg_per_s: Fastest turn the autopilot steers [deg/s].
        wave_drag_n_per_m2: Added drag in head seas over significant wave height squared [N/m²].
        leeway_share: Sideways drift over the crosswind felt.
    """

    planing: bool
    length_m: float
    waterline_m: float
    beam_m: float
    draught_m: float
    lightship_kg: float
    wetted_m2: float
    appendage_share: float
    added_mass_share: float
    air_drag_m2: float
    wave_ratio: float
    wave_froude: float
    turn_radius_m: float
    turn_rate_max_deg_per_s: float
    lift_ratio: float = 0.0
    plane_froude: float = 1.45
    plane_width: float = 0.13
    plane_hysteresis: float = 0.0
    wave_lag_lengths: float = 3.0
    swing_period_s: float = 0.0
    swing_damping: float = 0.4
    wetted_drop: float = 0.0
    turn_drag: float = 0.10
    wave_drag_n_per_m2: float = 400.0
    leeway_share: float = 0.004


@dataclass(frozen=True, slots=True)
class Propeller:
    """A propeller: KT and KQ as quadratics in the advance ratio J, and what the hull does to it."""

    diameter_m: float
    pitch_m: float
    kt: tuple[float, float, float]
    kq: tuple[float, float, float]
    wake: float
    thrust_deduction: float


@dataclass(frozen=True, slots=True)
class EngineModel:
    """An engine and its gear.

    Attributes:
        rated_kw: Brake power at rated speed [kW].
        rated_rpm: Rated speed; the governor lets it run a little higher [rpm].
        idle_rpm: Idle speed [rpm].
        gear_ratio: Engine turns for one turn of the shaft.
        gear_efficiency: Share of the power that reaches the propeller.
        inertia_kg_m2: Rotating inertia, seen at the crank, gear and propeller included [kg·m²].
        turbo_lag_s: Time constant of the boost pressure [s].
        naturally_aspirated_share: Torque available before the boost has come, over that with it.
        indicated_g_per_kwh: Fuel for one kilowatt-hour inside the cylinder [g/kWh] (Willans line).
        friction_share: Friction and pumping power at rated speed over rated power, linear and quadratic in rpm.
        fuel_kg_per_l: Fuel density [kg/L].
        governor_s: Time constant with which the governor brings the engine to its setting [s].
        droop_share: How far full load pulls the speed below the setting: 0 for electronic governors.
    """

    rated_kw: float
    rated_rpm: float
    idle_rpm: float
    gear_ratio: float
    inertia_kg_m2: float
    turbo_lag_s: float
    naturally_aspirated_share: float
    indicated_g_per_kwh: float
    friction_share: tuple[float, float]
    fuel_kg_per_l: float
    gear_efficiency: float = 0.965
    governor_s: float = 0.6
    droop_share: float = 0.0


@dataclass(frozen=True, slots=True)
class BoatModel:
    """A whole boat, with what is on board for the trial.

    Attributes:
        name: Invented name.
        hull: The hull.
        propeller: One of the equal propellers.
        engine: One of the equal engines.
        engine_ids: Ids of the engines, as in the settings.
        nmea_numbers: Their numbers in RPM sentences: odd to starboard, even to port, 0 on the centreline
            (IEC 61162-1, as restated in the open "NMEA Revealed" document).
        fuel_capacity_l: Fuel tank [L].
        fuel_fraction: How full it is at the start.
        water_l: Fresh water on board [L].
        water_capacity_l: Fresh water tank [L].
        persons: People on board, 75 kg each.
        gear_kg: Other things on board [kg].
        steps_rpm: The trial's steps, the last one being full throttle.
    """

    name: str
    hull: Hull
    propeller: Propeller
    engine: EngineModel
    engine_ids: tuple[str, ...]
    nmea_numbers: tuple[int, ...]
    fuel_capacity_l: float
    fuel_fraction: float
    water_l: float
    water_capacity_l: float
    persons: int
    gear_kg: float
    steps_rpm: tuple[float, ...]

    @property
    def displacement_kg(self) -> float:
        """Mass at the start of the trial [kg]: what the load sheet adds up to."""
        fuel_kg = self.fuel_capacity_l * self.fuel_fraction * self.engine.fuel_kg_per_l
        return self.hull.lightship_kg + fuel_kg + self.water_l + 75.0 * self.persons + self.gear_kg


# The KT and KQ curves have the shape of four-bladed propellers of pitch ratio 1.1 and 0.8 (from memory).
_KT_1_1, _KQ_1_1 = (0.500, -0.3013, -0.1077), (0.0780, -0.0322, -0.02538)
_KT_0_8, _KQ_0_8 = (0.350, -0.3264, -0.0873), (0.0400, -0.02785, -0.0163)

TARN_PLOVER = BoatModel(
    name="Tarn Plover",
    hull=Hull(
        planing=True, length_m=16.8, waterline_m=14.2, beam_m=4.7, draught_m=1.20, lightship_kg=21500.0,
        wetted_m2=58.0, appendage_share=0.24, added_mass_share=0.08, air_drag_m2=9.0,
        wave_ratio=0.118, wave_froude=1.0, lift_ratio=0.194, wetted_drop=0.0,
        plane_froude=1.38, plane_width=0.11,
        turn_radius_m=120.0, turn_rate_max_deg_per_s=5.0,
    ),
    propeller=Propeller(diameter_m=0.73, pitch_m=0.803, kt=_KT_1_1, kq=_KQ_1_1, wake=0.02, thrust_deduction=0.10),
    engine=EngineModel(
        rated_kw=440.0, rated_rpm=2300.0, idle_rpm=600.0, gear_ratio=1.78, inertia_kg_m2=4.0, turbo_lag_s=2.0,
        naturally_aspirated_share=0.6, indicated_g_per_kwh=190.0, friction_share=(0.03, 0.07), fuel_kg_per_l=0.840,
    ),
    engine_ids=("port", "stbd"), nmea_numbers=(2, 1),
    fuel_capacity_l=2200.0, fuel_fraction=0.62, water_l=240.0, water_capacity_l=600.0, persons=5, gear_kg=480.0,
    steps_rpm=(800.0, 1000.0, 1200.0, 1400.0, 1600.0, 1800.0, 2000.0, 2200.0, 2320.0),
)  # fmt: skip
"""Two-engine planing motor yacht of about 24 t."""

OLD_SEDGE = BoatModel(
    name="Old Sedge",
    hull=Hull(
        planing=False, length_m=11.6, waterline_m=10.7, beam_m=3.7, draught_m=1.35, lightship_kg=8900.0,
        wetted_m2=34.0, appendage_share=0.22, added_mass_share=0.08, air_drag_m2=6.0,
        wave_ratio=1.2e-5, wave_froude=18.3, turn_radius_m=35.0, turn_rate_max_deg_per_s=4.0,
        wave_drag_n_per_m2=250.0, leeway_share=0.006,
    ),
    propeller=Propeller(diameter_m=0.59, pitch_m=0.47, kt=_KT_0_8, kq=_KQ_0_8, wake=0.14, thrust_deduction=0.12),
    engine=EngineModel(
        rated_kw=60.0, rated_rpm=2600.0, idle_rpm=750.0, gear_ratio=2.6, inertia_kg_m2=1.0, turbo_lag_s=1.0,
        naturally_aspirated_share=0.85, indicated_g_per_kwh=194.0, friction_share=(0.04, 0.08), fuel_kg_per_l=0.838,
        governor_s=0.9, droop_share=0.04,
    ),
    engine_ids=("main",), nmea_numbers=(0,),
    fuel_capacity_l=480.0, fuel_fraction=0.75, water_l=150.0, water_capacity_l=300.0, persons=3, gear_kg=260.0,
    steps_rpm=(1000.0, 1300.0, 1600.0, 1900.0, 2200.0, 2450.0, 2610.0),
)  # fmt: skip
"""Single-engine displacement boat of about 10 t."""

SMALL_TERN = BoatModel(
    name="Small Tern",
    hull=Hull(
        planing=True, length_m=7.4, waterline_m=6.1, beam_m=2.5, draught_m=0.5, lightship_kg=1980.0,
        wetted_m2=13.5, appendage_share=0.15, added_mass_share=0.10, air_drag_m2=2.4,
        wave_ratio=0.125, wave_froude=1.0, lift_ratio=0.180, wetted_drop=0.30,
        plane_hysteresis=0.12, turn_radius_m=40.0, turn_rate_max_deg_per_s=9.0, wave_drag_n_per_m2=120.0,
    ),
    propeller=Propeller(diameter_m=0.38, pitch_m=0.418, kt=_KT_1_1, kq=_KQ_1_1, wake=0.02, thrust_deduction=0.04),
    engine=EngineModel(
        rated_kw=152.0, rated_rpm=5500.0, idle_rpm=700.0, gear_ratio=1.92, inertia_kg_m2=0.20, turbo_lag_s=0.3,
        naturally_aspirated_share=0.95, indicated_g_per_kwh=238.0, friction_share=(0.05, 0.11), fuel_kg_per_l=0.745,
        gear_efficiency=0.95,
    ),
    engine_ids=("main",), nmea_numbers=(0,),
    fuel_capacity_l=280.0, fuel_fraction=0.6, water_l=20.0, water_capacity_l=40.0, persons=3, gear_kg=120.0,
    steps_rpm=(1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 5500.0),
)  # fmt: skip
"""Single-engine petrol sports boat of about 2.5 t, with hysteresis at the hump."""
