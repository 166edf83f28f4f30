"""Cutting a byte stream into pieces the size of a line, as it arrives, without losing or inventing a byte.

A piece ends at its line end (CRLF, LF or CR), before the start of another sentence inside the same line
(``$``, ``!`` or the ``\\`` of a TAG block), after a closed TAG block, or at `LIMIT_BYTES`.
"""

from __future__ import annotations

import re

LIMIT_BYTES = 1024
"""Longest piece, its line end included; a stream that never ends a line is cut into pieces of this size."""

# A content byte is anything but a line end or a start. The groups are atomic and the counts possessive, so a
# piece that is not yet decided fails at once instead of being tried at every shorter length.
_PIECE = re.compile(
    rb"""
      \\ [^$!\\\r\n]{0,1020}+ \\                                  # a closed TAG block stands alone
    | (?> [$!\\][^$!\\\r\n]{0,1021}+ | [^$!\\\r\n]{1,1022}+ | )  # a sentence, noise or nothing, then
      (?: \r\n | \n | \r(?=[^\n]) | (?=[^\r\n]) )               # its end, the next start, or a byte too many
    """,
    re.VERBOSE,
)


def cut_pieces(buffer: bytes) -> tuple[list[bytes], bytes]:
    """Cut what has arrived into pieces, and give back the rest that is not decided yet.

    However the stream was chopped on its way here, the pieces are the same: feed ``rest + next chunk``.

    Args:
        buffer: The rest of last time and what came since.

    Returns:
        The pieces, line ends included, and the rest, at most `LIMIT_BYTES` long;
        ``b"".join(pieces) + rest == buffer`` always.
    """
    pieces = []
    at = 0
    match = _PIECE.match
    while (found := match(buffer, at)) is not None:
        pieces.append(found[0])
        at = found.end()
    return pieces, buffer[at:]


def xor_checksum(data: bytes) -> int:
    """Return the XOR of all bytes, as NMEA 0183 sums its sentences and TAG blocks."""
    size = 1 << max(len(data) - 1, 0).bit_length()
    folded = int.from_bytes(data, "little")
    while size > 1:
        size >>= 1
        folded = (folded >> (8 * size)) ^ (folded & ((1 << (8 * size)) - 1))
    return folded
