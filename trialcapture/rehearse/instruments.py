"""What receivers and instruments send, as sentences; pure functions of arrays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from math import isnan

import numpy as np
import numpy.typing as npt

from trialcapture.geodesy import radii_m
from trialcapture.rehearse.boats import BoatModel, Damage, Instruments, Receiver
from trialcapture.rehearse.motion import Ordered, acts_at, repeated
from trialcapture.rehearse.sea import Sea, correlated, low_pass
from trialcapture.units import KN_M_PER_S

# ------------------------------------------------------------------------------
# NMEA 0183 sentences from columns of numbers (forms as in the open "NMEA Revealed" document); pure.
#
# A *body* is a sentence without its start character, checksum and line end.
# ------------------------------------------------------------------------------

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_HEX = [f"*{value:02X}\r\n".encode() for value in range(256)]


def finish(bodies: Sequence[str], start: str = "$") -> list[bytes]:
    """Return whole sentences with checksum and CRLF; `start` is ``$`` or ``!``."""
    if not bodies:
        return []
    encoded = [body.encode("ascii") for body in bodies]
    joined = np.frombuffer(b"".join(encoded), dtype=np.uint8)
    lengths = np.array([len(body) for body in encoded])
    starts = np.concatenate([[0], np.cumsum(lengths)[:-1]])
    sums = np.bitwise_xor.reduceat(joined, starts).tolist()
    first = start.encode()
    return [first + body + _HEX[value] for body, value in zip(encoded, sums, strict=True)]


def clock_texts(utc_ns: Ints, decimals: int) -> list[str]:
    """Return ``hhmmss`` with decimals, cut off and not rounded."""
    unit = 10 ** (9 - decimals)
    ticks = (utc_ns % 86_400_000_000_000) // unit
    per_s = 10**decimals
    seconds, part = np.divmod(ticks, per_s)
    minutes, seconds = np.divmod(seconds, 60)
    hours, minutes = np.divmod(minutes, 60)
    whole = (hours * 10000 + minutes * 100 + seconds).tolist()
    if decimals == 0:
        return [f"{value:06d}" for value in whole]
    return [f"{value:06d}.{rest:0{decimals}d}" for value, rest in zip(whole, part.tolist(), strict=True)]


def date_texts(utc_ns: Ints, form: str = "%d%m%y") -> list[str]:
    """Return the UTC date, ``ddmmyy`` unless another `form` is asked for."""
    days = (utc_ns // 86_400_000_000_000).tolist()
    names = {day: (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)).strftime(form) for day in set(days)}
    return [names[day] for day in days]


def position_texts(degrees: Floats, decimals: int, letters: str) -> list[str]:
    """Return ``ddmm.mmmm,N``: degrees, minutes and hemisphere; `letters` is ``NS`` or ``EW``."""
    scale = 10**decimals
    ticks = np.rint(np.abs(degrees) * 60.0 * scale).astype(np.int64)
    whole, rest = np.divmod(ticks, 60 * scale)
    minutes, part = np.divmod(rest, scale)
    width = 2 if letters == "NS" else 3
    return [
        f"{d:0{width}d}{m:02d}.{p:0{decimals}d},{letters[0] if positive else letters[1]}"
        for d, m, p, positive in zip(
            whole.tolist(), minutes.tolist(), part.tolist(), (degrees >= 0).tolist(), strict=True
        )
    ]


def number_texts(values: Floats, decimals: int) -> list[str]:
    """Return numbers with so many decimals; NaN gives an empty field."""
    rounded = np.round(values, decimals) + 0.0  # no minus zero
    form = f".{decimals}f"
    return ["" if isnan(value) else format(value, form) for value in rounded.tolist()]


def angle_texts(degrees: Floats, decimals: int) -> list[str]:
    """Return angles in [0, 360); NaN gives an empty field."""
    rounded = np.round(degrees % 360.0, decimals)
    return number_texts(np.where(rounded >= 360.0, 0.0, rounded), decimals)


def signed_texts(degrees: Floats, decimals: int, letters: str = "EW") -> list[str]:
    """Return ``2.4,W``: size and letter."""
    sizes = number_texts(np.abs(degrees), decimals)
    return [
        f"{size},{letters[0] if positive else letters[1]}"
        for size, positive in zip(sizes, (degrees >= 0).tolist(), strict=True)
    ]


# ------------------------------------------------------------------------------
# What GNSS receivers send: fixes with correlated errors, late, and sometimes void; pure functions of arrays.
# ------------------------------------------------------------------------------

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
        state: True state, as `trialcapture.rehearse.motion.ride` gives it.
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


ATTITUDE_NAMES = ("PITCH", "ROLL")
"""Names of the pitch and roll transducers in XDR sentences."""


def rpm_transducer(index: int) -> str:
    """Return the name of an engine's tachometer in XDR sentences, engines counted from 0 as in the settings."""
    return f"ENGINE#{index}"


