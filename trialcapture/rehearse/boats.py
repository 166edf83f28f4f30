"""The boats that are simulated, all invented, and what is on board to measure with.

Coefficients not marked otherwise are common practice for the kind of boat, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


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
        air_drag_m2: Drag coefficient times frontal area, wind from ahead [m²].
        air_oblique: How much more an oblique wind drags, see `trialcapture.rehearse.hull.air_drag_n`; 0 where its drag
            goes with the cosine alone.
        wave_ratio: Size of the wave-making resistance: over weight (planing), or at zero speed (displacement).
        wave_froude: Volumetric Froude number that scales its rise (planing); growth with Froude number
            (displacement).
        lift_ratio: Planing pressure drag over weight, times the volumetric Froude number.
        plane_froude: Volumetric Froude number half way between displacement and planing flow.
        plane_width: Width of that change.
        plane_hysteresis: How far the change lies apart, in volumetric Froude number, going up and down.
        wave_lag_lengths: Boat lengths travelled while waves and trim follow a change of speed (time constant).
        wave_fade_m_s: Speed below which the waves made at a higher one let go of her, as the square of the speed [m/s];
            0 for slower than 1.5 m/s, in proportion to it.
        swing_period_s: Period with which speed and trim swing about where they settle, as a mass on a spring [s];
            0 where they do not.
        swing_damping: Damping ratio of that.
        slow_share: Share of every change of speed that comes slowly, as running trim and wetted length settle.
        slow_s: Time constant of that share [s].
        wetted_drop: Share of the wetted area that comes out of the water on the plane.
        turn_drag: Drag in a turn, as a share of the centripetal force.
        turn_drift_lengths: Drift angle in a turn [rad] over the boat's length in radii of the turn; the bow points
            into it.
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
    wave_fade_m_s: float = 0.0
    swing_period_s: float = 0.0
    swing_damping: float = 0.4
    slow_share: float = 0.0
    slow_s: float = 60.0
    air_oblique: float = 0.0
    wetted_drop: float = 0.0
    turn_drag: float = 0.10
    turn_drift_lengths: float = 0.0
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


# ------------------------------------------------------------------------------
# What is on board to measure with: settings of receivers, instruments, wiring, laptop and engine logger.
#
# Sizes of errors, latencies and rates are common practice for such equipment, no source.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class When:
    """Between which times of a trial something acts; the whole trial unless said otherwise.

    Attributes:
        share: When it begins, as a share of the trial.
        duration_s: How long [s].
        step: Acts in the runs of one step instead, given as a share of the ladder: 0 the first step, 1 the last.
        way: With `step`: only the first run (0), the second (1) and so on; None for all runs.
    """

    share: float = 0.0
    duration_s: float = float("inf")
    step: float | None = None
    way: int | None = None


@dataclass(frozen=True, slots=True)
class SpeedError:
    """What a receiver's speed is wrong by at times: shown = true times `factor`, plus `offset_kn`."""

    when: When = When()
    offset_kn: float = 0.0
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Frozen:
    """A receiver that repeats its last reading while its time runs on: speed and course, position, or both."""

    when: When
    what: Literal["both", "speed", "position"] = "both"


@dataclass(frozen=True, slots=True)
class SpeedSpikes:
    """Single fixes whose speed is off.

    Attributes:
        every_s: Time between them [s].
        size_kn: By how much [kn].
    """

    every_s: float
    size_kn: float


@dataclass(frozen=True, slots=True)
class PositionJumps:
    """Positions that jump aside for a while and back, with the speed unchanged.

    Attributes:
        every_s: Time between them [s].
        size_m: How far [m], each in another direction.
        duration_s: How long they stay off [s].
    """

    every_s: float
    size_m: float
    duration_s: float = 5.0


@dataclass(frozen=True, slots=True)
class TimeError:
    """A receiver's own time, shown in its sentences, that is not UTC for a while.

    Attributes:
        when: When it is wrong.
        offset_s: Shown time minus UTC [s].
        from_utc: Instead of an offset: an ISO 8601 time the clock runs freely from, as before the first fix.
        status: ``V`` for fixes marked void while it lasts; ``A`` where they look like any other.
    """

    when: When
    offset_s: float = 0.0
    from_utc: str = ""
    status: Literal["A", "V"] = "A"


