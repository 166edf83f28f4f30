"""One call that runs a named trial: motion, sensors, wires, engine logs, notes, truth.

What reaches the laptop are sentences queued on their wires, damaged on the way, stamped by clocks that are wrong.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import tomli_w

from trialcapture.config import Config, load_config
from trialcapture.decode.nmea0183.stream import split_stream
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.boats import BoatModel, Damage, Laptop, LogStyle, Wire
from trialcapture.rehearse.enginelog import WrittenLog, heading_text, write_engine_log
from trialcapture.rehearse.faults import FAULTS, Fault, tell_faults
from trialcapture.rehearse.instruments import (
    ATTITUDE_NAMES,
    Emission,
    chatter,
    finish,
    fuel_transducer,
    observe,
    receive,
    rpm_transducer,
)
from trialcapture.rehearse.motion import Crew, Motion, integrate, ride
from trialcapture.rehearse.scenarios import (
    DEFAULT,
    LABEL_CIRCLE,
    SCENARIOS,
    Plan,
    Scenario,
    build_phases,
    fitted,
    shortened,
)
from trialcapture.rehearse.truth import RESERVE_SHARE, USABLE_SHARE, tell_manoeuvres, tell_settled, tell_truth, utc_text

Floats = npt.NDArray[np.float64]

LINES_SCHEMA = pa.schema(
    [
        pa.field("t_s", pa.float64(), metadata={"meaning": "true time since the start of the simulation"}),
        pa.field("mono_us", pa.int64()),
        pa.field("wall_ms", pa.int64()),
        pa.field("source", pa.dictionary(pa.int32(), pa.string())),
        pa.field("bytes", pa.binary()),
    ]
)
"""One row a piece as the recorder cuts them, in order of receipt; `bytes` with the line end."""


def deliver(
    emissions: Sequence[Emission],
    wires: Sequence[Wire],
    damage: Damage,
    laptop: Laptop,
    start_utc_ns: int,
    end_s: float,
    rng: np.random.Generator,
) -> tuple[pa.Table, dict[str, int]]:
    """Return what the recorder receives, and what was done to it.

    Args:
        emissions: What the devices have ready.
        wires: How each source reaches the laptop.
        damage: What goes wrong on the way.
        laptop: The clocks the receipts are stamped with.
        start_utc_ns: UTC at the start of the simulation and of the recording [ns].
        end_s: Length of the trial [s].
        rng: Source of delays and damage.

    Returns:
        A table of `LINES_SCHEMA`, and counts: ``sent`` lines and each kind of damage done.
    """
    counts = {"sent": 0, "flipped": 0, "dropped": 0, "cut": 0, "glued": 0, "noise": 0}
    stamps: list[Floats] = []
    sources: list[npt.NDArray[np.int32]] = []
    pieces: list[bytes] = []
    for index, wire in enumerate(wires):
        chunks, ready = _queue([e for e in emissions if e.source == wire.source])
        counts["sent"] += len(chunks)
        spoilt = _spoil(chunks, damage, rng, counts)
        first_byte = _send(chunks, ready, wire)
        late = rng.exponential(0.0012, first_byte.size)
        late += np.where(rng.random(late.size) < laptop.stall_share, rng.uniform(0.02, 0.15, late.size), 0.0)
        arrived = np.maximum.accumulate(first_byte + wire.delay_s + late) if late.size else first_byte
        source_pieces, origin = _cut(chunks, spoilt)
        pieces += source_pieces
        stamps.append(arrived[origin] if origin.size else np.empty(0))
        sources.append(np.full(len(source_pieces), index, dtype=np.int32))
    t_s = np.concatenate(stamps)
    order = np.argsort(t_s, kind="stable")
    order = order[t_s[order] <= end_s]
    t_s = t_s[order]
    columns = [
        pa.array(t_s),
        pa.array(mono_us(t_s, laptop)),
        pa.array(wall_ms(t_s, laptop, start_utc_ns, end_s)),
        pa.DictionaryArray.from_arrays(
            pa.array(np.concatenate(sources)[order]), pa.array([wire.source for wire in wires])
        ),
        pa.array([pieces[k] for k in order.tolist()], pa.binary()),
    ]
    return pa.Table.from_arrays(columns, schema=LINES_SCHEMA), counts


def mono_us(t_s: Floats, laptop: Laptop) -> npt.NDArray[np.int64]:
    """Return the laptop's monotonic time since the session began [µs]."""
    return np.floor(t_s * (1.0 + laptop.drift_ppm * 1e-6) * 1e6).astype(np.int64)


