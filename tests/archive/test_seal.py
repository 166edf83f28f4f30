"""The seal: its root can be worked out by anybody, no edit of its chain passes, and nobody seals over a change."""

from __future__ import annotations

import hashlib
import itertools
import json
import shutil
import subprocess
import threading
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.archive.notes import add_notes, read_notes
from trialcapture.archive.seal import (
    CLOSED,
    CLOSED_LATE,
    NOTE,
    Acceptance,
    compare_seal,
    hold_seal,
    parse_chain,
    parse_root,
    read_chain,
    refuse_changed,
    seal_closed,
    short_root,
    sign_root,
)
from trialcapture.archive.session import create_session, open_session
from trialcapture.archive.verify import verify_session
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError

T = "2026-05-14T12:00:00Z"


def make(folder: Path) -> Path:
    create_session(folder, load_config(""), made_by="test", created=T)
    (folder / "raw" / "nmea.log").write_bytes(b"$GPHDT,274.07,T*03\r\n" * 30)
    seal_closed(folder, by="recorder", t=T)
    return folder


def add(folder: Path, number: int = 1, accept: Acceptance | None = None) -> None:
    entry = {"t": f"2026-05-14T13:{number:02d}:00Z", "kind": "remark", "value": f"remark {number}"}
    add_notes(folder, [entry], writer="note", what=NOTE, by="lead", t=entry["t"], accept=accept)


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return make(tmp_path / "s")


@pytest.fixture(scope="module")
def chain(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = make(tmp_path_factory.mktemp("chain") / "s")
    for number in range(3):
        add(folder, number)
    return (folder / "seal.jsonl").read_bytes()


def test_the_root_is_what_the_manual_says(session: Path) -> None:
    """Worked out here with nothing but hashlib and json, as the README tells a reader to."""
    lines = []
    for name in ("raw/nmea.log", "session.toml"):
        data = (session / name).read_bytes()
        lines.append(json.dumps([name, len(data), hashlib.sha256(data).hexdigest()], separators=(",", ":")) + "\n")
    root = hashlib.sha256("".join(lines).encode()).hexdigest()
    (line,) = [json.loads(text) for text in (session / "seal.jsonl").read_bytes().splitlines()]
    assert line["root"] == root
    assert (line["what"], line["by"], line["t"], line["previous"]) == (CLOSED, "recorder", T, "")
    assert set(line["versions"]) == {"trialcapture", "python", "numpy", "scipy", "pyarrow", "matplotlib"}
    assert short_root(root) == "-".join((root[:5], root[5:10], root[10:15], root[15:20]))
    assert parse_root(short_root(root).upper()) == root[:20]


def test_each_line_holds_the_hash_of_the_line_before(chain: bytes) -> None:
    lines = chain.splitlines()
    assert len(lines) == 4
    for before, line in itertools.pairwise(lines):
        assert json.loads(line)["previous"] == hashlib.sha256(before).hexdigest()
    assert parse_chain(chain).faults == ()


@settings(max_examples=300)
@given(data=st.data())
def test_no_edit_of_one_byte_passes(chain: bytes, data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(chain) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda b: b != chain[at]))
    assert parse_chain(chain[:at] + bytes([byte]) + chain[at + 1 :]).faults


@settings(max_examples=100)
@given(order=st.lists(st.integers(0, 3), max_size=6).filter(lambda order: order != [0, 1, 2, 3][: len(order)]))
def test_no_other_order_of_its_lines_passes(chain: bytes, order: list[int]) -> None:
    lines = chain.splitlines(keepends=True)
    assert parse_chain(b"".join(lines[k] for k in order)).faults


@given(st.binary(max_size=300))
def test_whatever_lies_there_is_a_fault_and_no_exception(data: bytes) -> None:
    assert parse_chain(data).faults


