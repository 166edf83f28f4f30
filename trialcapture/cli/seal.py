"""``trialcapture seal``, ``verify`` and ``pack``: a session sealed, checked and handed over.

``seal`` closes a recording late, or signs the last root; ``verify`` says what stands in a session, and whether its seal
and results agree with it; ``pack`` makes one thing of it. What other commands ask and say about a seal is here, too:
who accepts changes, the root, a recording that nobody closed.
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from trialcapture.archive.seal import (
    CLOSED_LATE,
    MANIFEST,
    NAME,
    Acceptance,
    hold_seal,
    parse_root,
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
from trialcapture.config import read_config
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.derived_again import verify_with_results
from trialcapture.system.session_files import SessionLock, is_locked

if TYPE_CHECKING:
    from trialcapture.archive.verify import Verification


from trialcapture import __version__
from trialcapture.archive.atomic import size_text
from trialcapture.archive.pack import pack_session
from trialcapture.system.session_files import lock_if_there


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


@click.pass_context
def verify(
    context: click.Context, session: Path, root: str | None, derive: bool, config_path: Path | None, as_json: bool
) -> None:
    """Check a session and print what was found."""
    if config_path is not None and not derive:
        raise click.UsageError("--config goes with --derive")
    wanted = None if root is None else parse_root(root)
    text = None if config_path is None else read_config(config_path)[1]
    with shown_progress() as progress:
        found = verify_with_results(session, root=wanted, progress=progress, derive=derive, config_text=text)
    if as_json:
        print_json(asdict(found) | {"ending": found.ending})
    else:
        _print_verification(found, wanted)
    context.exit(1 if found.ending in ("damaged", "cannot be vouched for") else 0)


def _print_verification(found: Verification, wanted: str | None) -> None:
    tell(f"session {found.session}: {found.files} raw files, {found.lines} lines")
    if found.sentences:
        tell("received: " + ", ".join(f"{count} {kind}" for kind, count in found.sentences.items()))
    for a in found.accounts:
        unnamed = f" + {a.unnamed_s:.1f} s UNNAMED" if a.unnamed_s else ""
        named = f"{a.data_s:.1f} s data + {a.gap_s:.1f} s in {a.gaps} named gap(s)"
        tell(f"{a.source}: {a.span_s:.1f} s = {named}{unnamed}")
    for remark in found.remarks:
        say(remark, label="note", err=False)
    for loss in found.losses:
        say(str(loss), label="loss", err=False)
    for fault in found.faults:
        say(fault, label="fault", err=False)
    for missing in found.unvouched:
        say(missing, label="cannot vouch", err=False)
    _print_seal(found, wanted)
    tell(found.ending)


def _print_seal(found: Verification, wanted: str | None) -> None:
    lines = found.seal.lines
    if not lines:
        return
    tell("seal:")
    for line in lines:
        tell(f"  {line.number} {line.t} {line.what}, by {line.by}")
    for text in root_text(lines[-1].root).partition("\nNote it")[0].split("\n"):
        tell(text)
    if wanted is None:
        say(
            "The seal shows edits by whoever did not write all of it anew. Against somebody who did, only a root that "
            "was noted elsewhere proves anything: trialcapture verify SESSION --root ROOT",
            label="note",
            err=False,
        )
    elif found.root_given is not None:
        at = found.root_given
        since = lines[at.number :] if at in lines else ()
        say(f"the root given is that of line {at.number}: {at.what}, {at.t}, by {at.by}", label="root", err=False)
        told = "; ".join(
            f"{line.t} {line.what} by {line.by}"
            + (f" ({', '.join([f.path for f in line.files] + [f'{path} removed' for path in line.gone])})")
            for line in since
        )
        say(f"added since: {told or 'nothing'}", label="root", err=False)
        say(
            "A root proves session.toml and raw/ as they were then. By whom, when and why stands in seal.jsonl alone: "
            "note or mail that file, too",
            label="root",
            err=False,
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