def wall_ms(t_s: Floats, laptop: Laptop, start_utc_ns: int, end_s: float) -> npt.NDArray[np.int64]:
    """Return what the laptop's wall clock shows [ms since 1970 UTC], its steps included."""
    shown_s = t_s * (1.0 + laptop.drift_ppm * 1e-6) + laptop.wall_error_s
    for share, step_s in laptop.steps:
        shown_s = shown_s + np.where(t_s >= share * end_s, step_s, 0.0)
    return start_utc_ns // 1_000_000 + np.floor(shown_s * 1e3).astype(np.int64)


def _queue(emissions: list[Emission]) -> tuple[list[bytes], Floats]:
    if not emissions:
        return [], np.empty(0)
    chunks: list[bytes] = []
    for emission in emissions:
        chunks += finish(emission.bodies, emission.start)
    ready = np.concatenate([emission.ready_s for emission in emissions])
    order = np.argsort(ready, kind="stable")
    return [chunks[k] for k in order.tolist()], ready[order]


def _send(chunks: list[bytes], ready: Floats, wire: Wire) -> Floats:
    """Return when the first byte of each chunk has arrived; a busy line makes the next one wait."""
    if wire.baud == 0 or not chunks:
        return ready
    takes = np.array([len(chunk) for chunk in chunks]) * 10.0 / wire.baud
    before = np.concatenate([[0.0], np.cumsum(takes)[:-1]])
    begins = before + np.maximum.accumulate(ready - before)
    return begins + 10.0 / wire.baud


def _spoil(
    chunks: list[bytes], damage: Damage, rng: np.random.Generator, counts: dict[str, int]
) -> npt.NDArray[np.bool_]:
    """Damage chunks in place and return which were."""
    spoilt = np.zeros(len(chunks), dtype=bool)
    if damage.share <= 0.0 or not chunks:
        return spoilt
    draw = rng.random(len(chunks))
    low = 0.0
    for kind, share in (
        ("flipped", damage.flipped),
        ("dropped", damage.dropped),
        ("cut", damage.cut),
        ("glued", damage.glued),
        ("noise", damage.noise),
    ):
        chosen = (draw >= low) & (draw < low + share)
        low += share
        for k in np.flatnonzero(chosen).tolist():
            chunks[k] = _SPOILERS[kind](chunks[k], rng)
        counts[kind] += int(chosen.sum())
        spoilt |= chosen
    return spoilt


def _flip(chunk: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(len(chunk) - 2))
    return chunk[:at] + bytes([chunk[at] ^ (1 << int(rng.integers(8)))]) + chunk[at + 1 :]


def _drop(chunk: bytes, rng: np.random.Generator) -> bytes:
    at, many = int(rng.integers(len(chunk) - 2)), int(rng.integers(1, 4))
    return chunk[:at] + chunk[at + many :]


def _cut_short(chunk: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(1, len(chunk) - 2))
    return chunk[:at] + (b"\r\n" if rng.random() < 0.5 else b"")


def _glue(chunk: bytes, rng: np.random.Generator) -> bytes:
    return chunk[: -int(rng.integers(1, 3))] if rng.random() < 0.5 else chunk[:-2]


def _noise(chunk: bytes, rng: np.random.Generator) -> bytes:
    burst = rng.integers(0, 256, int(rng.integers(3, 40)), dtype=np.uint8).tobytes()
    return burst + chunk if rng.random() < 0.5 else burst + b"\r\n" + chunk


_SPOILERS: dict[str, Callable[[bytes, np.random.Generator], bytes]] = {
    "flipped": _flip,
    "dropped": _drop,
    "cut": _cut_short,
    "glued": _glue,
    "noise": _noise,
}


