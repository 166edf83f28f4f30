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

__version__ = "0.1.0"
