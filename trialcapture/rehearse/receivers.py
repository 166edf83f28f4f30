"""What GNSS receivers send: fixes with correlated errors, late, and sometimes void; pure functions of arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from trialcapture.geodesy import radii_m
from trialcapture.rehearse.kit import Receiver
from trialcapture.rehearse.motion import Ordered, acts_at, repeated
from trialcapture.rehearse.noise import correlated, low_pass
from trialcapture.rehearse.sentences import (
    angle_texts,
    clock_texts,
    date_texts,
    number_texts,
    position_texts,
    signed_texts,
)
from trialcapture.units import KN_M_PER_S

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Emission:
    """Sentences one device has ready, in order.

    Attributes:
        source: Where they arrive.
        ready_s: When each is ready to be sent, since the start of the simulation [s].
        bodies: The sentences without start character, checksum and line end.
        start: Their start character.
    """

    source: str
    ready_s: Floats
    bodies: list[str]
    start: str = "$"


def receive(
    state: dict[str, Floats],
    receiver: Receiver,
    start_utc_ns: int,
    variation_deg: float,
    rng: np.random.Generator,
    ordered: Sequence[Ordered] = (),
) -> Emission:
    """Return everything a receiver sends during a trial.

    Args:
        state: True state, as `trialcapture.rehearse.ride.ride` gives it.
        receiver: The receiver.
        start_utc_ns: UTC at the start of the simulation [ns].
        variation_deg: Magnetic variation it knows, east positive.
        rng: Source of noise.
        ordered: The phases as run, for what is wrong in the runs of one step only.
    """
    end_s = float(state["t_s"][-1])
    period_ns = round(1e9 / receiver.rate_hz)
    first = -(-start_utc_ns // period_ns)
    fix_ns = np.arange(first, (start_utc_ns + int(end_s * 1e9)) // period_ns + 1, dtype=np.int64) * period_ns
    at_s = (fix_ns - start_utc_ns) / 1e9
    count = fix_ns.size
    step_s = 1.0 / receiver.rate_hz

    east, north, lat, lon = _antenna(state, receiver, at_s)
    east = east + receiver.velocity_sd_kn * KN_M_PER_S * correlated(count, step_s, receiver.velocity_memory_s, rng)
    north = north + receiver.velocity_sd_kn * KN_M_PER_S * correlated(count, step_s, receiver.velocity_memory_s, rng)
    meridian, vertical = radii_m(float(lat[0]))
    off_n = receiver.position_sd_m * correlated(count, step_s, receiver.position_memory_s, rng)
    off_e = receiver.position_sd_m * correlated(count, step_s, receiver.position_memory_s, rng)
    lat = lat + np.degrees(off_n / meridian)
    lon = lon + np.degrees(off_e / (vertical * np.cos(np.radians(lat))))

    if receiver.smoothing_s > 0.0:
        east, north = (low_pass(part, step_s, receiver.smoothing_s) for part in (east, north))
    sog = np.hypot(east, north) / KN_M_PER_S + receiver.speed_bias_kn
    sog = np.maximum(_wrong_speed(sog, receiver, at_s, ordered, end_s), 0.0)
    cog = np.degrees(np.arctan2(east, north)) % 360.0
    lat, lon = _jumped(lat, lon, receiver, at_s)
    for frozen in receiver.frozen:
        held = repeated(acts_at(frozen.when, at_s, ordered, end_s))
        if frozen.what != "position":
            sog, cog = sog[held], cog[held]
        if frozen.what != "speed":
            lat, lon = lat[held], lon[held]
    cog = np.where(sog < receiver.blank_cog_below_kn, np.nan, cog)
    mode = _modes(receiver, at_s, end_s)
    shown_ns = _shown_time(receiver, fix_ns, at_s, ordered, end_s, mode)

    late = receiver.latency_s + receiver.jitter_s * rng.random(count)
    late += np.where(rng.random(count) < 0.004, rng.uniform(0.1, 0.4, count), 0.0)
    # a receiver answers one fix after another, never out of turn
    ready = np.maximum.accumulate(at_s + late)

    fields = _Fields(
        clock_texts(shown_ns, receiver.time_decimals),
        date_texts(shown_ns),
        position_texts(lat, receiver.minute_decimals, "NS"),
        position_texts(lon, receiver.minute_decimals, "EW"),
        number_texts(sog, receiver.sog_decimals),
        number_texts(sog * 1.852, receiver.sog_decimals),
        angle_texts(cog, receiver.cog_decimals),
        angle_texts(cog - variation_deg, receiver.cog_decimals),
        number_texts(3.0 + 0.4 * correlated(count, step_s, 200.0, rng), 1),
        number_texts(0.9 + 0.1 * np.abs(correlated(count, step_s, 300.0, rng)), 1),
        (10 + np.rint(1.2 * correlated(count, step_s, 120.0, rng))).astype(int).clip(5, 12).tolist(),
        mode,
    )
    variation = receiver.variation_text or signed_texts(np.array([variation_deg]), 1)[0]
    once_a_second = (fix_ns % 1_000_000_000 == 0).tolist()
    columns = {
        name: _build(name, receiver, fields, shown_ns, variation) for name in (*receiver.sentences, *receiver.slow)
    }
    bodies: list[str] = []
    when: list[float] = []
    for k, (moment, on_the_second) in enumerate(zip(ready.tolist(), once_a_second, strict=True)):
        if mode[k] == "":
            continue
        for name in receiver.sentences:
            bodies.append(columns[name][k])
            when.append(moment)
        if on_the_second:
            for name in receiver.slow:
                bodies.append(columns[name][k])
                when.append(moment)
    return Emission(receiver.source, np.array(when), bodies)


@dataclass(frozen=True, slots=True)
class _Fields:
    clock: list[str]
    date: list[str]
    lat: list[str]
    lon: list[str]
    sog: list[str]
    sog_km_h: list[str]
    cog: list[str]
    cog_magnetic: list[str]
    altitude: list[str]
    hdop: list[str]
    satellites: list[int]
    mode: list[str]


def _antenna(state: dict[str, Floats], receiver: Receiver, at_s: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return velocity [m/s] and position [deg] of the antenna: lever arm, yaw, roll and pitch included."""
    t_s = state["t_s"]

    def sample(name: str) -> Floats:
        return np.interp(at_s, t_s, state[name])

    heading, yaw = sample("heading_rad"), sample("yaw_rad_s")
    sin_h, cos_h = np.sin(heading), np.cos(heading)
    step_s = float(t_s[1] - t_s[0])
    pitching = np.interp(at_s, t_s, np.gradient(state["pitch_rad"], step_s))
    rolling = np.interp(at_s, t_s, np.gradient(state["roll_rad"], step_s))
    ahead = -receiver.starboard_m * yaw - receiver.height_m * pitching
    right = receiver.forward_m * yaw + receiver.height_m * rolling
    east = sample("east_m_s") + ahead * sin_h + right * cos_h
    north = sample("north_m_s") + ahead * cos_h - right * sin_h
    off_e = receiver.forward_m * sin_h + receiver.starboard_m * cos_h
    off_n = receiver.forward_m * cos_h - receiver.starboard_m * sin_h
    lat, lon = sample("lat_deg"), sample("lon_deg")
    meridian, vertical = radii_m(float(lat[0]))
    lat = lat + np.degrees(off_n / meridian)
    return east, north, lat, lon + np.degrees(off_e / (vertical * np.cos(np.radians(lat))))


