"""Named trials: a boat, a plan, a sea, sensors with their faults, and the way it all is written down.

Every place is invented open sea; every boat is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from trialcapture.rehearse.boats import OLD_SEDGE, SMALL_TERN, TARN_PLOVER, BoatModel
from trialcapture.rehearse.kit import Damage, Handling, Instruments, Laptop, LogStyle, Outage, Receiver, Wire
from trialcapture.rehearse.plan import Plan
from trialcapture.rehearse.sea import Front, Sea

Form = Literal["journal", "plain", "tagged"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A trial to be simulated.

    Attributes:
        name: What to ask for.
        summary: One line for the list.
        boat: The boat.
        plan: What is run.
        sea: Where.
        receivers: GNSS receivers, the best first.
        instruments: What else is on the bus.
        wires: How each source reaches the laptop.
        damage: What goes wrong on the way.
        laptop: The clocks of the recording laptop.
        logs: The engine loggers.
        start_utc: When it begins, ISO 8601.
        place: Name of the invented trial area.
        fuel_calibration: Factor and origin written into the settings, if the flow meter was checked.
        primary_gnss: Receiver named first in the settings, "" for none.
        vary: Whether current, wind and clocks differ a little from seed to seed.
        form: How the NMEA log is kept: the journal, plain sentences, or another logger's TAG blocks.
        trim_note: What the helm wrote down about trim.
        handling: How the levers are used.
    """

    name: str
    summary: str
    boat: BoatModel
    plan: Plan
    sea: Sea
    receivers: tuple[Receiver, ...] = (
        Receiver(),
        Receiver(
            source="ins1", talker="GN", rate_hz=1.0, sentences=("RMC", "GGA"), slow=(), velocity_sd_kn=0.14,
            position_sd_m=2.5, latency_s=0.24, jitter_s=0.08, forward_m=2.5, starboard_m=-0.8, height_m=4.0,
            minute_decimals=4, sog_decimals=1,
        ),
    )  # fmt: skip
    instruments: Instruments = field(default_factory=Instruments)
    wires: tuple[Wire, ...] = (Wire("gps1", 38400), Wire("ins1", 0, 0.004))
    damage: Damage = field(default_factory=lambda: Damage(flipped=0.0002, cut=0.0001))
    laptop: Laptop = field(default_factory=Laptop)
    logs: tuple[LogStyle, ...] = (LogStyle(),)
    start_utc: str = "2026-05-14T08:30:07+00:00"
    place: str = "Orrin Bank, open sea"
    fuel_calibration: tuple[float, str] | None = None
    primary_gnss: str = ""
    vary: bool = True
    form: Form = "journal"
    trim_note: str = "tabs 20 %, both sides"
    handling: Handling = field(default_factory=Handling)


_PLAN = Plan(axis_deg=75.0, steps_rpm=TARN_PLOVER.steps_rpm)
_SEA = Sea(latitude_deg=48.3125, longitude_deg=-7.9054)

TWIN = Scenario(
    "twin-planing", "two-engine planing motor yacht, 24 t, 10 Hz GNSS, engine log minutes off",
    TARN_PLOVER, _PLAN, _SEA,
)  # fmt: skip

_COARSE = Receiver(
    source="bus", talker="GP", rate_hz=1.0, sentences=("RMC", "GGA"), slow=("GLL",), velocity_sd_kn=0.12,
    velocity_memory_s=5.0, position_sd_m=2.5, latency_s=0.28, jitter_s=0.06, minute_decimals=3, sog_decimals=1,
    time_decimals=0, mode_field=False,
)  # fmt: skip

