"""What several commands ask and say about a seal: who accepts changes, its root, a recording that nobody closed."""

from __future__ import annotations

from pathlib import Path

from trialcapture.archive.seal import (
    CLOSED_LATE,
    MANIFEST,
    Acceptance,
    read_chain,
    short_root,
    utc_now,
)
from trialcapture.archive.verify import read_timeline
from trialcapture.cli.output import say
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import is_locked


def acceptance(reason: str | None, by: str) -> Acceptance | None:
    """Return who accepts changes and why, or None where nobody does.

    Raises:
        TrialCaptureError: The reason, or who gives it, is missing.
    """
    if reason is None:
        return None
    if not reason.strip() or not by.strip():
        raise TrialCaptureError(
            "changes are not accepted without saying why and who says so",
            seen="no reason" if not reason.strip() else "no --by",
            expected='--accept-changes "why" --by NAME; both stand in the seal',
        )
    return Acceptance(" ".join(by.split()), " ".join(reason.split()), utc_now())


def root_text(root: str) -> str:
    """Return what is said of a seal's root wherever it is shown at the dock."""
    advice = "Note it or mail it now: it shows later that nothing was changed."
    return f"root of the seal: {short_root(root)}\n  {root}\n{advice}"


def offer_closing(session: Path) -> None:
    """Say of a recording that nobody closed which command closes it; of any other session nothing is said."""
    recording = read_timeline(session).recording
    if recording == "none" or is_locked(session):
        return
    chain = read_chain(session)
    is_closed_late = chain is not None and bool(chain.lines) and chain.lines[-1].what == CLOSED_LATE
    command = f"trialcapture seal {session}"
    if recording == "open" and not is_closed_late:
        say(
            "this recording was never closed: its window was closed, or the computer stopped. What was written is "
            f"kept, but no hash covers all of it. Close it now: {command}",
            label="note",
        )
    elif recording == "closed" and not (session / MANIFEST).exists():
        say(
            "this recording has ended, and its manifest is missing: it was ended before it could be written, or was "
            f"deleted. Without it nothing can be compared. Write it now: {command}",
            label="note",
        )