def fuel_transducer(index: int) -> str:
    """Return the name of an engine's flow meter in XDR sentences, engines counted from 0 as in the settings."""
    return f"FUEL#{index}"


def observe(
    state: dict[str, Floats],
    kit: Instruments,
    boat: BoatModel,
    sea: Sea,
    rng: np.random.Generator,
    ordered: Sequence[Ordered] = (),
    fuel_scale: float = 1.0,
) -> list[Emission]:
    """Return what each instrument sends during a trial, one emission an instrument.

    Args:
        state: True state, as `trialcapture.rehearse.motion.ride` gives it.
        kit: The instruments.
        boat: The boat they are on.
        sea: The water she is in.
        rng: Source of noise, phases and latencies.
        ordered: The phases as run, for faults in the runs of one step only.
        fuel_scale: Fuel shown by the flow meters over fuel burnt.
    """
    out: list[Emission] = []

    def add(rate_hz: float, make: Callable[[Floats], list[str]]) -> None:
        if rate_hz <= 0.0:
            return
        at_s = np.arange(rng.uniform(0.0, 1.0 / rate_hz), float(state["t_s"][-1]), 1.0 / rate_hz)
        ready = np.maximum.accumulate(at_s + kit.latency_s + kit.jitter_s * rng.random(at_s.size))
        out.append(_emission(kit, ready, make(at_s)))

    add(kit.heading_hz, lambda at_s: _heading(state, kit, sea, at_s, rng))
    add(kit.depth_hz, lambda at_s: _depth(state, kit, boat, at_s, rng))
    add(kit.wind_hz, lambda at_s: _wind(state, kit, sea, at_s, rng))
    add(kit.wind_hz if kit.wind_true else 0.0, lambda at_s: _true_wind(state, sea, at_s, rng))
    add(kit.log_hz, lambda at_s: _log(state, kit, sea, at_s, rng))
    first_rpm = len(out)
    if kit.rpm_sentence == "XDR":
        add(kit.rpm_hz, lambda at_s: _rpm_together(state, kit, boat, ordered, at_s, rng))
    else:
        for index, engine_id in enumerate(boat.engine_ids):
            add(kit.rpm_hz, partial(_rpm, state, kit, boat, ordered, engine_id, index, rng=rng))
    out[first_rpm:] = [_silenced(emission, kit) for emission in out[first_rpm:]]
    add(kit.attitude_hz, lambda at_s: _attitude(state, at_s, rng))
    add(kit.turn_hz, lambda at_s: _turn(state, at_s, rng))
    add(kit.temperature_hz, lambda at_s: _temperature(sea, at_s, rng))
    add(kit.fuel_hz, lambda at_s: _fuel_flow(state, kit, boat, fuel_scale, at_s, rng))
    return out


def _emission(kit: Instruments, ready: Floats, bodies: list[str]) -> Emission:
    if kit.on_change:
        kept = [k for k, body in enumerate(bodies) if k == 0 or body != bodies[k - 1]]
        ready, bodies = ready[kept], [bodies[k] for k in kept]
    return Emission(kit.source, ready, bodies)


def _silenced(emission: Emission, kit: Instruments) -> Emission:
    """Return what is sent where an instrument falls silent for a moment again and again."""
    kept = np.ones(emission.ready_s.size, dtype=bool)
    for silences in kit.rpm_silences:
        count = np.floor(emission.ready_s / silences.every_s)
        # lengths in a spread order that never repeats: multiples of the golden ratio, cut to their fraction
        length_s = silences.shortest_s + (silences.longest_s - silences.shortest_s) * (0.618034 * count % 1.0)
        kept &= emission.ready_s - count * silences.every_s >= length_s
    if kept.all():
        return emission
    return Emission(emission.source, emission.ready_s[kept], [emission.bodies[k] for k in np.flatnonzero(kept)])