@dataclass(frozen=True, slots=True)
class Outage:
    """A stretch without good fixes.

    Attributes:
        share: When it begins, as a share of the trial.
        duration_s: How long [s].
        kind: ``void`` sentences without a position, ``estimated`` positions by dead reckoning, ``silent`` nothing.
    """

    share: float
    duration_s: float
    kind: Literal["void", "estimated", "silent"] = "void"


@dataclass(frozen=True, slots=True)
class Receiver:
    """A GNSS receiver.

    Attributes:
        source: Source its bytes arrive on.
        talker: Talker of its sentences.
        rate_hz: Fixes per second.
        sentences: Sent with every fix.
        slow: Sent once a second beside.
        velocity_sd_kn: Standard deviation of each velocity component [kn].
        velocity_memory_s: How long its error lasts [s].
        speed_bias_kn: Added to every speed it shows [kn].
        position_sd_m: Standard deviation of each position component [m].
        position_memory_s: How long its error lasts [s].
        latency_s: From the instant of the fix to the first character [s].
        jitter_s: Scatter of that, added [s].
        forward_m: Antenna ahead of midships [m].
        starboard_m: Antenna to starboard of the centreline [m].
        height_m: Antenna above the roll axis [m].
        sog_decimals: Decimals of the speed [kn].
        cog_decimals: Decimals of the course [deg].
        minute_decimals: Decimals of the minutes of position.
        time_decimals: Decimals of the seconds of time.
        blank_cog_below_kn: Speed below which the course is left empty [kn].
        mode_field: Whether sentences carry the mode indicator of NMEA 0183 2.3.
        outages: Stretches without good fixes.
        speed_errors: Where its speed is wrong though its positions are right.
        frozen: Where it repeats itself.
        spikes: Single fixes with a wrong speed.
        jumps: Positions that jump aside.
        smoothing_s: Time constant of a filter over its speed and course [s].
        time_errors: Where its time is not UTC.
        variation_text: What it writes for the magnetic variation and its letter instead of the right one.
        mode_letter: What it writes as mode of a good fix.
        is_beside: True for one that a fault put beside the others: it draws its noise apart, so that the others
            show the same as without it.
    """

    source: str = "gps1"
    talker: str = "GP"
    rate_hz: float = 10.0
    sentences: tuple[str, ...] = ("RMC", "VTG", "GGA")
    slow: tuple[str, ...] = ("ZDA", "GLL")
    velocity_sd_kn: float = 0.07
    velocity_memory_s: float = 4.0
    speed_bias_kn: float = 0.0
    position_sd_m: float = 0.8
    position_memory_s: float = 60.0
    latency_s: float = 0.11
    jitter_s: float = 0.02
    forward_m: float = -3.0
    starboard_m: float = 0.4
    height_m: float = 3.2
    sog_decimals: int = 2
    cog_decimals: int = 1
    minute_decimals: int = 5
    time_decimals: int = 2
    blank_cog_below_kn: float = 0.2
    mode_field: bool = True
    outages: tuple[Outage, ...] = ()
    speed_errors: tuple[SpeedError, ...] = ()
    frozen: tuple[Frozen, ...] = ()
    spikes: tuple[SpeedSpikes, ...] = ()
    jumps: tuple[PositionJumps, ...] = ()
    smoothing_s: float = 0.0
    time_errors: tuple[TimeError, ...] = ()
    variation_text: str = ""
    mode_letter: str = "A"
    is_beside: bool = False


@dataclass(frozen=True, slots=True)
class WrongRpm:
    """Sentences of rpm that show another value.

    Attributes:
        every: One of so many sentences of each engine.
        rpm: What it shows [rpm].
        rated_share: Added to that, as a share of the rated rpm.
    """

    every: int
    rpm: float = 0.0
    rated_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Silences:
    """Short times without rpm, on and on: one begins every so many seconds, and they differ in length."""

    every_s: float
    shortest_s: float
    longest_s: float


