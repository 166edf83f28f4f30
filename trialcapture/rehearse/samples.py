"""The example inputs in ``sample_logs``: one small trial of each kind of input, made by one command.

``python -m trialcapture.rehearse.samples FOLDER`` writes them all to a new folder; equal versions of the program
and of NumPy give equal files.
"""

from __future__ import annotations

import sys
from pathlib import Path

from trialcapture.archive.collect import collect
from trialcapture.archive.session import Session
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.truth import utc_text
from trialcapture.rehearse.write import LooseFiles, write_files, write_session

SEED = 20
"""Of the sessions in ``sample_logs``."""


def write_samples(folder: Path) -> tuple[list[Session], list[LooseFiles]]:
    """Write every example.

    Args:
        folder: Where to; its sub-folders must not be there yet.

    Returns:
        The sessions, and the loose files meant for `collect`.

    Raises:
        TrialCaptureError: A folder is in use, or the disk is full.
    """
    sessions = [write_session(simulate("coarse-1hz", SEED), folder / "journal_session")]
    loose = [
        write_files(simulate("small-petrol", SEED, hours=0.45), folder / "plain_nmea"),
        write_files(
            simulate("log-per-engine", SEED, short=True), folder / "tagged_gz", form="tagged", packing="gz", parts=2
        ),
        write_files(simulate("messy-bus", SEED, short=True), folder / "messy_zst", packing="zst", line_end=b"\n"),
    ]
    trial = simulate("displacement", SEED, hours=1.0)
    files = write_files(trial, folder / "displacement_files", form="journal", packing="zst")
    created = utc_text(trial.start_utc_ns, 0.0)
    into = folder / "displacement_session"
    sessions.append(
        collect(files.nmea_logs, files.engine_logs, trial.config, into, created=created, config_text=trial.config_text)
    )
    files.truth.rename(folder / "displacement_session.truth.json")
    for path in (*files.nmea_logs, *files.engine_logs, files.config):
        path.unlink()
    files.config.parent.rmdir()
    return sessions, loose


def main(arguments: list[str]) -> int:
    """Run the command; returns its exit code."""
    if len(arguments) != 1 or arguments[0].startswith("-"):
        sys.stderr.write("usage: python -m trialcapture.rehearse.samples FOLDER\n")
        return 2
    try:
        sessions, loose = write_samples(Path(arguments[0]))
    except TrialCaptureError as fault:
        sys.stderr.write(f"{fault}\n")
        return 1
    for made in [*(s.folder for s in sessions), *(files.config.parent for files in loose)]:
        size = sum(path.stat().st_size for path in made.rglob("*") if path.is_file())
        sys.stdout.write(f"{made}  {size / 1e6:.2f} MB\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
