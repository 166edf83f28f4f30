"""``trialcapture pack``: a session as one thing to hand over."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from trialcapture import __version__
from trialcapture.archive.atomic import size_text
from trialcapture.archive.pack import pack_session
from trialcapture.archive.seal import short_root
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.system.session_lock import lock_if_there


def pack(session: Path, out: Path, share: bool, accept_damage: str | None, as_json: bool) -> None:
    """Pack a session and print what is in it."""
    with shown_progress() as progress, lock_if_there(session):
        packed = pack_session(
            session,
            out,
            made_by=f"trialcapture {__version__}",
            share=share,
            accept_damage=accept_damage,
            progress=progress,
        )
    if as_json:
        print_json(asdict(packed))
        return
    tell(f"session {packed.session} in {packed.out}: {packed.files} files, {size_text(packed.bytes)}")
    if share:
        say("look through it before you hand it on: times of the trial are in it", label="note", err=False)
    elif not packed.has_results:
        say("the session was not processed, so there are no results in it", label="note", err=False)
    for name in packed.left_out[:10]:
        say(f"{name} is no part of a session and was left out", label="note", err=False)
    if len(packed.left_out) > 10:
        say(f"{len(packed.left_out) - 10} more files were left out", label="note", err=False)
    if packed.condition != "sound":
        say(packed.condition, label="condition", err=False)
    if packed.root is not None:
        tell(f"root of the seal: {short_root(packed.root)}")
    where = "its folder, unpacked" if out.suffix.lower() == ".zip" else str(packed.out)
    tell(f"check it with any BagIt program, or in {where}: sha256sum -c manifest-sha256.txt")
