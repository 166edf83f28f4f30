"""Detached signatures of a root: who signs it says that this root is the one that was seen.

The signed message is a file of its own, ``signatures/<root>.root``: the 64 hexadecimal digits of the root, without a
line end. Beside it lie the signature (Ed25519, RFC 8032, 64 bytes) and the public key it can be checked with, so that
``openssl`` or any other program checks it without this one. A key that lies beside its signature says nothing about
whose it is: compare it with the one its owner gave you.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialcapture.archive.atomic import write_file
from trialcapture.archive.seal import SealLine, short_root
from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import read_whole

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FOLDER = "signatures"
_MOST_BYTES = 1 << 16
"""Of a key or a signature (our choice)."""


@dataclass(frozen=True, slots=True)
class Signed:
    """Where a signature was written: the message, the signature and the public key."""

    message: Path
    signature: Path
    public_key: Path


def sign_root(folder: Path, root: str, key: Path) -> Signed:
    """Sign a root.

    Args:
        folder: The session.
        root: Of the last line of its seal.
        key: A private Ed25519 key (PEM, PKCS #8), as ``openssl genpkey -algorithm ed25519`` makes one.

    Raises:
        TrialCaptureError: The library is missing, the key is none, or a file cannot be written.
    """
    private = _load_key(key)
    _, serialization = _library()
    public = private.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    name = "".join(c if c.isalnum() or c in "-_" else "_" for c in key.stem)[:40] or "key"
    base = folder / FOLDER
    signed = Signed(base / f"{root}.root", base / f"{root}.{name}.sig", base / f"{root}.{name}.pub.pem")
    write_file(signed.message, root.encode())
    write_file(signed.signature, private.sign(root.encode()))
    write_file(signed.public_key, public)
    return signed


def _load_key(key: Path) -> Ed25519PrivateKey:
    ed25519, serialization = _library()
    try:
        private = serialization.load_pem_private_key(key.read_bytes(), password=None)
    except OSError as fault:
        raise TrialCaptureError("the key cannot be read", seen=fault.strerror or str(fault), where=str(key)) from fault
    except (ValueError, TypeError) as fault:
        raise TrialCaptureError(
            "this is no private key that can be used",
            seen=str(fault).splitlines()[0][:120],
            where=str(key),
            expected="an Ed25519 key without a passphrase (PEM): openssl genpkey -algorithm ed25519 -out me.pem",
        ) from fault
    if not isinstance(private, ed25519.Ed25519PrivateKey):
        raise TrialCaptureError(
            "a root is signed with Ed25519",
            seen=type(private).__name__.removesuffix("PrivateKey").lstrip("_"),
            where=str(key),
            expected="openssl genpkey -algorithm ed25519 -out me.pem",
        )
    return private  # type: ignore[no-any-return]


def _library() -> tuple[Any, Any]:
    try:
        from cryptography.hazmat.primitives import serialization  # noqa: PLC0415  an extra
        from cryptography.hazmat.primitives.asymmetric import ed25519  # noqa: PLC0415
    except ImportError as fault:
        raise TrialCaptureError(
            "signing needs a library that is not installed",
            seen="no cryptography",
            expected='pip install "trialcapture[sign]"',
        ) from fault
    return ed25519, serialization


def check_signatures(folder: Path, lines: Sequence[SealLine]) -> tuple[list[str], list[str]]:
    """Return what is wrong with the signatures of a session, and what is to be said of the sound ones.

    Args:
        folder: The session.
        lines: Of its seal.
    """
    faults: list[str] = []
    remarks: list[str] = []
    signatures = sorted((folder / FOLDER).glob("*.sig")) if (folder / FOLDER).is_dir() else []
    for path in signatures:
        name = path.relative_to(folder).as_posix()
        root = path.name.split(".")[0]
        line = next((line for line in reversed(lines) if line.root == root), None)
        try:
            _check(path, root)
        except TrialCaptureError as fault:
            remarks.append(f"{name}: not checked, {fault.seen}; {fault.expected}")
        except Exception as fault:  # noqa: BLE001  whatever lies there, a signature that does not hold is named
            why = f"{type(fault).__name__}: {fault}".removesuffix(": ")
            faults.append(f"{name}: the signature does not hold ({why})")
        else:
            if not lines:
                remarks.append(f"{name}: signs root {short_root(root)}; there is no seal to compare it with")
            elif line is None:
                faults.append(f"{name}: signs root {short_root(root)}, which no line of the seal has")
            else:
                remarks.append(f"{name}: signs line {line.number}; compare the key beside it with its owner's")
    return faults, remarks


def _check(path: Path, root: str) -> None:
    """Raise whatever shows that a signature does not hold."""
    ed25519, serialization = _library()
    public = serialization.load_pem_public_key(read_whole(path.with_name(f"{path.stem}.pub.pem"), _MOST_BYTES))
    if not isinstance(public, ed25519.Ed25519PublicKey):
        raise TypeError("its public key is no Ed25519 key")
    public.verify(read_whole(path, _MOST_BYTES), root.encode())
    if read_whole(path.with_name(f"{root}.root"), _MOST_BYTES) != root.encode():
        raise ValueError(f"{root[:12]}….root beside it holds another message than its name")
