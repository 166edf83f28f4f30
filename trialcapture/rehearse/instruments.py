"""What the instruments on the boat's bus send; pure functions of arrays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import numpy.typing as npt

from trialcapture.rehearse.boats import BoatModel
from trialcapture.rehearse.kit import Damage, Instruments
from trialcapture.rehearse.motion import Ordered, acts_at, repeated
from trialcapture.rehearse.noise import correlated, low_pass
from trialcapture.rehearse.receivers import Emission
from trialcapture.rehearse.sea import Sea
from trialcapture.rehearse.sentences import angle_texts, number_texts, signed_texts
from trialcapture.units import KN_M_PER_S

Floats = npt.NDArray[np.float64]

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
        state: True state, as `trialcapture.rehearse.ride.ride` gives it.
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
    shown = _at(state, f"rpm_{engine_id}", at_s) + 1.5 * rng.standard_normal(at_s.size)
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
