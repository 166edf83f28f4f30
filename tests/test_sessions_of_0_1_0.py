"""Sessions that version 0.1.0 recorded and collected are still read, and give the figures their truth says.

The two sessions were written by version 0.1.0 (``rehearse`` with seed 31, short, with errors of its own; the second
put together by ``collect``) and are kept as they were: no later version has touched their raw files.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.numbers import process_numbers
from trialcapture.archive.verify import verify_session

KEPT = Path(__file__).parent / "sessions_0_1_0"


@pytest.mark.parametrize("name", ["recorded", "collected"])
def test_a_session_of_version_0_1_0_still_gives_its_true_bands(name: str, tmp_path: Path) -> None:
    session = tmp_path / name
    shutil.copytree(KEPT / name, session)
    assert verify_session(session).faults == ()
    bands = process_numbers(session)["bands"].to_pylist()
    truth = json.loads((KEPT / f"{name}.truth.json").read_text(encoding="utf-8"))["bands"]
    assert len(truth) == 3
    for true in truth:
        (band,) = [b for b in bands if abs(b["band_rpm"] - true["band_rpm"]) < 30.0]
        for quantity in ("speed_kn", "fuel_l_per_h"):
            off = abs(band[quantity] - true[quantity])
            assert off <= 3.0 * band[quantity.replace("_", "_u_", 1)], (true["band_rpm"], quantity)