def _cut(chunks: list[bytes], spoilt: npt.NDArray[np.bool_]) -> tuple[list[bytes], npt.NDArray[np.int64]]:
    """Return the pieces a recorder makes of the chunks, and the chunk whose arrival completed each."""
    if not spoilt.any():
        return chunks, np.arange(len(chunks))
    pieces: list[bytes] = []
    origin: list[int] = []
    rest = b""
    for k, (chunk, is_spoilt) in enumerate(zip(chunks, spoilt.tolist(), strict=True)):
        if rest or is_spoilt:
            found, rest = split_stream(rest + chunk)
            pieces += found
            origin += [k] * len(found)
        else:
            pieces.append(chunk)
            origin.append(k)
    if rest:
        pieces.append(rest)
        origin.append(len(chunks) - 1)
    return pieces, np.array(origin, dtype=np.int64)


# ------------------------------------------------------------------------------
# What is wrong with every reading of a trial alike: drawn once, hidden from the reduction, told in the truth.
#
# No averaging within the trial shows these errors or takes them away, so only many trials tell whether a stated
# uncertainty has room for them. Their sizes are common practice, no source; they are written down here and not taken
# from the reduction, whose uncertainties they test.
# ------------------------------------------------------------------------------

SPEED_BIAS_SD_KN = 0.03
"""Of one receiver's speed; receivers differ from each other."""
UNCALIBRATED_SD_PCT = 2.5
"""Of a fuel rate reckoned by the engine's control unit and never checked."""
CALIBRATED_SD_PCT = 1.0
"""Of a fuel rate whose calibration was measured."""


@dataclass(frozen=True, slots=True)
class CalibrationErrors:
    """The errors of one trial.

    Attributes:
        speed_bias_kn: Per receiver, by source, what it shows over the true speed [kn].
        fuel_pct: What every engine's calibrated fuel rate shows over the fuel burnt [%]. One error for all engines
            and logs: sister engines share the injector map, the fuel with its density and warmth, and the person
            who calibrated them; the spread between two units of a kind is small beside that.
    """

    speed_bias_kn: dict[str, float]
    fuel_pct: float

    def as_truth(self) -> dict[str, Any]:
        """Return the errors as the truth file tells them."""
        biases = {source: round(bias, 5) for source, bias in self.speed_bias_kn.items()}
        return {"receiver_speed_bias_kn": biases, "fuel_calibration_pct": round(self.fuel_pct, 4)}


def draw_errors(run: Scenario, speed: np.random.Generator, fuel: np.random.Generator) -> CalibrationErrors:
    """Draw the errors of one trial, normally distributed, each kind from a generator of its own."""
    stated_pct = CALIBRATED_SD_PCT if run.fuel_calibration_u_pct is None else run.fuel_calibration_u_pct
    sd_pct = UNCALIBRATED_SD_PCT if run.fuel_calibration is None else stated_pct
    biases = {receiver.source: float(speed.normal(0.0, SPEED_BIAS_SD_KN)) for receiver in run.receivers}
    return CalibrationErrors(biases, float(fuel.normal(0.0, sd_pct)))


def no_errors(run: Scenario) -> CalibrationErrors:
    """Return the errors of sensors that are right in the mean."""
    return CalibrationErrors({receiver.source: 0.0 for receiver in run.receivers}, 0.0)


def with_errors(run: Scenario, errors: CalibrationErrors) -> Scenario:
    """Return the scenario with receivers and engine logs that have these errors."""
    receivers = tuple(
        replace(receiver, speed_bias_kn=receiver.speed_bias_kn + errors.speed_bias_kn[receiver.source])
        for receiver in run.receivers
    )
    scale = 1.0 + errors.fuel_pct / 100.0
    logs = tuple(replace(style, fuel_scale=style.fuel_scale * scale) for style in run.logs)
    return replace(run, receivers=receivers, logs=logs)


# ------------------------------------------------------------------------------
# The settings file that belongs to a simulated trial, as a technician would have written it; pure.
# ------------------------------------------------------------------------------


