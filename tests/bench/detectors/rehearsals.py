"""Rehearsed trials as labelled recordings: simulated, written, processed, and cut down to what detection sees."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from tests.bench.detectors.tracks import BLOCK, Case
from trialcapture.pipeline import process
from trialcapture.prepare.steady.criteria import Track, limits_of
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

SCENARIOS = ("twin-planing", "displacement", "small-petrol", "changing-tide", "coarse-1hz", "gnss-outages")
"""Those that differ in what detection sees. The scenario with a current front is left out: its truth is told through
the water, where a front is no change; `tests.bench.detectors.tracks` has fronts over ground."""


def make_rehearsal(scenario: str, seed: int) -> Case:
    """Simulate and process one trial; its truth is the one written beside the session."""
    trial = simulate(scenario, seed)
    with TemporaryDirectory() as folder:
        session = write_session(trial, Path(folder) / "session")
        process(session.folder)
        samples = pq.read_table(session.folder / "trialset" / "samples.parquet")
    whole = samples.num_rows // BLOCK * BLOCK
    t_s = np.asarray(samples["t"].cast(pa.int64()).combine_chunks())[:whole:BLOCK] / 1e9

    def column(name: str) -> np.ndarray:
        return samples[name].to_numpy(zero_copy_only=False).astype(np.float64)[:whole].reshape(-1, BLOCK)

    heading = column("heading_true_deg")[:, BLOCK // 2]
    course = column("cog_true_deg")[:, BLOCK // 2]
    track = Track(
        column("sog_kn").mean(axis=1),
        np.stack([column(f"rpm_{engine}").mean(axis=1) for engine in trial.config.engine_ids]),
        np.where(np.isfinite(heading), heading, course),
        BLOCK / trial.config.samples.grid_hz,
        over_ground=bool(np.isfinite(heading).mean() < 0.5),
    )
    stretches, settled_kn = [], []
    for step in trial.truth["steps"]:
        a, b = (
            int(np.searchsorted(t_s, datetime.fromisoformat(step[name]).timestamp()))
            for name in ("steady_start_utc", "steady_stop_utc")
        )
        if b > a:
            stretches.append((a, b))
            settled_kn.append(float(step["sog_kn"]))
    return Case(
        scenario,
        seed,
        track,
        limits_of(trial.config),
        trial.scenario.instruments.rpm_quantum,
        tuple(stretches),
        tuple(settled_kn),
        np.full(t_s.size, np.nan),
    )
