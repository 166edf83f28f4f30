"""``trialcapture follow``: what the screen of a recorder tells of the trial; a process of its own."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from time import monotonic, sleep, time_ns

from trialcapture.acquire.ending import is_being_recorded
from trialcapture.acquire.live_status import append_guidance
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.live_guidance import LiveBoard, guidance_of
from trialcapture.pipeline.live_trial import LiveTrial
from trialcapture.system.operating_system import give_way

_EVERY_S = 1.0
"""Between two lines for the screen (our choice)."""


def follow(session: Path) -> None:
    """Append a line a second for the screen while a recorder is at work."""
    give_way(5)
    board = LiveBoard(LiveTrial(session))
    while is_being_recorded(session):
        began_s = monotonic()
        with suppress(OSError, TrialCaptureError):  # no disk takes it: the screen does without
            told = guidance_of(board.look(began_s, time_ns()))
            try:
                append_guidance(session, told)
            except (OSError, TrialCaptureError):
                if board.second is None:
                    raise
                append_guidance(board.second, told)
        sleep(max(_EVERY_S - (monotonic() - began_s), 0.1))
