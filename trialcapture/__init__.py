"""Sensor-ingest pipeline for instrumented boat sea trials.

The map, in the direction the data flows:

``acquire``  listens on serial, TCP, UDP and CAN sources and hands bytes to the archive
``archive``  keeps raw bytes, session folder, manifest and Parquet files on disk
``decode``   turns raw bytes into typed Arrow tables, and rejects with reasons (pure)
``prepare``  places everything on UTC, flags it, finds the steady segments (pure)
``reduce``   makes the RPM-band table: speed, current, fuel, range, uncertainty (pure)
``measure``  has one module a result that rests on the reduction, such as the planing threshold (pure)
``report``   prints tables, draws figures, writes the HTML report
``rehearse`` simulates a boat and her sensors, for practice and for tests
``desk``     serves the local page for the whole trial day

``pipeline`` shows the whole flow on one screen; ``cli`` is the command line; ``config`` holds boat and trial settings
with every default; ``system`` is all that differs by operating system.

In a notebook, `load` gives the results of a processed session as pandas frames.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trialcapture.frames import CombinedFrames, TrialFrames

# The matrices here are small: threads only cost time, and their number could change a last digit. Linear algebra reads
# these names once, when NumPy and SciPy are first imported; a value that is set already stays.
for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_name, "1")

__version__ = "0.1.0"


def load(session: str | os.PathLike[str]) -> TrialFrames | CombinedFrames:
    """Return the results of a processed session as pandas frames.

    ``.samples .segments .legs .bands .manoeuvres .notes`` are frames with their units in ``attrs["units"]``;
    ``.summary`` is a typed `trialcapture.reduce.summary.Summary`. Each is read when it is first asked for. A trial of
    several sessions gives the same frames, with whose each row is, and each session by itself in ``.sessions``.

    Args:
        session: The folder of a session, or of a trial of several.

    Raises:
        TrialCaptureError: There is no session, or it was not processed.
    """
    from trialcapture.frames import load_any  # noqa: PLC0415  pandas takes a quarter of a second

    return load_any(Path(session))
