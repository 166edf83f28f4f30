"""``trialcapture seal``: close a recording late, or sign the last root."""

from __future__ import annotations

from pathlib import Path

from trialcapture.archive.seal import CLOSED_LATE, NAME, hold_seal, read_chain, refuse_changed, seal_closed, utc_now
from trialcapture.archive.session import open_session
from trialcapture.archive.signature import sign_root
from trialcapture.archive.verify import read_timeline
from trialcapture.cli.output import print_json, shown_progress, tell
from trialcapture.cli.sealing import acceptance, root_text
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_lock import SessionLock


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