def config_text(scenario: Scenario) -> str:
    """Return the settings of a scenario as TOML that `trialcapture.config.load_config` reads."""
    boat = scenario.boat
    data: dict[str, Any] = {
        "boat": boat_table(boat),
        "fuel": _fuel_table(scenario),
        "load": load_table(boat),
        "trial": {
            "title": "Speed and fuel trial",
            "place": scenario.place,
            "water": "sea",
            "wave_height_m": scenario.sea.wave_height_m,
            "hull_cleaned": "three weeks before the trial",
            "trim": scenario.trim_note,
            "generator_running": False,
            "magnetic_variation_deg": scenario.sea.variation_deg,
            "notes": f"Simulated: {scenario.summary}. Boat and place are invented.",
        },
        "engine": engine_tables(boat, counted_from_0=scenario.instruments.rpm_sentence in ("PCDIN", "MXPGN")),
        "bands": {"steps_rpm": [float(step) for step in scenario.plan.steps_rpm]},
        "plan": _plan_table(scenario.plan),
        "source": [
            {"id": wire.source, "kind": "serial", "port": f"COM{7 + n}", "baud": wire.baud}
            if wire.baud
            else {"id": wire.source, "kind": "udp", "port": 10110}
            for n, wire in enumerate(scenario.wires)
        ],
    }
    if scenario.rpm_u_pct is not None:
        data["engine"] = [table | {"rpm_u_pct": scenario.rpm_u_pct} for table in data["engine"]]
    if scenario.current_max_kn is not None:
        data["trial"]["current_max_kn"] = scenario.current_max_kn
    if scenario.primary_gnss:
        data["trial"]["primary_gnss"] = scenario.primary_gnss
    if scenario.logs:
        data["engine_log"] = [_log_table(style, boat) for style in scenario.logs]
    xdr = [
        {"name": name, "type": "A", "unit": "D", "channel": channel}
        for name, channel in zip(ATTITUDE_NAMES, ("pitch_deg", "roll_deg"), strict=True)
        if scenario.instruments.attitude_hz
    ]
    if scenario.instruments.rpm_sentence == "XDR":
        xdr += [
            {"name": rpm_transducer(n), "type": "T", "unit": "R", "channel": f"rpm_{engine_id}"}
            for n, engine_id in enumerate(boat.engine_ids)
        ]
    if scenario.instruments.fuel_hz:
        letter = scenario.instruments.fuel_unit
        xdr += [
            {"name": fuel_transducer(n), "type": "R", "unit": letter, "channel": f"fuel_l_per_h_{engine_id}"}
            for n, engine_id in enumerate(boat.engine_ids)
        ]
    if xdr:
        data["xdr"] = xdr
    return tomli_w.dumps(data)


def boat_table(boat: BoatModel) -> dict[str, Any]:
    """Return the ``[boat]`` table."""
    hull = boat.hull
    return {
        "name": boat.name,
        "length_m": hull.length_m,
        "beam_m": hull.beam_m,
        "draught_m": hull.draught_m,
        "lightship_kg": hull.lightship_kg,
        "planing": hull.planing,
    }


def load_table(boat: BoatModel) -> dict[str, Any]:
    """Return the ``[load]`` table: it adds up to the displacement that is simulated."""
    return {
        "persons": boat.persons,
        "gear_kg": boat.gear_kg,
        "tanks": [
            {
                "name": "fuel",
                "capacity_l": boat.fuel_capacity_l,
                "fraction": boat.fuel_fraction,
                "density_kg_per_m3": round(boat.engine.fuel_kg_per_l * 1000.0, 6),
            },
            {
                "name": "fresh water",
                "capacity_l": boat.water_capacity_l,
                "fraction": boat.water_l / boat.water_capacity_l,
                "density_kg_per_m3": 1000.0,
            },
        ],
    }


def engine_tables(boat: BoatModel, *, counted_from_0: bool = False) -> list[dict[str, Any]]:
    """Return the ``[[engine]]`` tables; on a CAN network engines are counted from 0, in RPM sentences otherwise."""
    numbers = tuple(range(len(boat.engine_ids))) if counted_from_0 else boat.nmea_numbers
    return [
        {
            "id": engine_id,
            "rated_rpm": boat.engine.rated_rpm,
            "idle_rpm": boat.engine.idle_rpm,
            "rated_kw": boat.engine.rated_kw,
            "gear_ratio": boat.engine.gear_ratio,
            "propeller_pitch_m": boat.propeller.pitch_m,
            "nmea_instance": number,
        }
        for engine_id, number in zip(boat.engine_ids, numbers, strict=True)
    ]


PLAYED = ["acceleration", "slow_planing", "turn"]
"""Manoeuvres that are run where a plan asks for all there are."""


