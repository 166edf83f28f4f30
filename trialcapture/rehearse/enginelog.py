"""The engine logger's own file: its channels, its clock, its way of writing numbers and dates; pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from trialcapture.config import LOG_QUANTITIES
from trialcapture.rehearse.boats import BoatModel, LogStyle
from trialcapture.rehearse.sea import correlated, low_pass
from trialcapture.units import convert

Floats = npt.NDArray[np.float64]

_EPOCH = datetime(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class WrittenLog:
    """An engine log as offloaded.

    Attributes:
        file: Its name.
        data: Its bytes.
        sample_s: When each row was measured, since the start of the simulation [s].
        offset_s: UTC of the measurement minus its stamp, read in the declared zone, row by row [s].
    """

    file: str
    data: bytes
    sample_s: Floats
    offset_s: Floats


def zone_s(zone: str) -> float:
    """Return the offset of ``+hh:mm`` from UTC [s]."""
    sign = -1.0 if zone.startswith("-") else 1.0
    hours, minutes = zone.lstrip("+-").split(":")
    return sign * (int(hours) * 3600.0 + int(minutes) * 60.0)


def heading_text(quantity: str, unit: str, engine_id: str) -> str:
    """Return a column heading as this logger writes it, such as ``Fuel rate port (L/h)``."""
    words = {
        "rpm": "Engine speed", "fuel": "Fuel rate", "fuel_total": "Fuel used", "fuel_supply": "Fuel supply",
        "fuel_return": "Fuel return", "load": "Load", "coolant": "Coolant", "oil": "Oil pressure", "boost": "Boost",
    }  # fmt: skip
    return f"{words[quantity]} {engine_id} ({unit})"


def write_engine_log(
    state: dict[str, Floats],
    boat: BoatModel,
    style: LogStyle,
    start_utc_ns: int,
    rng: np.random.Generator,
) -> WrittenLog:
    """Return what an engine logger kept of a trial.

    Args:
        state: True state, as `trialcapture.rehearse.motion.ride` gives it.
        boat: The boat.
        style: The logger.
        start_utc_ns: UTC at the start of the simulation [ns].
        rng: Source of noise, phase and gaps.
    """
    # the logger ticks by its own clock: at the start behind UTC by clock_error_s, and losing drift_ppm
    end_s = float(state["t_s"][-1])
    begin_s, stop_s = 4.0 + rng.uniform(0.0, 6.0), end_s - 4.0 - rng.uniform(0.0, 6.0)
    rate = 1.0 - style.drift_ppm * 1e-6
    phase_s = rng.uniform(0.05, 0.95) * min(style.period_s, 1.0)
    clock_s = np.ceil(begin_s * rate - style.clock_error_s) + phase_s
    clock_s = clock_s + np.arange(0.0, stop_s - begin_s, style.period_s)
    clock_s = clock_s + style.jitter_s * rng.standard_normal(clock_s.size)
    sample_s = (clock_s + style.clock_error_s) / rate
    clock_s, sample_s = clock_s[sample_s < stop_s], sample_s[sample_s < stop_s]
    kept = rng.random(sample_s.size) >= style.missing_share
    clock_s, sample_s = clock_s[kept], sample_s[kept]

    shown_s = clock_s
    for share, step_s in style.clock_steps:
        shown_s = shown_s + np.where(sample_s >= share * end_s, step_s, 0.0)

    engines = style.engines or boat.engine_ids
    headings = ["Time"]
    columns: list[list[str]] = []
    for engine_id in engines:
        for quantity, unit, decimals in style.written:
            headings.append(heading_text(quantity, unit, engine_id))
            measured = _swapped(engine_id, boat) if style.is_swapped else engine_id
            values = _shown(state, boat, style, measured, quantity, sample_s, rng)
            numbers = convert(values, LOG_QUANTITIES[quantity][1], unit)
            step = {"fuel": style.fuel_step, "rpm": style.rpm_step}.get(quantity, 0.0)
            numbers = np.rint(numbers / step) * step if step > 0.0 else numbers
            texts = [format(value, f".{decimals}f") for value in (np.round(numbers, decimals) + 0.0).tolist()]
            columns.append([text.replace(".", ",") for text in texts] if style.decimal == "," else texts)

    chosen = _chosen_rows(style, sample_s, columns, end_s)
    if style.on_change == "cells":
        columns = [_changed_only(column) for column in columns]
    stamps, read_s = _stamps(shown_s, style, start_utc_ns)
    written = [style.delimiter.join(row) for row in zip(stamps, *columns, strict=True)]
    rows = [written[k] for k in chosen.tolist()]
    sample_s, read_s = sample_s[chosen], read_s[chosen]
    head = [style.delimiter.join(headings)]
    if style.units_row:
        units = [unit for _ in engines for _, unit, _ in style.written]
        head.append(style.delimiter.join(["", *units]))
    if style.restart_share > 0.0:
        at = int(style.restart_share * len(rows))
        rows[at:at] = head
    text = style.line_end.join([*style.preamble, *head, *rows, ""])
    return WrittenLog(style.file, text.encode(style.encoding), sample_s, start_utc_ns / 1e9 + sample_s - read_s)


def _swapped(engine_id: str, boat: BoatModel) -> str:
    """Return the engine whose values stand under another's heading: first and last are mixed up."""
    first, last = boat.engine_ids[0], boat.engine_ids[-1]
    return {first: last, last: first}.get(engine_id, engine_id)