def _at(state: dict[str, Floats], name: str, at_s: Floats) -> Floats:
    return np.interp(at_s, state["t_s"], state[name])


def _step_s(at_s: Floats) -> float:
    return float(at_s[1] - at_s[0]) if at_s.size > 1 else 1.0


def _heading(state: dict[str, Floats], kit: Instruments, sea: Sea, at_s: Floats, rng: np.random.Generator) -> list[str]:
    true = np.degrees(_at(state, "heading_rad", at_s))
    noise = 0.15 * correlated(at_s.size, _step_s(at_s), 1.0, rng)
    if kit.heading == "HDT":
        error = rng.normal(0.0, kit.heading_error_deg)
        return [f"HEHDT,{text},T" for text in angle_texts(true + error + noise, kit.heading_decimals)]
    deviation = kit.heading_error_deg * np.sin(np.radians(true) + rng.uniform(0.0, 2.0 * np.pi))
    sensor = angle_texts(true - sea.variation_deg - deviation + noise, kit.heading_decimals)
    variation = signed_texts(np.array([sea.variation_deg]), 1)[0]
    return [f"HCHDG,{text},,,{variation}" for text in sensor]


def _depth(
    state: dict[str, Floats], kit: Instruments, boat: BoatModel, at_s: Floats, rng: np.random.Generator
) -> list[str]:
    mounted_m = round(0.4 * boat.hull.draught_m, 1)
    below = _at(state, "depth_m", at_s) - mounted_m + 0.08 * rng.standard_normal(at_s.size)
    lost = rng.random(at_s.size) < kit.depth_lost_share * np.clip(_at(state, "stw_kn", at_s) / 20.0, 0.0, 1.0)
    below = np.where(lost, np.nan, below)
    for share, shown_m in kit.depth_bad:
        below[int(share * below.size)] = shown_m
    return [f"SDDPT,{text},{mounted_m}" for text in number_texts(below, 1)]


def _felt_wind(state: dict[str, Floats], at_s: Floats) -> tuple[Floats, Floats]:
    """Return the wind felt on board, from ahead and from starboard [m/s]."""
    heading = _at(state, "heading_rad", at_s)
    east = _at(state, "east_m_s", at_s) - _at(state, "wind_e_m_s", at_s)
    north = _at(state, "north_m_s", at_s) - _at(state, "wind_n_m_s", at_s)
    return east * np.sin(heading) + north * np.cos(heading), east * np.cos(heading) - north * np.sin(heading)


def _wind(state: dict[str, Floats], kit: Instruments, sea: Sea, at_s: Floats, rng: np.random.Generator) -> list[str]:
    if kit.wind_sentence == "MDA":
        return _air(state, sea, at_s, rng)
    return _apparent_wind(state, at_s, rng)


def _air(state: dict[str, Floats], sea: Sea, at_s: Floats, rng: np.random.Generator) -> list[str]:
    """Return MDA sentences; pressure and temperature of the air are those of a common day."""
    east, north = _at(state, "wind_e_m_s", at_s), _at(state, "wind_n_m_s", at_s)
    speed = np.hypot(east, north) * (1.0 + 0.02 * rng.standard_normal(at_s.size))
    towards = np.degrees(np.arctan2(east, north)) + 1.5 * rng.standard_normal(at_s.size)
    true, magnetic = angle_texts(towards + 180.0, 1), angle_texts(towards + 180.0 - sea.variation_deg, 1)
    knots, metres = number_texts(speed / KN_M_PER_S, 1), number_texts(speed, 1)
    head = f"WIMDA,29.94,I,1.0139,B,{sea.water_temp_c + 1.5:.1f},C,,,,,,"
    return [f"{head},{t},T,{m},M,{k},N,{s},M" for t, m, k, s in zip(true, magnetic, knots, metres, strict=True)]


