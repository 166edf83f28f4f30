"""Engine-log bytes to whole lines in UTF-8, whatever the encoding and wherever the bytes were cut."""

from __future__ import annotations

import codecs

import numpy as np

LONGEST_LINE_BYTES = 1 << 20
"""What is longer is no row: of a line that does not end within this, only the beginning is kept."""

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_LONGEST_MARK = 4
_WITHOUT_MARK = {"utf-16": "utf-16-le", "utf-32": "utf-32-le"}


class LogText:
    """Turns the bytes of a log, block by block, into whole lines that end in LF or CRLF.

    A byte order mark, where there is one, says more than what was declared. Bytes that are no text in the
    encoding become lone surrogates once decoded with `errors` (or U+FFFD in UTF-16), so that they spoil the
    cell they stand in and no other. UTF-8 passes as it is; other encodings are decoded and written as UTF-8.

    Attributes:
        errors: How the lines must be decoded from UTF-8.
    """

    def __init__(self, encoding: str) -> None:
        self.errors = "surrogateescape"
        self._encoding = encoding
        self._decoder: codecs.IncrementalDecoder | None = None
        self._head: bytes | None = b""
        self._open: list[bytes] = []
        self._open_bytes = 0

    def take(self, block: bytes) -> bytes:
        """Return the lines that are whole with this block, which may be cut anywhere."""
        data = self._as_utf8(block, is_last=False)
        # A CR at the end may be half of a CRLF.
        end = max(data.rfind(b"\n"), data.rfind(b"\r", 0, -1)) + 1
        if end == 0:
            self._hold(data)
            return b""
        whole = b"".join([*self._open, data[:end]])
        self._open, self._open_bytes = [], 0
        self._hold(data[end:])
        return _without_lone_cr(whole)

    def finish(self) -> tuple[bytes, bytes]:
        """Return the last whole lines, and the last line where it has no end."""
        rest = _without_lone_cr(b"".join([*self._open, self._as_utf8(b"", is_last=True)]))
        end = rest.rfind(b"\n") + 1
        return rest[:end], rest[end:]

    def _hold(self, data: bytes) -> None:
        if self._open_bytes > LONGEST_LINE_BYTES:
            data = b"\r" if data.endswith(b"\r") else b""
        if data:
            self._open.append(data)
            self._open_bytes += len(data)

    def _as_utf8(self, block: bytes, *, is_last: bool) -> bytes:
        if self._head is not None:
            self._head += block
            if len(self._head) < _LONGEST_MARK and not is_last:
                return b""
            block = self._begin(self._head)
            self._head = None
        if self._decoder is None:
            return block
        return self._decoder.decode(block, is_last).encode("utf-8", self.errors)

    def _begin(self, head: bytes) -> bytes:
        marked = next((name for mark, name in _BYTE_ORDER_MARKS if head.startswith(mark)), None)
        name = codecs.lookup(marked or self._encoding).name
        if name in ("utf-8", "utf-8-sig"):
            return head.removeprefix(codecs.BOM_UTF8)
        is_wide = name.startswith(("utf-16", "utf-32"))
        decoder = codecs.getincrementaldecoder(name if marked else _WITHOUT_MARK.get(name, name))
        self._decoder = decoder("replace" if is_wide else "surrogateescape")
        self.errors = "surrogatepass"
        return head


def _without_lone_cr(data: bytes) -> bytes:
    """Return lines that end in LF or CRLF; where any ends in CR alone, all end in LF."""
    if b"\r" not in data:
        return data
    # To replace CRLF as well would take as long as all else that is done to find the cells.
    letters = np.frombuffer(data, np.uint8)
    after = np.flatnonzero(letters == ord("\r")) + 1
    if after[-1] < letters.size and (letters[after] == ord("\n")).all():
        return data
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