SEDGE = Scenario(
    "displacement", "single-engine displacement boat, 10 t, 5 Hz GNSS, decimal commas and local time in the log",
    OLD_SEDGE,
    Plan(axis_deg=118.0, steps_rpm=OLD_SEDGE.steps_rpm, hold_s=150.0),
    Sea(
        latitude_deg=-38.9021, longitude_deg=147.8876, current_kn=0.6, current_towards_deg=250.0, wind_kn=8.0,
        wind_from_deg=300.0, wave_height_m=0.25, wave_period_s=3.0, wave_from_deg=310.0, depth_m=42.0,
        depth_relief_m=5.0, water_temp_c=17.6, variation_deg=11.8,
    ),
    receivers=(
        Receiver(talker="GN", rate_hz=5.0, sentences=("RMC", "GNS", "VTG"), slow=("ZDA",), velocity_sd_kn=0.06,
                 latency_s=0.16, forward_m=1.0, starboard_m=0.3, height_m=2.6),
    ),
    instruments=Instruments(
        heading="HDG", heading_hz=2.0, heading_error_deg=1.5, rpm_hz=2.0, rpm_sentence="XDR", rpm_quantum=1.0,
        wind_true=True, log_factor=1.04, log_offset_kn=-0.05, attitude_hz=1.0, turn_hz=1.0,
    ),
    wires=(Wire("gps1", 38400), Wire("ins1", 4800)),
    logs=(
        LogStyle(
            file="engine main.csv", quantities=(("rpm", "rpm", 0), ("fuel", "L/h", 2), ("coolant", "degC", 1)),
            clock_error_s=-412.0, drift_ppm=-35.0, zone="+10:00", time_format="%d.%m.%Y %H:%M:%S", delimiter=";",
            decimal=",", preamble=("Engine monitor;unit 3", "Exported log", ""), fuel_scale=1 / 1.031,
        ),
    ),
    start_utc="2026-02-11T22:40:30+00:00",
    place="Greyling Reach, open sea",
    fuel_calibration=(1.031, "tank to tank over 6 h"),
    trim_note="no tabs",
)  # fmt: skip

TERN = Scenario(
    "small-petrol", "single-engine petrol sports boat, 2.5 t, hysteresis at the hump, 5 Hz GNSS",
    SMALL_TERN,
    Plan(axis_deg=20.0, steps_rpm=SMALL_TERN.steps_rpm, hold_s=100.0),
    Sea(
        latitude_deg=43.8127, longitude_deg=9.2203, current_kn=0.3, current_towards_deg=310.0, wind_kn=5.0,
        wind_from_deg=160.0, wave_height_m=0.12, wave_period_s=2.2, wave_from_deg=165.0, depth_m=75.0,
        water_temp_c=21.4, variation_deg=3.1,
    ),
    receivers=(
        Receiver(source="bus", rate_hz=5.0, sentences=("RMC", "GGA"), slow=(), velocity_sd_kn=0.09,
                 forward_m=-1.5, starboard_m=0.0, height_m=1.6),
    ),
    instruments=Instruments(source="bus", heading="HDG", heading_error_deg=2.0, rpm_hz=2.0, rpm_quantum=10.0,
                            wind_hz=0.0, attitude_hz=2.0, depth_hz=1.0),
    wires=(Wire("bus", 38400),),
    logs=(
        LogStyle(
            file="outboard.csv", quantities=(("rpm", "rpm", 0), ("fuel", "US gal/h", 2), ("coolant", "degF", 0),
                                             ("oil", "psi", 0)),
            clock_error_s=61.0, drift_ppm=40.0, zone="-05:00", time_format="%m/%d/%Y %I:%M:%S %p", units_row=True,
        ),
    ),
    place="Selvane Deep, open sea",
    start_utc="2026-06-22T14:05:00+00:00",
    trim_note="drive trim 40 %",
)  # fmt: skip


def _current(name: str, words: str, towards_deg: float, speed_kn: float) -> Scenario:
    sea = replace(_SEA, current_kn=speed_kn, current_towards_deg=towards_deg, tide_share=0.5)
    return replace(TWIN, name=name, summary=f"the planing yacht in {speed_kn:g} kn of current {words}", sea=sea)


