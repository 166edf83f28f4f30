"""Reading raw files as they lie on disk: plain, gzip or zstandard by their first bytes, torn or whole."""

from __future__ import annotations

import warnings
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
import zstandard

from trialcapture.errors import TrialCaptureError
from trialcapture.system.session_files import open_plain, read_parts

_LONGEST_LINE_BYTES = 1 << 20
_CHUNK_BYTES = 1 << 18
_PACKED_BYTES = 1 << 14
_DENSE_BYTES, _USUAL_BYTES = 1 << 20, 8
"""A block with a line end or the begin of a sentence in every eighth byte is given in parts of a mebibyte."""
_STRETCH_BYTES = 1 << 17
"""So many bytes are searched for line ends at once: they stay in the processor's cache."""
_ZSTD_BYTES = 1 << 9
"""So much of a zstandard file is unpacked at once: a block of 128 KiB may stand in four bytes (RFC 8878, 3.1.1.2)."""
_WINDOW_BYTES = 1 << 27
"""Largest window of a zstandard frame, which is memory (that of its program without a special option, from memory)."""
_MOST_UNPACKED_BYTES = 32 << 30
_MOST_RATIO, _RATIO_FROM_BYTES = 200, 16 << 20
"""Bounds of a packed log (our choice): three days at 1,200 lines a second; packed logs of a boat that lies still, in
which one line is like the other, were found to be 10 to 40 times smaller."""
_GZIP = b"\x1f\x8b\x08"
_ZSTD = b"\x28\xb5\x2f\xfd"

Packing = Literal["", "gz", "zst"]


def _warn(text: str) -> None:
    warnings.warn(text, stacklevel=2)


def packing(head: bytes) -> Packing:
    """Return how a file is packed, told by its first bytes and never by its name: "gz", "zst" or ""."""
    if head.startswith(_GZIP):
        return "gz"
    return "zst" if head.startswith(_ZSTD) or _is_skippable(head) else ""


def _is_skippable(head: bytes) -> bool:
    return len(head) >= 4 and head[1:4] == b"\x2a\x4d\x18" and 0x50 <= head[0] <= 0x5F


def is_packed(path: Path) -> bool:
    """Return True for a file that is read by unpacking it; False also for one that cannot be read."""
    try:
        with open_plain(path) as file:
            return packing(file.read(4)) != ""
    except OSError:
        return False


def read_blocks(
    path: Path,
    block_bytes: BlockBytes = 8 << 20,
    *,
    warn: Callable[[str], None] = _warn,
    limit_bytes: int | None = None,
) -> Iterator[tuple[int, bytes]]:
    """Read a journal or a plain NMEA log in numbered blocks of whole lines, in bounded memory.

    Args:
        path, block_bytes, warn, limit_bytes: As `cut_blocks` takes them.

    Yields:
        The 0-based number of the block's first line (lines end in CRLF, LF or CR), and the block.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    first_line = 0
    for block in cut_blocks(path, block_bytes, warn=warn, limit_bytes=limit_bytes):
        yield first_line, block
        first_line += max(1, count_lines(block))


def cut_blocks(
    path: Path, block_bytes: BlockBytes, *, warn: Callable[[str], None] = _warn, limit_bytes: int | None = None
) -> Iterator[bytes]:
    """Read any text in blocks of whole lines, in bounded memory.

    Args:
        path: The file; gzip (several members too) and zstandard are told by their first bytes and unpacked.
        block_bytes: As `BlockCutter` takes it.
        warn: Called with one sentence for each place where a packed file is damaged or ends early;
            everything that survives is given.
        limit_bytes: Read no further, while another program goes on appending; None reads to the end.

    Yields:
        Blocks that joined are the file, an unterminated last line included.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    cutter = BlockCutter(block_bytes)
    for chunk in read_chunks(path, cutter.chunk_bytes, warn=warn, limit_bytes=limit_bytes):
        yield from cutter.push(chunk)
    yield from cutter.finish()


BlockBytes = int | Callable[[int], int]
"""About how many bytes a block has; or that by where the block begins in the text."""