@dataclass(frozen=True, slots=True)
class Instruments:
    """The instruments on the bus; a rate of 0 means there is none.

    Attributes:
        source: Source their bytes arrive on.
        heading: ``HDT`` true, or ``HDG`` magnetic with variation given.
        heading_hz, depth_hz, wind_hz, log_hz, rpm_hz, attitude_hz, turn_hz, temperature_hz: Sentences a second.
        heading_error_deg: Fixed error of a true heading; size of the deviation curve of a compass [deg].
        heading_decimals: Decimals of the heading.
        log_factor: Speed shown by the log over speed through water.
        log_offset_kn: Added to it [kn].
        rpm_sentence: ``RPM`` a sentence an engine, ``XDR`` all engines in one, ``PCDIN`` or ``MXPGN`` messages of
            the CAN network (PGN 127488) wrapped into a sentence.
        rpm_quantum: Smallest step of rpm.
        rpm_factor: Engine speed shown over the true one.
        rpm_form: How an RPM sentence ends: as it should, ``four fields`` without the pitch, or ``trailing comma``.
        rpm_wrong: Sentences that show another value.
        rpm_silences: Short times without rpm.
        rpm_stuck: When rpm repeats its last value.
        on_change: Whether a sentence is sent only when it differs from the last one of its kind.
        wind_sentence: ``MWV`` for the wind felt, or ``MDA`` for true wind with the pressure and temperature of the air.
        depth_bad: Soundings that are wrong: (share of the trial, depth shown [m]).
        fuel_hz: Sentences a second with the fuel rate of all engines, as XDR volume flow in l/s.
        fuel_unit: The letter it writes as unit.
        wind_true: Whether true wind is sent too, as MWD.
        depth_lost_share: Share of depths lost to bubbles at speed.
        latency_s: From the instant measured to the first character [s].
        jitter_s: Scatter of that, added [s].
    """

    source: str = "ins1"
    heading: Literal["HDT", "HDG"] = "HDT"
    heading_hz: float = 5.0
    heading_error_deg: float = 0.4
    heading_decimals: int = 1
    depth_hz: float = 1.0
    depth_lost_share: float = 0.06
    wind_hz: float = 1.0
    wind_true: bool = False
    log_hz: float = 1.0
    log_factor: float = 0.965
    log_offset_kn: float = 0.08
    rpm_hz: float = 5.0
    rpm_sentence: Literal["RPM", "XDR", "PCDIN", "MXPGN"] = "RPM"
    rpm_quantum: float = 1.0
    rpm_factor: float = 1.0
    rpm_form: Literal["", "four fields", "trailing comma"] = ""
    rpm_wrong: tuple[WrongRpm, ...] = ()
    rpm_silences: tuple[Silences, ...] = ()
    rpm_stuck: tuple[When, ...] = ()
    on_change: bool = False
    wind_sentence: Literal["MWV", "MDA"] = "MWV"
    depth_bad: tuple[tuple[float, float], ...] = ()
    fuel_hz: float = 0.0
    fuel_unit: Literal["l", "I"] = "l"
    attitude_hz: float = 2.0
    turn_hz: float = 2.0
    temperature_hz: float = 0.1
    latency_s: float = 0.06
    jitter_s: float = 0.03


@dataclass(frozen=True, slots=True)
class Damage:
    """What goes wrong on the way, as shares of all lines, and what else talks on the bus (lines a second)."""

    flipped: float = 0.0
    dropped: float = 0.0
    cut: float = 0.0
    glued: float = 0.0
    noise: float = 0.0
    ais_hz: float = 0.1
    proprietary_hz: float = 0.2

    @property
    def share(self) -> float:
        """Share of lines that are damaged in any way."""
        return self.flipped + self.dropped + self.cut + self.glued + self.noise


@dataclass(frozen=True, slots=True)
class Wire:
    """How a source reaches the laptop.

    Attributes:
        source: The source.
        baud: Line rate of a serial line [bit/s], ten bits a character; 0 for a network, where a line arrives whole.
        delay_s: Added on the way, such as by a gateway [s].
    """

    source: str
    baud: int = 0
    delay_s: float = 0.002


@dataclass(frozen=True, slots=True)
class Laptop:
    """The recording laptop's clocks.

    Attributes:
        wall_error_s: Wall clock minus UTC at the start [s].
        drift_ppm: Rate error of its oscillator; wall and monotonic clock share it.
        steps: Steps of the wall clock: (share of the trial, step [s]).
        stall_share: Share of reads that come late because the laptop was busy.
    """

    wall_error_s: float = 1.7
    drift_ppm: float = 14.0
    steps: tuple[tuple[float, float], ...] = ((0.4, -1.25),)
    stall_share: float = 0.002


