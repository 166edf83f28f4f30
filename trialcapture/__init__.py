"""Sensor-ingest pipeline for instrumented boat sea trials.

The map, in the direction the data flows:

``acquire``  listens on serial, TCP, UDP and CAN sources and hands bytes to the archive
``archive``  keeps raw bytes, session folder, manifest and Parquet files on disk
``decode``   turns raw bytes into typed Arrow tables, and rejects with reasons (pure)
``prepare``  places everything on UTC, flags it, finds the steady segments (pure)
``reduce``   makes the RPM-band table: speed, current, fuel, range, uncertainty (pure)
``report``   prints tables, draws figures, writes the HTML report
``rehearse`` simulates a boat and her sensors, for practice and for tests

``pipeline`` shows the whole flow on one screen; ``cli`` is the command line.
"""

import os

# The matrices here are small: threads only cost time, and their number could change a last digit. Linear algebra reads
# these names once, when NumPy and SciPy are first imported; a value that is set already stays.
for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_name, "1")

__version__ = "0.1.0"