def _modes(receiver: Receiver, at_s: Floats, end_s: float) -> list[str]:
    """Return the mode of each fix: A autonomous, N none, E estimated, "" nothing sent."""
    mode = np.full(at_s.size, receiver.mode_letter, dtype="<U1")
    for outage in receiver.outages:
        begin = outage.share * end_s
        inside = (at_s >= begin) & (at_s < begin + outage.duration_s)
        mode[inside] = {"void": "N", "estimated": "E", "silent": ""}[outage.kind]
    return [str(value) for value in mode]


def _wrong_speed(sog: Floats, receiver: Receiver, at_s: Floats, ordered: Sequence[Ordered], end_s: float) -> Floats:
    """Return the speed as a receiver with errors shows it [kn]."""
    for error in receiver.speed_errors:
        acts = acts_at(error.when, at_s, ordered, end_s)
        sog = np.where(acts, sog * error.factor + error.offset_kn, sog)
    for spikes in receiver.spikes:
        sog = sog.copy()
        sog[_each(at_s, spikes.every_s)] += spikes.size_kn
    return sog


def _each(at_s: Floats, every_s: float) -> Ints:
    """Return the indices of the fixes next after each multiple of a time [s], the start itself left out."""
    moments = np.arange(every_s, at_s[-1], every_s)
    return np.unique(np.searchsorted(at_s, moments))