def _apparent_wind(state: dict[str, Floats], at_s: Floats, rng: np.random.Generator) -> list[str]:
    ahead, right = _felt_wind(state, at_s)
    speed = np.hypot(ahead, right) / KN_M_PER_S * (1.0 + 0.02 * rng.standard_normal(at_s.size))
    angle = np.degrees(np.arctan2(right, ahead)) + 1.5 * rng.standard_normal(at_s.size)
    return [f"WIMWV,{a},R,{s},N,A" for a, s in zip(angle_texts(angle, 1), number_texts(np.abs(speed), 1), strict=True)]


def _true_wind(state: dict[str, Floats], sea: Sea, at_s: Floats, rng: np.random.Generator) -> list[str]:
    east, north = _at(state, "wind_e_m_s", at_s), _at(state, "wind_n_m_s", at_s)
    speed = np.abs(np.hypot(east, north) * (1.0 + 0.03 * rng.standard_normal(at_s.size)))
    from_deg = np.degrees(np.arctan2(-east, -north)) + 2.0 * rng.standard_normal(at_s.size)
    true, magnetic = angle_texts(from_deg, 1), angle_texts(from_deg - sea.variation_deg, 1)
    knots, metres = number_texts(speed / KN_M_PER_S, 1), number_texts(speed, 1)
    return [f"WIMWD,{t},T,{m},M,{k},N,{s},M" for t, m, k, s in zip(true, magnetic, knots, metres, strict=True)]


def _log(state: dict[str, Floats], kit: Instruments, sea: Sea, at_s: Floats, rng: np.random.Generator) -> list[str]:
    smooth = low_pass(state["stw_kn"], float(state["t_s"][1] - state["t_s"][0]), 1.5)
    shown = kit.log_factor * np.interp(at_s, state["t_s"], smooth) + kit.log_offset_kn
    shown = np.maximum(shown + 0.08 * correlated(at_s.size, _step_s(at_s), 2.0, rng), 0.0)
    heading = np.degrees(_at(state, "heading_rad", at_s))
    true, magnetic = angle_texts(heading, 1), angle_texts(heading - sea.variation_deg, 1)
    knots, km_h = number_texts(shown, 2), number_texts(shown * 1.852, 2)
    return [f"VWVHW,{t},T,{m},M,{k},N,{h},K" for t, m, k, h in zip(true, magnetic, knots, km_h, strict=True)]


def _counted(
    state: dict[str, Floats],
    kit: Instruments,
    boat: BoatModel,
    ordered: Sequence[Ordered],
    engine_id: str,
    at_s: Floats,
    rng: np.random.Generator,
) -> Floats:
    """Return rpm as a tachometer counts it, in whole steps, with what is wrong with it."""
    shown = _at(state, f"rpm_{engine_id}", at_s) * kit.rpm_factor + 1.5 * rng.standard_normal(at_s.size)
    shown = np.rint(shown / kit.rpm_quantum) * kit.rpm_quantum
    for when in kit.rpm_stuck:
        shown = shown[repeated(acts_at(when, at_s, ordered, float(state["t_s"][-1])))]
    for wrong in kit.rpm_wrong:
        shown[wrong.every - 1 :: wrong.every] = wrong.rpm + wrong.rated_share * boat.engine.rated_rpm
    return shown


def _rpm(
    state: dict[str, Floats],
    kit: Instruments,
    boat: BoatModel,
    ordered: Sequence[Ordered],
    engine_id: str,
    index: int,
    at_s: Floats,
    rng: np.random.Generator,
) -> list[str]:
    shown = _counted(state, kit, boat, ordered, engine_id, at_s, rng)
    if kit.rpm_sentence != "RPM":
        return _wrapped(kit, shown, index)
    number = boat.nmea_numbers[index]
    tail = {"": ",,A", "four fields": ",A", "trailing comma": ",,A,"}[kit.rpm_form]
    return [f"IIRPM,E,{number},{text}{tail}" for text in _rpm_texts(kit, shown)]


def _rpm_texts(kit: Instruments, shown: Floats) -> list[str]:
    return number_texts(shown, 0 if kit.rpm_quantum >= 1.0 else 1)