def _chosen_rows(
    style: LogStyle, sample_s: Floats, columns: Sequence[Sequence[str]], end_s: float
) -> npt.NDArray[np.intp]:
    """Return which rows are written, in the order they stand in the file."""
    keep = np.ones(sample_s.size, dtype=bool)
    for share, duration_s in style.pauses:
        keep &= (sample_s < share * end_s) | (sample_s >= share * end_s + duration_s)
    if style.on_change == "rows":
        rows = list(zip(*columns, strict=True))
        keep &= np.array([True, *(a != b for a, b in pairwise(rows))])
    chosen = np.flatnonzero(keep)
    if style.repeat_every > 0:
        chosen = np.repeat(chosen, np.where(np.arange(chosen.size) % style.repeat_every == 0, 2, 1))
    return chosen[::-1] if style.newest_first else chosen


def _changed_only(texts: Sequence[str]) -> list[str]:
    """Return cells that are empty where the value is as in the row before."""
    return [*texts[:1], *("" if b == a else b for a, b in pairwise(texts))]


def _stamps(shown_s: Floats, style: LogStyle, start_utc_ns: int) -> tuple[list[str], Floats]:
    """Return stamps as written, and the time [s] a reader takes them for in the declared zone."""
    if style.time_format == "elapsed_s":
        elapsed = np.floor(shown_s - shown_s[0])
        return [f"{value:.0f}" for value in elapsed.tolist()], elapsed
    whole = np.floor(start_utc_ns / 1e9 + shown_s)
    if style.time_format == "unix_s":
        return [f"{value:.0f}" for value in whole.tolist()], whole
    written_s, declared_s = zone_s(style.zone), zone_s(style.declared_zone or style.zone)
    pattern = "%Y-%m-%dT%H:%M:%S" if style.time_format == "iso" else style.time_format
    texts = [(_EPOCH + timedelta(seconds=value)).strftime(pattern) for value in (whole + written_s).tolist()]
    return texts, whole + written_s - declared_s


def _shown(
    state: dict[str, Floats],
    boat: BoatModel,
    style: LogStyle,
    engine_id: str,
    quantity: str,
    sample_s: Floats,
    rng: np.random.Generator,
) -> Floats:
    """Return a quantity as the engine's control unit knows it, in its canonical unit."""
    t_s = state["t_s"]
    step_s = float(t_s[1] - t_s[0])
    count = sample_s.size
    noise = rng.standard_normal(count)
    if quantity == "rpm":
        turning = np.interp(sample_s, t_s, low_pass(state[f"rpm_{engine_id}"], step_s, 0.1))
        return turning * style.rpm_factor + 1.2 * noise
    load = np.interp(sample_s, t_s, state[f"load_pct_{engine_id}"])
    fuel = state[f"fuel_l_per_h_{engine_id}"] * style.fuel_scale
    if quantity in ("fuel", "fuel_supply", "fuel_return"):
        rate = np.interp(sample_s, t_s, low_pass(fuel, step_s, 0.3))
        rate = rate * (1.0 + style.fuel_noise_share * correlated(count, style.period_s, 2.0, rng))
        if quantity == "fuel":
            return rate
        returned = 0.8 * boat.engine.rated_kw / 10.0 * (1.0 + 0.003 * noise)
        return returned + rate if quantity == "fuel_supply" else returned
    if quantity == "fuel_total":
        return 1000.0 + np.interp(sample_s, t_s, np.cumsum(fuel) * step_s / 3600.0)
    if quantity == "load":
        return np.clip(load + 0.8 * noise, 0.0, 100.0)
    speed_share = np.interp(sample_s, t_s, state[f"rpm_{engine_id}"]) / boat.engine.rated_rpm
    if quantity == "coolant":
        warming = 82.0 - 45.0 * np.exp(-sample_s / 420.0)
        return warming + low_pass(0.05 * load, style.period_s, 90.0) + 0.2 * noise
    if quantity == "oil":
        return 2.0 + 2.8 * np.clip(speed_share, 0.0, 1.0) ** 0.6 + 0.02 * noise
    if quantity == "boost":
        boost = np.interp(sample_s, t_s, state[f"boost_{engine_id}"])
        return 1.9 * np.clip(boost, 0.0, 1.2) * np.clip(speed_share, 0.0, 1.1) ** 1.2 + 0.01 * np.abs(noise)
    raise ValueError(f"no such quantity: {quantity}")
