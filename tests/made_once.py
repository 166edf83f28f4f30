"""What many tests begin with is made once in a run, by the worker that needs it first; each test gets a copy.

Equal raw files, settings and versions give byte-identical results, so a test cannot tell a copy from one of its own.
What is made lies in a folder that all workers of a run share and that goes with the run: no run uses what another
made.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest

from tests.numbers import process_numbers
from trialcapture.pipeline import process
from trialcapture.rehearse import simulate as simulation
from trialcapture.rehearse.boats import BoatModel
from trialcapture.rehearse.motion import Crew, Motion, integrate
from trialcapture.rehearse.scenarios import SCENARIOS, Phase, briefed
from trialcapture.rehearse.sea import Sea
from trialcapture.rehearse.simulate import SimulatedTrial, simulate
from trialcapture.rehearse.write import write_session
from trialcapture.system.files import CACHE_VARIABLE

SAMPLES = Path(__file__).parents[1] / "sample_logs"
PLACE = "TRIALCAPTURE_TESTS_MADE_ONCE"
"""The folder, in the environment: `tests/conftest.py` sets it."""


def made_once(name: str, make: Callable[[Path], object]) -> Path:
    """Return a folder that `make` filled once in this run; nobody may change what lies in it.

    Two workers may make the same at the same time: the one that is ready first is kept, and both are equal.
    """
    home = Path(os.environ[PLACE])
    folder = home / name
    if not folder.is_dir():
        home.mkdir(parents=True, exist_ok=True)
        own = Path(tempfile.mkdtemp(prefix=f"{name}.", dir=home))
        make(own)
        try:
            own.rename(folder)
        except OSError:  # the other worker was sooner
            shutil.rmtree(own)
    return folder


def simulated(scenario: str, seed: int, **options: Any) -> SimulatedTrial:
    """Return what `simulate` gives for a named scenario; nobody may change it."""
    given = hashlib.sha256(repr(sorted(options.items())).encode()).hexdigest()[:12]

    def make(folder: Path) -> None:
        with (folder / "trial.pickle").open("wb") as file:
            pickle.dump(simulate(scenario, seed, **options), file)

    with (made_once(f"{scenario} {seed} {given}", make) / "trial.pickle").open("rb") as file:
        trial: SimulatedTrial = pickle.load(file)  # written by this run
    return trial


_MOTIONS: dict[bytes, Motion] = {}


@contextmanager
def motions_once() -> Iterator[None]:
    """Have `simulate` move the boat once for all trials in which all that moves her is the same.

    Sensors, wires and logs differ between them, which is what tests of those are about; the motion takes most of the
    time.
    """

    def integrate_once(
        boat: BoatModel, phases: tuple[Phase, ...], sea: Sea, crew: Crew, rng: np.random.Generator
    ) -> Motion:
        key = pickle.dumps((boat, phases, sea, crew, rng.bit_generator.state))
        if key not in _MOTIONS:
            _MOTIONS[key] = integrate(boat, phases, sea, crew, rng)
        return _MOTIONS[key]

    with patch.object(simulation, "integrate", integrate_once):
        yield


def brief_session(into: Path) -> Path:
    """Write a trial of some seven minutes, not processed, to a folder that is not there yet, and return that.

    Two steps there and back with the boat of ``sample_logs/journal_session``, from 08:30:07 on 14 May 2026.
    """
    name = "coarse-1hz"
    plan = replace(briefed(SCENARIOS[name].plan), steps_rpm=(800.0, 1000.0), full_throttle=False)
    write_session(simulated(name, 20, plan=plan), into)
    return into


def processed_once(name: str, *, pages: bool = False) -> Path:
    """Return a folder with a processed ``session`` and the ``cache`` of who did so; nobody may change it.

    Args:
        name: A session of ``sample_logs``, or ``brief``: `brief_session`.
        pages: With report, sheet and workbook as they are, and not empty.
    """

    def make(folder: Path) -> None:
        if name == "brief":
            brief_session(folder / "session")
        else:
            shutil.copytree(SAMPLES / name, folder / "session", ignore=shutil.ignore_patterns("trialset", "reduction"))
        with pytest.MonkeyPatch.context() as environment:
            environment.setenv(CACHE_VARIABLE, str(folder / "cache"))
            (process if pages else process_numbers)(folder / "session")

    return made_once(f"{name} {'with' if pages else 'without'} pages", make)


def processed_copy(name: str, into: Path, *, pages: bool = False) -> Path:
    """Copy the session of `processed_once` to a folder that is not there yet, and return that."""
    return Path(shutil.copytree(processed_once(name, pages=pages) / "session", into))


def second_look(folder: Path, monkeypatch: pytest.MonkeyPatch, name: str = "journal_session") -> Path:
    """Copy the session of `processed_once`, with its pages, to a folder that is not there yet, and be who processed it.

    For a test that is not about the way from raw files to samples: `process` takes up what it made and kept, and does
    again only what depends on what the test changes. That this gives the bytes of a run from scratch is what
    `tests/pipeline/test_reuse.py` holds it to.
    """
    made = processed_once(name, pages=True)
    shutil.copytree(made / "session", folder)
    own_cache = folder.with_name(f"{folder.name}-cache")
    shutil.copytree(made / "cache", own_cache)
    monkeypatch.setenv(CACHE_VARIABLE, str(own_cache))
    return folder