@pytest.mark.parametrize(
    "file",
    [
        {"path": "raw/nmea.log", "sha256": "00", "bytes": float("inf")},
        {"path": "raw/nmea.log", "sha256": "00", "bytes": "9" * 5000},
        {"path": "raw/nmea.log", "sha256": "00", "bytes": 10**30},
        {"path": "/dev/zero", "sha256": "00", "bytes": 1},
        {"path": "../../outside", "sha256": "00", "bytes": 1},
        {"path": "raw/\ud800", "sha256": "00", "bytes": 1},
        [],
        None,
    ],
)
def test_odd_entries_of_a_seal_are_faults_and_nothing_outside_is_read(session: Path, file: object) -> None:
    path = session / "seal.jsonl"
    line = json.loads(path.read_bytes())
    line["files"].append(file)
    path.write_text(json.dumps(line) + "\n")
    found = verify_session(session)
    assert found.ending == "damaged"
    assert any(fault.startswith("seal.jsonl: line 1") for fault in found.faults)


@pytest.mark.parametrize("text", ["", "12345", "xyz" * 10, "1" * 65])
def test_what_is_no_root_is_refused(text: str) -> None:
    with pytest.raises(TrialCaptureError, match="no root"):
        parse_root(text)


def test_nothing_is_added_to_what_was_changed_until_somebody_accepts_it(session: Path) -> None:
    log = session / "raw" / "nmea.log"
    log.write_bytes(log.read_bytes().replace(b"274", b"275", 1))
    before = {p: p.read_bytes() for p in session.rglob("*") if p.is_file()}
    with pytest.raises(TrialCaptureError, match=r"raw/nmea\.log: content changed"):
        add(session)
    assert {p: p.read_bytes() for p in session.rglob("*") if p.is_file()} == before
    add(session, accept=Acceptance("Kim", "a wrong file was copied", T))
    whats = [line.what for line in (read_chain(session) or parse_chain(b"")).lines]
    assert whats == [CLOSED, "changes accepted", NOTE]
    assert compare_seal(session, "none").state == "intact"
    found = verify_session(session)
    assert found.ending == "sound with named losses"
    assert "raw/nmea.log: content changed" in str(found.losses[0])
    assert "a wrong file was copied" in str(found.losses[0])


def test_a_chain_that_was_edited_cannot_be_accepted(session: Path) -> None:
    add(session)
    path = session / "seal.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"by":"lead"', b'"by":"boss"'))
    with pytest.raises(TrialCaptureError, match="seal itself was changed"):
        add(session, 2, Acceptance("Kim", "why not", T))


def test_the_root_given_tells_what_was_added_since(session: Path) -> None:
    first = (read_chain(session) or parse_chain(b"")).root or ""
    add(session)
    found = verify_session(session, root=first[:20])
    assert found.ending == "sound"
    assert found.root_given is not None
    assert found.root_given.number == 1
    assert verify_session(session, root="0" * 64).ending == "cannot be vouched for"


def test_a_file_of_desktops_and_of_programs_at_work_is_not_sealed(session: Path) -> None:
    for name in (".DS_Store", "Thumbs.db", ".notes.jsonl.12.tmp"):
        (session / "raw" / name).write_bytes(b"x")
    assert compare_seal(session, "none").state == "intact"


def test_a_session_without_seal_is_unsealed_and_closed_late(session: Path) -> None:
    (session / "seal.jsonl").unlink()
    found = compare_seal(session, "none")
    assert (found.state, found.root) == ("unsealed", None)
    assert verify_session(session).ending == "cannot be vouched for"
    add(session)
    assert not (session / "seal.jsonl").exists()
    seal_closed(session, by="Kim", t=T, what=CLOSED_LATE, reason=found.reason)
    late = verify_session(session)
    assert late.ending == "sound with named losses"
    assert "closed late" in str(late.losses[0])
    (session / "raw" / "nmea.log").write_bytes(b"$GPHDT,274.07,T*03\r\n")
    assert verify_session(session).ending == "damaged"