class BlockCutter:
    """Cuts text that arrives in chunks into blocks of whole lines.

    Where a block ends follows from the text before its end and from the size of the chunks alone, never from what
    comes after: a file that still grows has the blocks that it will have when it is whole.

    Args:
        block_bytes: About how much to give at a time. Blocks are cut only where a line ends; a run of more than a
            mebibyte (or one block, if that is more) without any line end is no line and is cut there.
    """

    def __init__(self, block_bytes: BlockBytes) -> None:
        """Begin before the first byte."""
        self._size_at = block_bytes if callable(block_bytes) else lambda _: block_bytes
        self._block_bytes = self._size_at(0)
        self._pieces: list[bytes] = []
        self._held = 0
        self._given = 0
        self.chunk_bytes = min(self._block_bytes, _CHUNK_BYTES)
        """Size of the chunks that are to be pushed."""

    def push(self, chunk: bytes) -> Iterator[bytes]:
        """Take the next chunk and yield the blocks it completes; all must be taken before the next chunk is pushed."""
        self._pieces.append(chunk)
        self._held += len(chunk)
        if self._held < self._block_bytes:
            return
        if not (end := _last_line_end(chunk)):
            self._pieces = [b"".join(self._pieces)]
            end = _last_line_end(self._pieces[0])
            if not end and self._held < max(self._block_bytes, _LONGEST_LINE_BYTES):
                return
        last = self._pieces.pop()
        end = end or len(last)
        block = b"".join((*self._pieces, memoryview(last)[:end]))
        # what is not needed is let go before the block is worked on
        self._pieces, self._held = [last[end:]], len(last) - end
        self._given += len(block)
        self._block_bytes = self._size_at(self._given)
        del last, chunk
        yield from _in_parts(block)

    def finish(self) -> Iterator[bytes]:
        """Yield what is left."""
        rest, self._pieces, self._held = b"".join(self._pieces), [], 0
        if rest:
            yield from _in_parts(rest)


def _in_parts(block: bytes) -> Iterator[bytes]:
    """Yield a block, in parts where it has so many lines and begins of sentences that to take it at once costs much.

    A decoder needs some hundred bytes for each of them; a log has one in twenty bytes, noise some more.
    """
    if len(block) <= _DENSE_BYTES or _count_marks(block) * _USUAL_BYTES <= len(block):
        yield block
        return
    begin = 0
    while begin < len(block):
        end = begin + _DENSE_BYTES
        if end < len(block):
            part = block[begin : end + 1]
            end = begin + (_last_line_end(part) or _DENSE_BYTES)
        yield block[begin:end]
        begin = end


def _count_marks(block: bytes) -> int:
    """Return how many bytes may end a line or begin a sentence: all up to "$" in ASCII, and backslashes.

    The interpreter is free meanwhile, so that this goes on beside the decoding of the block before.
    """
    data = np.frombuffer(block, np.uint8)
    marks = 0
    for begin in range(0, data.size, _STRETCH_BYTES):
        part = data[begin : begin + _STRETCH_BYTES]
        marks += int(np.count_nonzero(part <= ord("$"))) + int(np.count_nonzero(part == ord("\\")))
    return marks


def _last_line_end(text: bytes) -> int:
    """Return where the last line that surely ended does so, or 0; LF may follow on a CR at the very end."""
    return max(text.rfind(b"\n"), text.rfind(b"\r", 0, -1)) + 1


def count_lines(block: bytes) -> int:
    """Return the number of line ends in a block, where CRLF, LF and CR each end one line."""
    data = np.frombuffer(block, np.uint8)
    lines = 0
    for begin in range(0, data.size, _STRETCH_BYTES):
        # a byte more than is counted here: a CR at the end may be half of a pair
        part = data[begin : begin + _STRETCH_BYTES + 1]
        feed, back = part == ord("\n"), part == ord("\r")
        lines += int(np.count_nonzero(feed[:_STRETCH_BYTES])) + int(np.count_nonzero(back[:_STRETCH_BYTES]))
        lines -= int(np.count_nonzero(back[:-1] & feed[1:]))
    return lines