def _jumped(lat: Floats, lon: Floats, receiver: Receiver, at_s: Floats) -> tuple[Floats, Floats]:
    """Return positions that jump aside, each time turned by the golden angle so that they go all ways."""
    meridian, vertical = radii_m(float(lat[0]))
    for jumps in receiver.jumps:
        count = np.floor(at_s / jumps.every_s)
        off = (count > 0) & (at_s - count * jumps.every_s < jumps.duration_s)
        angle = np.radians(137.5 * count)
        lat = lat + np.degrees(off * jumps.size_m * np.cos(angle) / meridian)
        lon = lon + np.degrees(off * jumps.size_m * np.sin(angle) / (vertical * np.cos(np.radians(lat))))
    return lat, lon


def _shown_time(
    receiver: Receiver, fix_ns: Ints, at_s: Floats, ordered: Sequence[Ordered], end_s: float, mode: list[str]
) -> Ints:
    """Return the time written into the sentences [ns], and mark fixes void in `mode` where the error says so."""
    shown = fix_ns
    for error in receiver.time_errors:
        acts = acts_at(error.when, at_s, ordered, end_s)
        if not acts.any():
            continue
        offset_ns = round(error.offset_s * 1e9)
        if error.from_utc:
            start_ns = round(datetime.fromisoformat(error.from_utc).timestamp() * 1e9)
            offset_ns = start_ns - int(fix_ns[np.flatnonzero(acts)[0]])
        shown = np.where(acts, shown + offset_ns, shown)
        if error.status == "V":
            for k in np.flatnonzero(acts).tolist():
                mode[k] = "N"
    return shown


def _build(name: str, receiver: Receiver, f: _Fields, fix_ns: Ints, variation: str) -> list[str]:
    head = f"{receiver.talker}{name}"
    rows = range(len(f.clock))
    tail = [f",{mode}" if receiver.mode_field else "" for mode in f.mode]
    if name == "RMC":
        return [
            f"{head},{f.clock[k]},V,,,,,,,{f.date[k]},,{tail[k]}"
            if f.mode[k] == "N"
            else f"{head},{f.clock[k]},{'V' if f.mode[k] == 'E' else 'A'},{f.lat[k]},{f.lon[k]},{f.sog[k]},"
            f"{f.cog[k]},{f.date[k]},{variation}{tail[k]}"
            for k in rows
        ]
    if name == "GGA":
        return [
            f"{head},{f.clock[k]},,,,,0,00,99.9,,M,,M,,"
            if f.mode[k] == "N"
            else f"{head},{f.clock[k]},{f.lat[k]},{f.lon[k]},{6 if f.mode[k] == 'E' else 1},{f.satellites[k]:02d},"
            f"{f.hdop[k]},{f.altitude[k]},M,48.2,M,,"
            for k in rows
        ]
    if name == "VTG":
        return [
            f"{head},,T,,M,,N,,K{tail[k]}"
            if f.mode[k] == "N"
            else f"{head},{f.cog[k]},T,{f.cog_magnetic[k]},M,{f.sog[k]},N,{f.sog_km_h[k]},K{tail[k]}"
            for k in rows
        ]
    if name == "GLL":
        return [
            f"{head},,,,,{f.clock[k]},V{tail[k]}"
            if f.mode[k] == "N"
            else f"{head},{f.lat[k]},{f.lon[k]},{f.clock[k]},{'V' if f.mode[k] == 'E' else 'A'}{tail[k]}"
            for k in rows
        ]
    if name == "GNS":
        return [
            f"{head},{f.clock[k]},,,,,NN,00,99.9,,,,"
            if f.mode[k] == "N"
            else f"{head},{f.clock[k]},{f.lat[k]},{f.lon[k]},{f.mode[k] * 2},{f.satellites[k]:02d},{f.hdop[k]},"
            f"{f.altitude[k]},48.2,,"
            for k in rows
        ]
    if name == "ZDA":
        dates = date_texts(fix_ns, "%d,%m,%Y")
        return [f"{head},{f.clock[k]},{dates[k]},00,00" for k in rows]
    raise ValueError(f"no such sentence: {name}")