def _plan_table(plan: Plan) -> dict[str, Any]:
    """Return what is to be run, as a person would have planned it: nothing of how the day goes."""
    return {
        "axis_deg": float(plan.axis_deg),
        "full_throttle": plan.full_throttle,
        "reciprocal": plan.reciprocal,
        "ways": plan.ways if plan.reciprocal else 1,
        "hold_s": float(plan.hold_s),
        "warm_up_s": float(plan.warm_up_s),
        "marks": plan.marks,
        "manoeuvres": list(plan.manoeuvres)
        if isinstance(plan.manoeuvres, tuple)
        else PLAYED
        if plan.manoeuvres
        else [],
    }


def _fuel_table(scenario: Scenario) -> dict[str, Any]:
    table: dict[str, Any] = {
        "capacity_l": scenario.boat.fuel_capacity_l,
        "usable_fraction": USABLE_SHARE,
        "reserve_fraction": RESERVE_SHARE,
        "density_kg_per_m3": round(scenario.boat.engine.fuel_kg_per_l * 1000.0, 6),
    }
    if scenario.fuel_calibration is not None:
        factor, origin = scenario.fuel_calibration
        table["calibration"] = {"factor": factor, "origin": origin}
        if scenario.fuel_calibration_u_pct is not None:
            table["calibration"]["u_pct"] = scenario.fuel_calibration_u_pct
    if scenario.tank.stated_u is not None:
        table["capacity_u_pct"], table["usable_u"] = scenario.tank.stated_u
    return table


def _log_table(style: LogStyle, boat: BoatModel) -> dict[str, Any]:
    columns: dict[str, Any] = {"time": "Time"}
    for engine_id in style.engines or boat.engine_ids:
        for quantity, unit, _ in style.written:
            columns[f"{quantity}_{engine_id}"] = {"name": heading_text(quantity, unit, engine_id), "unit": unit}
    encoding = {} if style.encoding == "utf-8" else {"encoding": style.encoding}
    return {
        "files": style.file,
        "time_format": style.time_format,
        "timezone": style.declared_zone or style.zone,
        "delimiter": style.delimiter,
        "decimal": style.decimal,
        **encoding,
        "header_rows": 1 + len(style.preamble),
        "skip_rows_after_header": 1 if style.units_row else 0,
        "columns": columns,
    }


@dataclass(frozen=True, slots=True)
class SimulatedTrial:
    """A simulated trial, everything in memory.

    Attributes:
        scenario: As run, with this seed's own current, wind, clocks and calibration errors, and with its faults.
        seed: The seed.
        start_utc_ns: UTC at the start [ns].
        config_text: The settings as TOML.
        config: The same, read.
        lines: What the recorder received: `trialcapture.rehearse.simulate.LINES_SCHEMA`.
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
) -> SimulatedTrial:
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
    state = ride(motion, run.boat, run.sea, rngs[3], rngs[12] if errors else None, run.repeats)
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
    if not isinstance(run.plan.manoeuvres, bool):
        truth["manoeuvres"] = tell_manoeuvres(motion, run.boat, start_ns)
    if run.tells_settled:
        truth["settled"] = tell_settled(motion, run.boat, run.sea, run.instruments.rpm_factor, run.tank)
    if wrong:
        truth["faults"] = tell_faults(wrong, run, motion.ordered, truth["steps"], start_ns, end_s)
    notes = _notes(run, motion, start_ns, end_s, rngs[9])
    config = load_config(text, where=f"settings of scenario {run.name}")
    return SimulatedTrial(run, seed, start_ns, text, config, lines, logs, notes, truth)


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
        elif ordered.phase.label in LABEL_CIRCLE.values():
            late_s = 0.15 + 0.2 * float(rng.standard_normal())
            entries.append((ordered.start_s + late_s, "mark", "helm over", None, "lead"))
        elif ordered.phase.label == "slow run-down":
            entries.append((ordered.start_s + 2.0, "remark", "slow run-down begins", None, "lead"))
    out = []
    for t_s, kind, value, unit, by in sorted(entries, key=lambda entry: entry[0]):
        shown_s = int(wall_ms(np.array([t_s]), run.laptop, start_ns, end_s)[0]) / 1e3 - start_ns / 1e9
        out.append({"t": utc_text(start_ns, shown_s), "kind": kind, "value": value, "unit": unit, "by": by})
    return tuple(out)