_ALL = (
    TWIN,
    SEDGE,
    TERN,
    _current("current-ahead", "along the course", 75.0, 1.5),
    _current("current-abeam", "across the course", 165.0, 1.2),
    _current("current-quartering", "from the quarter", 30.0, 1.4),
    replace(
        TWIN, name="changing-tide", summary="the tide turns during the trial; three runs a step, alternating",
        plan=replace(_PLAN, ways=3, hold_s=115.0),
        sea=replace(_SEA, current_kn=1.6, current_towards_deg=82.0, tide_phase_deg=142.0, tide_share=1.0,
                    tide_turning=0.25),
    ),
    replace(
        TWIN, name="current-front", summary="a tide race: one side of a line has 0.7 kn more current",
        sea=replace(_SEA, current_kn=0.5, front=Front(900.0, 75.0, 60.0, 0.7, 60.0)),
    ),
    replace(
        TWIN, name="one-direction", summary="every step in one direction only",
        plan=replace(_PLAN, reciprocal=False),
        sea=replace(_SEA, current_kn=0.9, current_towards_deg=95.0),
    ),
    replace(
        TWIN, name="messy-bus", summary="bit flips, lost bytes, glued and cut sentences, noise, AIS, two talkers",
        damage=Damage(flipped=0.004, dropped=0.003, cut=0.003, glued=0.004, noise=0.002, ais_hz=2.0,
                      proprietary_hz=1.0),
        laptop=Laptop(wall_error_s=-40.0, drift_ppm=-60.0, steps=((0.25, 39.2), (0.6, -3600.0)), stall_share=0.01),
        logs=(LogStyle(missing_share=0.01, jitter_s=0.05, restart_share=0.55),),
    ),
    replace(
        TWIN, name="gnss-outages", summary="fixes lost, estimated or silent again and again; laptop clock stepped",
        receivers=(
            replace(TWIN.receivers[0], outages=(
                Outage(0.20, 40.0), Outage(0.33, 25.0, "silent"), Outage(0.45, 60.0, "estimated"),
                Outage(0.52, 8.0), Outage(0.62, 150.0, "silent"),
            )),
            TWIN.receivers[1],
        ),
        laptop=Laptop(steps=((0.3, 3600.0), (0.5, -3600.0))),
        primary_gnss="gps1",
    ),
    replace(
        TWIN, name="clock-zone", summary="the engine log is in local time, two hours off, and nobody declared it",
        logs=(LogStyle(zone="+02:00", declared_zone="+00:00", clock_error_s=-74.0,
                       time_format="%Y-%m-%d %H:%M:%S"),),
    ),
    replace(
        TWIN, name="coarse-1hz", summary="all on one 4800 baud line: 1 Hz, 0.1 kn, whole degrees, 10 rpm",
        receivers=(_COARSE,),
        instruments=Instruments(
            source="bus", heading="HDG", heading_hz=1.0, heading_decimals=0, heading_error_deg=2.0, depth_hz=0.5,
            wind_hz=0.5, log_hz=0.5, rpm_hz=1.0, rpm_quantum=10.0, attitude_hz=0.0, turn_hz=0.0,
        ),
        wires=(Wire("bus", 4800),),
        damage=Damage(flipped=0.0003, ais_hz=0.0, proprietary_hz=0.05),
    ),
    replace(
        TWIN, name="plain-nmea", summary="kept by another logger: plain sentences in one file, no TAG blocks",
        form="plain",
    ),
    replace(
        TWIN, name="log-per-engine", summary="one log an engine, with clocks of their own, US units, a totaliser",
        logs=(
            LogStyle(
                file="port engine.csv", engines=("port",), clock_error_s=95.0, drift_ppm=30.0,
                quantities=(("rpm", "rpm", 0), ("fuel", "US gal/h", 2), ("coolant", "degF", 0), ("boost", "psi", 1)),
                time_format="%m/%d/%Y %I:%M:%S %p", zone="-04:00",
            ),
            LogStyle(
                file="stbd engine.csv", engines=("stbd",), clock_error_s=-23.0, drift_ppm=-18.0,
                quantities=(("rpm", "rpm", 1), ("fuel_total", "L", 2), ("load", "%", 1)), time_format="unix_s",
                delimiter="\t",
            ),
        ),
    ),
    replace(
        TWIN, name="no-bus-rpm", summary="no engine on the bus: rpm and fuel only in the log, tied by the marks",
        instruments=Instruments(rpm_hz=0.0),
    ),
    replace(TWIN, name="no-engine-log", summary="no engine log at all: speed against rpm, no fuel", logs=()),
    replace(TWIN, name="midnight", summary="the trial runs over midnight UTC", start_utc="2026-05-14T23:40:07+00:00"),
)  # fmt: skip

SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _ALL}
"""Every named trial; the first one is the default."""

DEFAULT = _ALL[0].name
