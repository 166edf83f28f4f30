r"""Journal lines back to the bytes that were received, for a whole block at once.

In a journal line every byte outside 0x20–0x7E, and ``^`` and ``\``, stands as ``^hh``. Only such lines are
unescaped: elsewhere ``^hh`` belongs to the sentence and is summed as it stands.
"""

from __future__ import annotations

import numpy as np

from trialcapture.decode.framing import CR, LF, Bools, Frame, frame_buffer, hex_pair


def unescape_lines(frame: Frame, journal: Bools) -> Frame:
    """Return the frame of the block with the escapes of its journal lines undone; the lines stay the same.

    A CR or LF that an escape stood for ends no line of the file. At the end of a line it was the line end as
    received, and is left out as every line end is.

    Args:
        frame: The block as it stands in the file.
        journal: (lines,) which lines are journal lines.
    """
    buf = frame.buf
    is_end = (frame.bound_mark == CR) | (frame.bound_mark == LF)
    line_ends = frame.place[is_end]
    caret = np.flatnonzero(buf[:-2] == ord("^"))
    value = hex_pair(buf, caret + 1)
    line_of = frame.line[is_end][np.searchsorted(line_ends, caret) - 1]
    used = (value >= 0) & (line_of >= 0) & (line_of < len(journal))
    used[used] = journal[line_of[used]]
    caret, value = caret[used], value[used]
    after = buf[caret + 3]
    ends_line = ((after == CR) | (after == LF)) & ((value == CR) | (value == LF))

    keep = np.ones(len(buf), np.bool_)
    keep[caret + 1] = keep[caret + 2] = False
    keep[caret[ends_line]] = False
    plain = buf.copy()
    plain[caret] = value
    moved = np.cumsum(~keep)[line_ends]
    return frame_buffer(plain[keep], line_ends - moved)
