"""Finding the speed of a serial line by listening only."""

from __future__ import annotations

from trialcapture.decode.grade import grade_piece
from trialcapture.decode.pieces import cut_pieces

RATES_BAUD = (4800, 38400, 9600, 115200)
"""Tried in turn, likeliest first: NMEA 0183, its high-speed variant, then what gateways use (common practice)."""
ENOUGH_SENTENCES = 2
"""Intact sentences that settle it: one in 256 damaged ones passes its checksum, one in 65 536 does it twice."""
STAY_S = 2.2
"""How long to listen at one speed: two sentences of a 1 Hz instrument."""


class BaudProbe:
    """Goes round the usual speeds until two intact sentences have been heard at one of them."""

    def __init__(self, now_s: float) -> None:
        """Begin at the likeliest speed.

        Args:
            now_s: Monotonic time [s].
        """
        self._turn = 0
        self._since_s = now_s
        self._rest = b""
        self._intact = 0
        self._found = False

    @property
    def baud(self) -> int:
        """The speed to listen at now."""
        return RATES_BAUD[self._turn % len(RATES_BAUD)]

    def has_found(self) -> bool:
        """Return True once `baud` is settled."""
        return self._found

    def feed(self, data: bytes, now_s: float) -> int:
        """Take in what was heard and return the speed to listen at next.

        Args:
            data: Bytes received at `baud` since the last call; may be empty.
            now_s: Monotonic time [s].
        """
        if self._found:
            return self.baud
        pieces, self._rest = cut_pieces(self._rest + data)
        self._intact += sum(grade_piece(piece) in ("good", "unread") for piece in pieces)
        if self._intact >= ENOUGH_SENTENCES:
            self._found = True
        elif now_s - self._since_s >= STAY_S:
            self._turn += 1
            self._since_s, self._rest, self._intact = now_s, b"", 0
        return self.baud