def _wrapped(kit: Instruments, shown: Floats, instance: int) -> list[str]:
    """Return PGN 127488, engine parameters rapid update, wrapped into sentences.

    Data as in the open canboat description of the PGN: instance, speed in 0.25 rpm, boost, tilt, two bytes spare.
    PCDIN: PGN, a time stamp, the sender's address, data in the order of the bus. MXPGN: PGN, an attribute word of
    priority, length and address, data with the last byte first (both from memory).
    """
    counts = np.clip(np.rint(shown * 4.0), 0, 0xFFFC).astype(np.int64).tolist()
    data = [bytes([instance]) + count.to_bytes(2, "little") + b"\xff\xff\x7f\xff\xff" for count in counts]
    if kit.rpm_sentence == "PCDIN":
        return [f"PCDIN,01F200,{n & 0xFFFFFFFF:08X},0A,{body.hex().upper()}" for n, body in enumerate(data)]
    return [f"MXPGN,01F200,280A,{body[::-1].hex().upper()}" for body in data]


def _rpm_together(
    state: dict[str, Floats],
    kit: Instruments,
    boat: BoatModel,
    ordered: Sequence[Ordered],
    at_s: Floats,
    rng: np.random.Generator,
) -> list[str]:
    columns = [
        _rpm_texts(kit, _counted(state, kit, boat, ordered, engine_id, at_s, rng)) for engine_id in boat.engine_ids
    ]
    return [
        "ERXDR," + ",".join(f"T,{text},R,{rpm_transducer(n)}" for n, text in enumerate(row))
        for row in zip(*columns, strict=True)
    ]


def _fuel_flow(
    state: dict[str, Floats], kit: Instruments, boat: BoatModel, scale: float, at_s: Floats, rng: np.random.Generator
) -> list[str]:
    columns = []
    for engine_id in boat.engine_ids:
        rate = _at(state, f"fuel_l_per_h_{engine_id}", at_s) * scale
        rate = rate * (1.0 + 0.01 * correlated(at_s.size, _step_s(at_s), 2.0, rng))
        columns.append(number_texts(rate / 3600.0, 6))
    return [
        "ERXDR," + ",".join(f"R,{text},{kit.fuel_unit},{fuel_transducer(n)}" for n, text in enumerate(row))
        for row in zip(*columns, strict=True)
    ]


def _attitude(state: dict[str, Floats], at_s: Floats, rng: np.random.Generator) -> list[str]:
    pitch = np.degrees(_at(state, "pitch_rad", at_s)) + 0.3 + 0.05 * rng.standard_normal(at_s.size)
    roll = np.degrees(_at(state, "roll_rad", at_s)) + 0.05 * rng.standard_normal(at_s.size)
    first, second = ATTITUDE_NAMES
    return [
        f"YXXDR,A,{p},D,{first},A,{r},D,{second}"
        for p, r in zip(number_texts(pitch, 1), number_texts(roll, 1), strict=True)
    ]


def _turn(state: dict[str, Floats], at_s: Floats, rng: np.random.Generator) -> list[str]:
    rate = np.degrees(_at(state, "yaw_rad_s", at_s)) * 60.0 + 2.0 * rng.standard_normal(at_s.size)
    return [f"TIROT,{text},A" for text in number_texts(rate, 1)]


def _temperature(sea: Sea, at_s: Floats, rng: np.random.Generator) -> list[str]:
    shown = sea.water_temp_c + 0.15 * correlated(at_s.size, _step_s(at_s), 900.0, rng)
    return [f"YXMTW,{text},C" for text in number_texts(shown, 1)]


def chatter(end_s: float, source: str, damage: Damage, rng: np.random.Generator) -> list[Emission]:
    """Return what others say on the bus: AIS messages and proprietary sentences, of invented content."""
    out = []
    if damage.ais_hz > 0.0:
        when = np.sort(rng.uniform(0.0, end_s, rng.poisson(damage.ais_hz * end_s)))
        letters = np.array(list("0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVW`abcdefghijklmnopqrstuvw"))
        bodies = [f"AIVDM,1,1,,{'AB'[k % 2]},{''.join(rng.choice(letters, 28))},0" for k in range(when.size)]
        out.append(Emission(source, when, bodies, "!"))
    if damage.proprietary_hz > 0.0:
        when = np.sort(rng.uniform(0.0, end_s, rng.poisson(damage.proprietary_hz * end_s)))
        volts = number_texts(27.6 + 0.1 * rng.standard_normal(when.size), 2)
        out.append(Emission(source, when, [f"PXZQ,STAT,{k % 256:02X},{v},OK" for k, v in enumerate(volts)]))
    return out
