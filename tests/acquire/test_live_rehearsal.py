"""A rehearsal played live over UDP and serial, with its engine logs growing, gives the table its files give."""

from __future__ import annotations

import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import tomli_w

from tests import rig
from tests.numbers import process_numbers
from trialcapture.archive.verify import verify_session
from trialcapture.rehearse.play import play
from trialcapture.rehearse.scenarios import DEFAULT, briefed
from trialcapture.rehearse.simulate import find_scenario, simulate
from trialcapture.rehearse.write import write_session

SPEED = 40.0


@contextmanager
def joined(far: rig.Pty, near: rig.Pty) -> Iterator[None]:
    """Hand on what is written into one pseudo-terminal to who reads the other, as a null-modem cable does."""
    stop = threading.Event()

    def pump() -> None:
        while not stop.is_set():
            if data := far.received():
                near.send(data)
            else:
                time.sleep(0.001)

    thread = threading.Thread(target=pump, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def bands_of(folder: Path) -> dict[float, dict[str, Any]]:
    return {row["band_rpm"]: row for row in process_numbers(folder)["bands"].to_pylist()}


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="uses pseudo-terminals")
def test_the_recorded_band_table_is_that_of_the_files(tmp_path: Path) -> None:
    paced = rig.PacedClock(SPEED, time.time_ns())
    clock = paced.clock()
    scenario = find_scenario(DEFAULT)
    trial = simulate(scenario, 5, plan=briefed(scenario.plan), start_utc_ns=clock.wall_ns() + 20 * 10**9)
    near, far, port = rig.Pty(), rig.Pty(), rig.free_port()
    settings = tomllib.loads(trial.config_text)
    settings.get("trial", {}).pop("primary_gnss", None)
    settings["source"] = [
        {"id": "gps", "kind": "serial", "port": near.name, "baud": 38400},
        {"id": "boat", "kind": "udp", "host": "127.0.0.1", "port": port},
    ]
    logs = tmp_path / "offload"
    logs.mkdir()
    engine_logs = [logs / log.file for log in trial.engine_logs]
    with (
        paced,
        rig.recording(tmp_path / "live", tomli_w.dumps(settings), clock=clock, engine_logs=engine_logs) as run,
    ):
        with joined(far, near):
            play(
                trial, udp=("127.0.0.1", port), serial=far.name, engine_folder=logs, clock=paced.seconds,
                sleep=paced.sleep,
            )  # fmt: skip
            time.sleep(1.0)
        run.end()
    assert verify_session(tmp_path / "live").faults == ()
    write_session(trial, tmp_path / "files")
    live, files = bands_of(tmp_path / "live"), bands_of(tmp_path / "files")
    assert live.keys() == files.keys()
    assert files
    for band, row in files.items():
        assert live[band]["speed_kn"] == pytest.approx(row["speed_kn"], abs=0.02), band
        assert live[band]["ways"] == row["ways"]
        assert live[band]["fuel_l_per_h"] == pytest.approx(row["fuel_l_per_h"], rel=0.005), band