def test_many_writers_at_once_lose_no_line_and_break_no_chain(session: Path) -> None:
    threads = [threading.Thread(target=lambda k=k: [add(session, 10 * k + n) for n in range(5)]) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(note.value for note in read_notes(open_session(session))) == sorted(
        f"remark {10 * k + n}" for k in range(4) for n in range(5)
    )
    assert verify_session(session).ending == "sound"
    assert len((read_chain(session) or parse_chain(b"")).lines) == 21


def test_a_closing_over_a_change_says_so(session: Path) -> None:
    (session / "session.toml").write_text((session / "session.toml").read_text() + "# more\n")
    with hold_seal(session):
        line = seal_closed(session, by="recorder", t=T)
    assert line.found == ("session.toml: 7 bytes were added behind what was sealed",)
    found = verify_session(session)
    assert found.ending == "sound with named losses"
    assert "nobody accepted" in str(found.losses[0])


def test_it_is_not_mistaken_for_intact_while_its_files_cannot_be_read(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, **_: object) -> tuple[str, int]:
        raise OSError(5, "input/output error", str(path))

    monkeypatch.setattr("trialcapture.archive.seal.hash_file", refuse)
    kinds = {change.kind for change in compare_seal(session, "none").changes}
    assert "unreadable" in kinds
    with pytest.raises(TrialCaptureError):
        refuse_changed(session, "none", Acceptance("Kim", "x", T))


# Signatures: checked with another program than the one that made them (OpenSSL; Ed25519 is RFC 8032).


def key_of(private: object, path: Path) -> Path:
    assert isinstance(private, Ed25519PrivateKey | rsa.RSAPrivateKey)
    path.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return path


def openssl_has_ed25519() -> bool:
    program = shutil.which("openssl")
    if program is None:
        return False
    told = subprocess.run([program, "version"], capture_output=True, text=True, check=False).stdout
    return told.startswith("OpenSSL 3")


@pytest.mark.skipif(not openssl_has_ed25519(), reason="needs OpenSSL 3 for one-shot signatures")
@pytest.mark.parametrize("is_edited", [False, True])
def test_openssl_checks_the_signature(session: Path, tmp_path: Path, is_edited: bool) -> None:
    root = (read_chain(session) or parse_chain(b"")).root or ""
    signed = sign_root(session, root, key_of(Ed25519PrivateKey.generate(), tmp_path / "builder.pem"))
    if is_edited:
        signed.message.write_text(root.replace(root[0], "0" if root[0] != "0" else "1", 1))
    command = [
        "openssl", "pkeyutl", "-verify", "-pubin", "-inkey", signed.public_key, "-rawin", "-in", signed.message,
        "-sigfile", signed.signature,
    ]  # fmt: skip
    told = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (told.returncode == 0) is not is_edited, told.stdout + told.stderr


def test_a_signature_is_named_by_verify(session: Path, tmp_path: Path) -> None:
    root = (read_chain(session) or parse_chain(b"")).root or ""
    sign_root(session, root, key_of(Ed25519PrivateKey.generate(), tmp_path / "builder.pem"))
    add(session)
    found = verify_session(session)
    assert found.ending == "sound"
    assert any("signs line 1" in remark for remark in found.remarks)


def test_what_cannot_sign_is_refused(session: Path, tmp_path: Path) -> None:
    other = key_of(rsa.generate_private_key(65537, 2048), tmp_path / "rsa.pem")
    with pytest.raises(TrialCaptureError, match="Ed25519"):
        sign_root(session, "00" * 32, other)
    (tmp_path / "no.pem").write_text("no key")
    with pytest.raises(TrialCaptureError, match="no private key"):
        sign_root(session, "00" * 32, tmp_path / "no.pem")
    with pytest.raises(TrialCaptureError, match="cannot be read"):
        sign_root(session, "00" * 32, tmp_path / "missing.pem")