def read_chunks(
    path: Path, size: int, *, warn: Callable[[str], None] = _warn, limit_bytes: int | None = None
) -> Iterator[bytes]:
    """Yield a file's content in chunks of at most about `size` bytes, unpacked, cut anywhere.

    With `limit_bytes` a plain file is read no further than that.

    Raises:
        TrialCaptureError: The file cannot be read.
    """
    try:
        with open_plain(path) as file:
            head = file.read(4)
            file.seek(0)
            if kind := packing(head):
                yield from _bounded(_unpack(file, kind, path, warn), file, path)
            else:
                yield from read_parts(file, size, limit_bytes)
    except OSError as fault:
        raise TrialCaptureError(
            "a file cannot be read",
            seen=fault.strerror or str(fault),
            where=str(path),
            expected="check the path, and that you may read it",
        ) from fault


def _bounded(parts: Iterator[bytes], file: BinaryIO, path: Path) -> Iterator[bytes]:
    """Yield what a packed file holds, while that is as much as a log can be."""
    size = 0
    for part in parts:
        size += len(part)
        packed = max(file.tell(), 1)
        if size > _MOST_UNPACKED_BYTES or (size > _RATIO_FROM_BYTES and size > _MOST_RATIO * packed):
            raise TrialCaptureError(
                "a packed file unpacks to more than a log can hold, and is not read",
                seen=f"{size} bytes or more from {packed} bytes",
                where=str(path),
                expected=f"at most {_MOST_RATIO} times what it is packed; unpack it yourself and look at it",
            )
        yield part


def _unpack(file: BinaryIO, kind: Packing, path: Path, warn: Callable[[str], None]) -> Iterator[bytes]:
    """Unpack members (gzip) or frames (zstandard) one after the other until what follows is neither."""
    parts = read_parts(file, _PACKED_BYTES)
    at_once = _ZSTD_BYTES if kind == "zst" else _PACKED_BYTES
    packed = next(parts, b"")
    while packed:
        unpacker, fault_type = _unpacker(kind)
        while packed and not unpacker.eof:
            packed, rest = packed[:at_once], packed[at_once:]
            part, fault = _decompress(unpacker, packed, fault_type)
            if part:
                yield part
            if "memory" in fault:
                raise TrialCaptureError(
                    "a packed file needs more memory to unpack than a log may ask for, and is not read",
                    seen=fault,
                    where=str(path),
                    expected=f"a window of at most {_WINDOW_BYTES >> 20} MiB, as zstd makes it without --long",
                )
            if fault:
                warn(f"{path}: damaged near byte {file.tell()} ({fault}); what comes before is used")
                return
            packed = unpacker.unused_data + rest if unpacker.eof else rest or next(parts, b"")
        if not unpacker.eof:
            warn(f"{path}: the packed file ends early, as after a crash or a torn copy; what survives is used")
            return
        while not packed.strip(b"\0") and (packed := next(parts, b"")):  # zeros pad some files
            pass
        packed = packed.lstrip(b"\0")
        if len(packed) < 4:
            packed += next(parts, b"")
        if packed and packing(packed) != kind:
            warn(f"{path}: what follows near byte {file.tell()} is not packed the same way; it is not used")
            return


def _unpacker(kind: Packing) -> tuple[Any, type[Exception]]:
    if kind == "gz":
        return zlib.decompressobj(wbits=31), zlib.error
    return zstandard.ZstdDecompressor(max_window_size=_WINDOW_BYTES).decompressobj(), zstandard.ZstdError


def _decompress(unpacker: Any, packed: bytes, fault_type: type[Exception]) -> tuple[bytes, str]:
    """Return what `packed` unpacks to, and what is wrong with it or ""."""
    spare = unpacker.copy() if hasattr(unpacker, "copy") else None
    try:
        return unpacker.decompress(packed), ""
    except fault_type as fault:
        # zlib gives out nothing of a failing call, however much of it was sound: go up to the fault by bytes.
        parts = []
        for at in range(len(packed)):
            if spare is None:
                break
            try:
                parts.append(spare.decompress(packed[at : at + 1]))
            except fault_type:
                break
        return b"".join(parts), str(fault)