@dataclass(frozen=True, slots=True)
class Handling:
    """How the levers are used, apart from the plan.

    Attributes:
        apart_share: How far the first engine's lever stands above the last one's, as a share of the order.
        hunting_share: Amplitude of a slow oscillation of rpm within each hold, as a share.
        hunting_s: Its period [s].
    """

    apart_share: float = 0.0
    hunting_share: float = 0.0
    hunting_s: float = 25.0


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How well a boat repeats herself.

    Attributes:
        run_sd_kn: Standard deviation of her speed from run to run at one engine speed [kn]; None for
            `trialcapture.rehearse.motion.RUN_SD_SHARE` of it.
        wander: Irregular changes of her speed within a run, each with its standard deviation [kn] and correlation
            time [s].
    """

    run_sd_kn: float | None = None
    wander: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class FuelTank:
    """How the fuel tank differs from what the settings say of it.

    Attributes:
        capacity_error_pct: True capacity over the stated one, less 1 [%].
        usable_error: True usable share less the stated one.
        stated_u: Standard uncertainties written into the settings: of the capacity [%] and of the usable share; None
            where nobody states them.
    """

    capacity_error_pct: float = 0.0
    usable_error: float = 0.0
    stated_u: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class LogStyle:
    """An engine logger, its clock and its way of writing.

    Attributes:
        file: Name of the file.
        engines: Ids of the engines in it; empty for all.
        quantities: What it keeps: stems of channels with the unit and decimals written,
            such as ``("fuel", "L/h", 1)``.
        clock_error_s: UTC minus the logger's clock at the start [s], where it shows the zone's time rightly.
        drift_ppm: How much slower than UTC the logger's clock runs [ppm].
        zone: Time zone its stamps are written in, as an offset such as ``+02:00``.
        declared_zone: Zone written into the settings; the zone itself when empty. A mistake when different.
        time_format: As in the settings of an engine log.
        period_s: Time between rows [s].
        jitter_s: Scatter of the sampling instants [s].
        delimiter, decimal, line_end, encoding: How rows are written.
        preamble: Lines before the headings.
        units_row: Whether a row of units follows the headings.
        fuel_scale: Fuel shown over fuel burnt.
        fuel_noise_share: Scatter of the fuel rate, as a share.
        missing_share: Share of rows never written.
        restart_share: When the logger restarts and writes its headings again, as a share of the trial; 0 never.
        fuel_as: Unit and decimals the fuel rate is written in, instead of those in `quantities`.
        fuel_step: Smallest step of the fuel rate as written; 0 for what the decimals allow.
        rpm_step: Smallest step of rpm as written; 0 for what the decimals allow.
        rpm_factor: Engine speed shown over the true one.
        without: Quantities it does not keep.
        on_change: ``rows`` for a row only when some value has changed; ``cells`` for cells that are empty unless
            the value has changed.
        clock_steps: Sets of its clock: (share of the trial, how much later its stamps are from there on [s]).
        pauses: Stretches without rows: (share of the trial, duration [s]).
        newest_first: Whether the file begins with the last row.
        repeat_every: Each so manieth row is written twice; 0 for none.
        is_swapped: Whether the columns of the first and the last engine are mixed up.
    """

    file: str = "engines.csv"
    engines: tuple[str, ...] = ()
    quantities: tuple[tuple[str, str, int], ...] = (
        ("rpm", "rpm", 0),
        ("fuel", "L/h", 1),
        ("load", "%", 0),
        ("coolant", "degC", 0),
        ("oil", "bar", 2),
        ("boost", "bar", 2),
    )
    clock_error_s: float = 137.0
    drift_ppm: float = 25.0
    zone: str = "+00:00"
    declared_zone: str = ""
    time_format: str = "iso"
    period_s: float = 1.0
    jitter_s: float = 0.004
    delimiter: str = ","
    decimal: Literal[".", ","] = "."
    line_end: str = "\r\n"
    encoding: str = "utf-8"
    preamble: tuple[str, ...] = ()
    units_row: bool = False
    fuel_scale: float = 1.0
    fuel_noise_share: float = 0.012
    missing_share: float = 0.0
    restart_share: float = 0.0
    fuel_as: tuple[str, int] | None = None
    fuel_step: float = 0.0
    rpm_step: float = 0.0
    rpm_factor: float = 1.0
    without: tuple[str, ...] = ()
    on_change: Literal["", "rows", "cells"] = ""
    clock_steps: tuple[tuple[float, float], ...] = ()
    pauses: tuple[tuple[float, float], ...] = ()
    newest_first: bool = False
    repeat_every: int = 0
    is_swapped: bool = False

    @property
    def written(self) -> tuple[tuple[str, str, int], ...]:
        """What is written in the end: `quantities` with `without` and `fuel_as`."""
        kept = (q for q in self.quantities if q[0] not in self.without)
        return tuple((q[0], *self.fuel_as) if q[0] == "fuel" and self.fuel_as else q for q in kept)
