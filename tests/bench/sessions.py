"""Sessions to measure with: a long day on a busy bus, of any length, with a wide engine log ten times a second.

About 90 sentences a second (2.5 million and 200 MB in 8 h), 0.5 % of the lines damaged on the way, and an engine log
of 25 columns (47 MB in 8 h), which is what a well-equipped boat gives. Simulated in blocks of at most 8 h, so
that a longer day needs no more memory: the recording goes on from block to block, the boat's log begins a new file.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.archive.seal import NAME, seal_closed
from trialcapture.archive.session import create_session
from trialcapture.rehearse.boats import Damage, Instruments, LogStyle, Wire
from trialcapture.rehearse.scenarios import TWIN, Scenario
from trialcapture.rehearse.simulate import SimulatedTrial, simulate
from trialcapture.rehearse.truth import utc_text
from trialcapture.rehearse.write import nmea_log, notes_text

BLOCK_H = 8.0
PAUSE_S = 60
"""Silence between two blocks, while the boat goes back to where the next one begins."""

START_NS = 1_778_746_200_000_000_000  # 2026-05-14 08:10 UTC
_LOG = LogStyle(
    file="engines-*.csv",
    quantities=(
        ("rpm", "rpm", 1), ("fuel", "L/h", 2), ("load", "%", 1), ("coolant", "degC", 1), ("oil", "bar", 3),
        ("boost", "bar", 3),
    ),
    period_s=0.1,
    jitter_s=0.001,
)  # fmt: skip

BUSY: Scenario = replace(
    TWIN,
    name="long-day",
    vary=False,
    instruments=Instruments(
        heading_hz=10.0, depth_hz=2.0, wind_hz=2.0, wind_true=True, log_hz=2.0, rpm_hz=10.0, attitude_hz=10.0,
        turn_hz=5.0, temperature_hz=0.5,
    ),
    wires=(Wire("gps1", 38400), Wire("ins1", 0, 0.004)),
    damage=Damage(flipped=0.002, dropped=0.001, cut=0.001, glued=0.0007, noise=0.0003, ais_hz=1.0, proprietary_hz=2.0),
    laptop=replace(TWIN.laptop, steps=()),
    logs=(_LOG,),
)  # fmt: skip

_MORE_COLUMNS = tuple(
    (f"{what} {engine} ({unit})", mean, scatter, decimals)
    for what, unit, mean, scatter, decimals in (
        ("Battery", "V", 27.6, 0.08, 3),
        ("Gear oil", "bar", 18.2, 0.2, 2),
        ("Exhaust", "degC", 342.0, 6.0, 2),
        ("Intake air", "degC", 41.0, 0.4, 2),
        ("Fuel temperature", "degC", 36.0, 0.3, 2),
        ("Throttle", "%", 55.0, 0.2, 2),
    )
    for engine in ("port", "stbd")
)
"""What else such a log holds and nobody maps: heading, mean, scatter, decimals."""


def session(home: Path, hours: float, seed: int = 1) -> Path:
    """Return the session of that length under `home`, made when it is not there yet (some minutes for a long one)."""
    folder = home / f"long-day-{hours:g}h-{seed}"
    if (folder / NAME).is_file():
        return folder
    shutil.rmtree(folder, ignore_errors=True)
    start_ns, passed_us, passed_ms = START_NS, 0, 0
    blocks, created = max(1, round(hours / BLOCK_H)), utc_text(start_ns, 0.0)
    for block in range(blocks):
        trial = simulate(BUSY, seed + block, hours=hours / blocks, start_utc_ns=start_ns)
        if block == 0:
            made_by = "trialcapture tests.bench"
            create_session(folder, trial.config, made_by=made_by, created=created, config_text=trial.config_text)
            (folder / "raw" / "notes.jsonl").write_text(notes_text(trial))
            (folder / "raw" / "engine").mkdir()
        later = replace(trial, lines=_shifted(trial.lines, passed_us, passed_ms))
        with (folder / "raw" / "nmea.log").open("ab") as file:
            file.writelines(nmea_log(later, "journal"))
        with (folder / "raw" / "engine" / f"engines-{block + 1}.csv").open("w", newline="") as text:
            text.writelines(_wide_log(trial, np.random.default_rng([seed, block])))
        took_s = int(trial.lines["t_s"][-1].as_py()) + PAUSE_S
        start_ns += took_s * 1_000_000_000
        drift = 1.0 + trial.scenario.laptop.drift_ppm * 1e-6
        passed_us += round(took_s * drift * 1e6)
        passed_ms += round(took_s * (drift - 1.0) * 1e3)
        del trial, later
    seal_closed(folder, by="bench", t=created)
    return folder


def _shifted(lines: pa.Table, mono_us: int, wall_ms: int) -> pa.Table:
    """Return what a laptop received whose clocks have run on since before this block."""
    for name, by in (("mono_us", mono_us), ("wall_ms", wall_ms)):
        index = lines.schema.get_field_index(name)
        lines = lines.set_column(index, lines.schema.field(index), pa.array(lines[name].to_numpy() + by))
    return lines


def _wide_log(trial: SimulatedTrial, rng: np.random.Generator) -> Iterator[str]:
    """Yield the rows of the trial's engine log with stamps to the millisecond and with more columns."""
    (log,) = trial.engine_logs
    head, *rows = log.data.decode().split(_LOG.line_end)
    clock_s = log.sample_s * (1.0 - _LOG.drift_ppm * 1e-6) - _LOG.clock_error_s
    stamps = np.datetime_as_string((trial.start_utc_ns // 1_000_000 + _millis(clock_s)).astype("datetime64[ms]"))
    more = [
        [f"{value:.{decimals}f}" for value in rng.normal(mean, scatter, clock_s.size).tolist()]
        for _, mean, scatter, decimals in _MORE_COLUMNS
    ]
    yield ",".join([head, *(name for name, *_ in _MORE_COLUMNS)]) + _LOG.line_end
    for stamp, row, *extra in zip(stamps.tolist(), rows[: clock_s.size], *more, strict=True):
        yield ",".join([stamp, row.partition(",")[2], *extra]) + _LOG.line_end


def _millis(seconds: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    return np.floor(seconds * 1e3).astype(np.int64)
