"""Whole trials with a wrong receiver or tachometer: no band moves by more than its ±, and page 1 has the fault's name.

Faults and truth are those of the simulation; each trial is held against its twin without the fault.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.numbers import process_numbers
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

SCENARIO, SEED = "small-petrol", 31
Bands = dict[float, dict[str, Any]]


def run(folder: Path, *faults: str) -> dict[str, Any]:
    write_session(simulate(SCENARIO, SEED, short=True, errors=True, faults=faults), folder)
    return process_numbers(folder)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return run(tmp_path_factory.mktemp("sound") / "session")


def bands_of(result: dict[str, Any]) -> Bands:
    return {row["band_rpm"]: row for row in result["bands"].to_pylist()}


def test_a_sound_trial_has_no_such_item(sound: dict[str, Any]) -> None:
    health = sound["summary"]["data_health"]
    assert [health[kind] for kind in ("disagreements", "stuck", "spikes")] == [[], [], []]
    assert len(bands_of(sound)) == 3


@pytest.mark.parametrize(
    ("fault", "kind", "what", "lost"),
    [
        ("other-receiver-3kn-high", "disagreements", "speed of bus/GN", 0),
        ("other-receiver-3kn-high-first", "disagreements", "speed of aux1/GP", 0),
        ("other-receiver-10pct-high-first", "disagreements", "speed of aux1/GP", 0),
        ("speed-5pct-high", "disagreements", "speed of bus/GP", 0),
        ("speed-high-in-one-band", "disagreements", "speed of bus/GP", 0),
        ("frozen-speed", "stuck", "speed over ground of bus/GP", 2),
        ("frozen-both", "stuck", "position of bus/GP", 2),
        ("frozen-position", "stuck", "position of bus/GP", 0),
        ("speed-spikes", "spikes", "speed over ground of bus/GP", 0),
        ("position-jumps", "spikes", "position of bus/GP", 0),
        ("rpm-minus-5", "spikes", "engine speed, engine main of bus/II", 0),
        ("rpm-far-too-high", "spikes", "engine speed, engine main of bus/II", 0),
    ],
)
def test_no_band_moves_by_more_than_its_uncertainty_and_the_fault_is_named(
    fault: str, kind: str, what: str, lost: int, sound: dict[str, Any], tmp_path: Path
) -> None:
    result = run(tmp_path / "session", fault)
    before, after = bands_of(sound), bands_of(result)
    assert len(after) >= len(before) - lost
    for rpm, row in after.items():
        twin = before[min(before, key=lambda known: abs(known - rpm))]
        assert abs(row["band_rpm"] - twin["band_rpm"]) < 30.0
        assert abs(row["speed_kn"] - twin["speed_kn"]) <= 2.0 * row["speed_u_kn"]
    assert what in [item["what"] for item in result["summary"]["data_health"][kind]]
