"""``trialcapture seal`` and ``pack``: a recording closed late, a root signed, a session made one thing to hand over."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from trialcapture import __version__
from trialcapture.archive.atomic import size_text
from trialcapture.archive.pack import pack_session
from trialcapture.archive.seal import (
    CLOSED_LATE,
    NAME,
    hold_seal,
    read_chain,
    refuse_changed,
    seal_closed,
    short_root,
    sign_root,
    utc_now,
)
from trialcapture.archive.session import open_session
from trialcapture.archive.verify import read_timeline
from trialcapture.cli.output import print_json, say, shown_progress, tell
from trialcapture.cli.sealing import acceptance, root_text
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import SessionLock, lock_if_there


def seal(session: Path, key: Path | None, by: str, accept: str | None, as_json: bool) -> None:
    """Close a recording late where nobody did, and sign the root where a key is given."""
    opened = open_session(session)
    accepted = acceptance(accept, by)
    told = ""
    with shown_progress() as progress, SessionLock(session), hold_seal(session):
        progress("hashing raw files", None)
        found = refuse_changed(session, read_timeline(session).recording, accepted)
        if found.state == "unsealed":
            if not by.strip():
                raise TrialCaptureError(
                    "a session is not closed late without saying who does it",
                    seen="no --by",
                    expected="add --by NAME; it stands in the seal",
                )
            seal_closed(session, by=" ".join(by.split()), t=utc_now(), what=CLOSED_LATE, reason=found.reason)
            told = f"closed late: {found.reason}"
        elif accepted is None:
            told = "sealed already; nothing was changed since"
        else:
            told = f"line {len(found.lines)} of the seal: {found.lines[-1].what}"
    chain = read_chain(session)
    if chain is None or chain.root is None:
        raise TrialCaptureError("the seal was not written", where=str(session / NAME))
    signed = None
    if key is not None:
        signed = sign_root(session, chain.root, key)
    if as_json:
        files = None if signed is None else {"message": signed.message, "signature": signed.signature}
        print_json({"session": opened.id, "root": chain.root, "said": told, "signed": files})
        return
    tell(told)
    for line in root_text(chain.root).split("\n"):
        tell(line)
    if signed is not None:
        tell(f"signed: {signed.signature}")
        tell("check it without this program:")
        tell(
            f"  openssl pkeyutl -verify -pubin -inkey {signed.public_key} -rawin -in {signed.message} "
            f"-sigfile {signed.signature}"
        )


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
