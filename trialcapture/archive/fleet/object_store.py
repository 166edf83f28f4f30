"""Where an archive lies: a folder, or a bucket of an S3-speaking server; objects have names and never half a content.

Both kinds give three promises that the archive is built on: an object that was put is whole or not there; it has been
read back and hashed before the call returns; and `put_new` puts only where nothing is, whoever else tries.

On S3, listing and writing are done by boto3 and reading by pyarrow. A pyarrow stream that is left by an exception
completes its upload with what it has, which would leave half an object under the name of the whole; boto3 aborts.
Credentials, region and endpoint come from the usual environment variables and files; no message names any of them.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import stat
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO, Protocol
from urllib.parse import urlsplit

from trialcapture.archive.atomic import open_replacement, write_error
from trialcapture.errors import TrialCaptureError
from trialcapture.safe_text import clean_text
from trialcapture.system.files import remove_file, sync_file, sync_folder
from trialcapture.system.session_files import open_inside, open_plain

_PART = 1 << 20
_STALE_S = 3600.0
"""What nobody has written to for so long is of a program that was killed (our choice)."""
_BUCKET = re.compile(r"[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]")
"""Names of buckets ("Bucket naming rules", Amazon S3 User Guide, from memory)."""
_PREFIX = re.compile(r"[A-Za-z0-9!_.*'()=-]+(?:/[A-Za-z0-9!_.*'()=-]+)*")
"""Characters of keys that need no escape anywhere ("Safe characters", Amazon S3 User Guide, from memory)."""
_CODE = re.compile(r"[A-Za-z0-9_.-]{1,60}")
_AWAY = re.compile("NETWORK_CONNECTION|Connect|Connection|Timeout|REQUEST_TIMEOUT")
_FORBIDDEN = {"AccessDenied", "ACCESS_DENIED", "403", "Forbidden", "InvalidAccessKeyId", "SignatureDoesNotMatch"}
_SDK_CODE = re.compile(r"AWS Error ([A-Z_]{3,60})")

OpenSource = Callable[[], BinaryIO]
"""Opens what is to be stored, from its first byte; may be called again."""


class StoreAwayError(TrialCaptureError):
    """The object store itself cannot be reached, or has no such bucket: whatever else is asked of it fails as well."""


class ObjectStore(Protocol):
    """A place for objects; names are relative to it, with ``/``.

    Attributes:
        place: As a person named it.
    """

    place: str

    def names(self, prefix: str) -> Iterator[tuple[str, int]]:
        """Yield name and size [bytes] of every object whose name begins so, in any order; names may be hostile."""

    def size(self, name: str) -> int | None:
        """Return the size of an object [bytes]; None where there is none."""

    def open(self, name: str) -> BinaryIO:
        """Open an object to read it from its first byte; FileNotFoundError where there is none."""

    def put(self, name: str, source: OpenSource, sha256: str, size: int) -> None:
        """Put an object whose content is known, in place of one that may be there, and read it back."""

    def put_new(self, name: str, data: bytes) -> bool:
        """Put an object where there is none; False where there is one already, which stays as it was."""

    def remove(self, name: str) -> None:
        """Remove an object if it is there."""


def open_store(place: str) -> ObjectStore:
    """Return the store that a person named: ``s3://bucket/prefix``, or a folder.

    Raises:
        TrialCaptureError: The name is none, or what speaks S3 is not installed.
    """
    if place.lower().startswith("s3:"):
        return S3Store(place)
    if "://" in place:
        raise TrialCaptureError(
            "an archive cannot lie there",
            seen=place.split("://", 1)[0] + "://…",
            expected="a folder, or s3://bucket/prefix",
        )
    return FolderStore(place)


def read_object(store: ObjectStore, name: str, most_bytes: int) -> bytes:
    """Return a whole object that is small.

    Raises:
        FileNotFoundError: There is none.
        TrialCaptureError: It is larger, or cannot be read.
    """
    with store.open(name) as file:
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise TrialCaptureError(
            "an object of the archive is larger than it can be, and is not read",
            seen=f"more than {most_bytes} bytes",
            where=where(store, name),
            expected="the archive may be damaged or forged",
        )
    return data


def hash_object(store: ObjectStore, name: str, most_bytes: int | None = None) -> tuple[str, int]:
    """Return SHA-256 (hexadecimal) and size [bytes] of an object, reading at most one byte more than `most_bytes`.

    Raises:
        FileNotFoundError: There is none.
        TrialCaptureError: It cannot be read.
    """
    with store.open(name) as file:
        return _hash_stream(file, most_bytes)


def where(store: ObjectStore, name: str) -> str:
    """Return the place of an object as people read it."""
    return clean_text(f"{store.place.rstrip('/')}/{name}")


def _hash_stream(file: BinaryIO, most_bytes: int | None) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    while part := file.read(_PART):
        digest.update(part)
        size += len(part)
        if most_bytes is not None and size > most_bytes:
            break
    return digest.hexdigest(), size


class _Checked:
    """Reads what is to be stored, and refuses its last part where the whole is not what was announced."""

    def __init__(self, file: BinaryIO, sha256: str, size: int, fault: TrialCaptureError) -> None:
        self._file, self._sha256, self._left, self._fault = file, sha256, size, fault
        self._digest = hashlib.sha256()
        self._is_over = False

    def read(self, size: int = -1) -> bytes:
        """Return the next bytes, all that were asked for except at the end."""
        wanted = self._left if size < 0 else min(size, self._left)
        parts = []
        while wanted and (part := self._file.read(wanted)):
            parts.append(part)
            wanted -= len(part)
            self._left -= len(part)
            self._digest.update(part)
        if (wanted or not self._left) and not self._is_over:
            self._is_over = True
            if self._left or self._digest.hexdigest() != self._sha256 or self._file.read(1):
                raise self._fault
        return b"".join(parts)


def _differs(store: ObjectStore, name: str) -> TrialCaptureError:
    return TrialCaptureError(
        "a file did not read back as it was handed in",
        where=where(store, name),
        expected="check the disk and the network, let no other program change the session meanwhile, and add it again",
    )


# ------------------------------------------------------------------------------
# A folder.
# ------------------------------------------------------------------------------


class FolderStore:
    """A folder on a disk of this computer or on a share."""

    def __init__(self, place: str) -> None:
        self.place = place
        self._folder = Path(place)

    def path_of(self, name: str) -> Path:
        """Return where an object lies."""
        return self._folder / name

    def names(self, prefix: str) -> Iterator[tuple[str, int]]:
        """Yield every regular file below the folder; what is none, such as a link, has size -1."""
        start = self._folder.joinpath(*prefix.split("/")[:-1])
        waiting = [start]
        while waiting:
            folder = waiting.pop()
            try:
                found = list(os.scandir(folder))
            except FileNotFoundError:
                continue
            except OSError as fault:
                raise _unreadable(fault, folder) from fault
            for entry in found:
                if entry.name.startswith("."):  # what is being written, and what desktops leave
                    continue
                path = Path(entry.path)
                try:
                    status = entry.stat(follow_symlinks=False)
                except FileNotFoundError:  # removed meanwhile
                    continue
                name = path.relative_to(self._folder).as_posix()
                if stat.S_ISDIR(status.st_mode) and not getattr(status, "st_reparse_tag", 0):
                    waiting.append(path)
                elif name.startswith(prefix):
                    yield name, status.st_size if stat.S_ISREG(status.st_mode) else -1

    def size(self, name: str) -> int | None:
        """Return the size of a regular file; None where there is none."""
        try:
            with self.open(name) as file:
                return os.fstat(file.fileno()).st_size
        except FileNotFoundError:
            return None

    def open(self, name: str) -> BinaryIO:
        """Open a regular file that is reached from the folder without a link."""
        try:
            return open_inside(self._folder, name)
        except FileNotFoundError:
            raise
        except OSError as fault:
            raise _unreadable(fault, self._folder / name) from fault

    def put(self, name: str, source: OpenSource, sha256: str, size: int) -> None:
        """Write beside its place, flush to the disk, read back, rename."""

        def reads_back(temporary: Path) -> None:
            with open_plain(temporary) as written:
                if _hash_stream(written, size) != (sha256, size):
                    raise _differs(self, name)

        _remove_stale(self._folder / name)
        with source() as given, open_replacement(self._folder / name, needed_bytes=size, check=reads_back) as file:
            checked = _Checked(given, sha256, size, _differs(self, name))
            while part := checked.read(_PART):
                file.write(part)

    def put_new(self, name: str, data: bytes) -> bool:
        """Write beside its place and give it its name as a second one, which fails where the name is taken."""
        path = self._folder / name
        temporary = path.with_name(f".{path.name}.{secrets.token_hex(8)}.tmp")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with open_plain(temporary, "xb") as file:
                file.write(data)
                file.flush()
                sync_file(file.fileno())
            try:
                os.link(temporary, path)
            except FileExistsError:
                return False
            except OSError:  # FAT and some shares know one name a file: exclusive, though not whole where it is killed
                try:
                    with open_plain(path, "xb") as file:
                        file.write(data)
                        file.flush()
                        sync_file(file.fileno())
                except FileExistsError:
                    return False
            sync_folder(path.parent)
        except OSError as fault:
            raise write_error(fault, path, len(data)) from fault
        finally:
            with suppress(OSError):
                remove_file(temporary)
        return True

    def remove(self, name: str) -> None:
        """Remove a file, and its folder where it was the last."""
        path = self._folder / name
        try:
            remove_file(path)
            with suppress(OSError):
                path.parent.rmdir()
        except OSError as fault:
            raise write_error(fault, path) from fault


def _remove_stale(path: Path) -> None:
    """Remove what adders that were killed have left of a file; one that is at work has written to its own just now."""
    for left in path.parent.glob(f".{path.name}.*.tmp"):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > _STALE_S:
                remove_file(left)


def _unreadable(fault: OSError, path: Path) -> TrialCaptureError:
    return TrialCaptureError(
        "a file or folder of the archive cannot be read",
        seen=fault.strerror or type(fault).__name__,
        where=clean_text(str(path)),
        expected="check that the disk is there and that you may read it",
    )


# ------------------------------------------------------------------------------
# S3.
# ------------------------------------------------------------------------------


class S3Store:
    """A bucket, or a prefix in it, of any server that speaks S3."""

    def __init__(self, place: str) -> None:
        bucket, _, prefix = place[len("s3:") :].removeprefix("//").partition("/")
        prefix = prefix.strip("/")
        if (
            not place.lower().startswith("s3://")
            or not _BUCKET.fullmatch(bucket)
            or (prefix and (not _PREFIX.fullmatch(prefix) or {".", ".."} & set(prefix.split("/"))))
        ):
            raise TrialCaptureError(
                "this is no place in an object store",
                seen="s3:// with a sign that no bucket or prefix has" if "@" in place or "?" in place else place[:200],
                expected="one such as s3://bucket/prefix, in plain letters; credentials stand in the environment",
            )
        self.place = f"s3://{bucket}/{prefix}" if prefix else f"s3://{bucket}"
        self._bucket, self._prefix = bucket, f"{prefix}/" if prefix else ""
        with self._in_words(""):
            self._client, self._files = _connect()

    def names(self, prefix: str) -> Iterator[tuple[str, int]]:
        """Yield every key below the prefix, whatever it holds."""
        with self._in_words(prefix):
            pages = self._client.get_paginator("list_objects_v2")
            for page in pages.paginate(Bucket=self._bucket, Prefix=self._prefix + prefix):
                for entry in page.get("Contents", ()):
                    yield str(entry["Key"])[len(self._prefix) :], int(entry["Size"])

    def size(self, name: str) -> int | None:
        """Return the size of an object; None where there is none."""
        try:
            with self._in_words(name):
                return int(self._client.head_object(Bucket=self._bucket, Key=self._prefix + name)["ContentLength"])
        except FileNotFoundError:
            return None

    def open(self, name: str) -> BinaryIO:
        """Open an object as a stream."""
        with self._in_words(name):
            file: BinaryIO = self._files.open_input_stream(f"{self._bucket}/{self._prefix}{name}", buffer_size=_PART)
        return file

    def put(self, name: str, source: OpenSource, sha256: str, size: int) -> None:
        """Upload in parts, which become an object when all of them are there, and read it back."""
        key = self._prefix + name
        with self._in_words(name), source() as given:
            self._client.upload_fileobj(_Checked(given, sha256, size, _differs(self, name)), self._bucket, key)
        if hash_object(self, name, size) != (sha256, size):
            raise _differs(self, name)

    def put_new(self, name: str, data: bytes) -> bool:
        """Put with ``If-None-Match: *`` (RFC 9110, 13.1.2): the server refuses where the key is taken."""
        from botocore.exceptions import ClientError  # noqa: PLC0415

        key = self._prefix + name
        with self._in_words(name):
            try:
                self._client.put_object(Bucket=self._bucket, Key=key, Body=data, IfNoneMatch="*")
            except ClientError as fault:
                # 409: another put of the same key was under way, and may have failed
                if _status(fault) == 412 or (_status(fault) == 409 and self.size(name) is not None):
                    return False
                raise
        if read_object(self, name, len(data)) != data:
            raise _differs(self, name)
        return True

    def remove(self, name: str) -> None:
        """Delete a key."""
        with self._in_words(name):
            self._client.delete_object(Bucket=self._bucket, Key=self._prefix + name)

    @contextmanager
    def _in_words(self, name: str) -> Iterator[None]:
        """Say what the server refused by its code alone: whole messages may hold an endpoint or an account."""
        from botocore.exceptions import BotoCoreError, ClientError  # noqa: PLC0415

        try:
            yield
        except ClientError as fault:
            if _status(fault) == 404 and _code(fault) in ("404", "NoSuchKey", "NotFound"):
                raise FileNotFoundError(where(self, name)) from None
            raise self._refused(name, _code(fault)) from None
        except BotoCoreError as fault:
            raise self._refused(name, type(fault).__name__) from None
        except FileNotFoundError:
            raise FileNotFoundError(where(self, name)) from None
        except OSError as fault:
            found = _SDK_CODE.search(str(fault))
            raise self._refused(name, found[1] if found else type(fault).__name__) from None

    def _refused(self, name: str, code: str) -> TrialCaptureError:
        what, kind = "the object store did not do what was asked", TrialCaptureError
        if _AWAY.search(code):
            what, kind = "the object store cannot be reached", StoreAwayError
        elif code == "NoSuchBucket":
            kind = StoreAwayError
        elif code in _FORBIDDEN:
            what = "the object store does not let this be done"
        return kind(
            what,
            seen=code if _CODE.fullmatch(code) else "an answer that is none",
            where=where(self, name),
            expected="check network and bucket, and in the environment AWS_ENDPOINT_URL, AWS_REGION, AWS_PROFILE or "
            "AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY; their values are not shown",
        )


def _connect() -> tuple[Any, Any]:
    """Return what writes and what reads: both by the same variables of the environment."""
    try:
        import boto3  # noqa: PLC0415  the extra
        from botocore.config import Config  # noqa: PLC0415
    except ImportError as fault:
        raise _not_installed() from fault
    from pyarrow.fs import S3FileSystem  # noqa: PLC0415

    endpoint = os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL") or None
    region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION") or None
    settings = Config(retries={"max_attempts": 5, "mode": "standard"}, connect_timeout=20, read_timeout=60)
    try:
        client = boto3.session.Session(region_name=region).client("s3", endpoint_url=endpoint, config=settings)
    except ValueError:  # its words hold the address, which may hold a password
        raise TrialCaptureError(
            "the endpoint of the object store is no address",
            seen="AWS_ENDPOINT_URL_S3 or AWS_ENDPOINT_URL, whose value is not shown",
            expected="one such as https://s3.example.org or http://127.0.0.1:9000",
        ) from None
    more: dict[str, Any] = {"region": region} if region else {}
    if endpoint is not None:
        parts = urlsplit(endpoint if "://" in endpoint else f"http://{endpoint}")
        more |= {"endpoint_override": parts.netloc.rpartition("@")[2] + parts.path.rstrip("/"), "scheme": parts.scheme}
    return client, S3FileSystem(**more)


def _not_installed() -> TrialCaptureError:
    return TrialCaptureError(
        "an archive in an object store needs a library that is not installed",
        seen="no boto3",
        expected="install it: pip install 'trialcapture[archive]'; an archive in a folder needs nothing more",
    )


def _status(fault: Any) -> int:
    return int(fault.response.get("ResponseMetadata", {}).get("HTTPStatusCode", 0))


def _code(fault: Any) -> str:
    return str(fault.response.get("Error", {}).get("Code", ""))
