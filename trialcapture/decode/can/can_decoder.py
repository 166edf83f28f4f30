"""CAN to tables: frames, then whole messages, then one Arrow table a kind, shaped like those of NMEA 0183.

Where a message says the same as an NMEA 0183 sentence it has that sentence's table and columns, so that it can
be placed on UTC and merged like one: RPM, HDG, HDT, ROT, RSA, VHW, DPT, MTW, MWV, MWD, XDR (attitude), GGA, ZDA.
Where there is no such sentence it has a table of its own (`OWN_TABLES`).
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.buffers import column_of, to_arrow
from trialcapture.decode import byte_columns
from trialcapture.decode.can.candump import Frames, parse_candump
from trialcapture.decode.can.messages import ADDRESSES, TP_CM, TP_DT, FastPackets, Loss, Message, Rows, Transport
from trialcapture.decode.can.parameter_groups import FAST, J1939, NMEA2000, make_tables
from trialcapture.decode.rejects import SCHEMA, no_words, optional_words

CAN_REASONS = (
    "no can frame",
    "no data frame",
    "frame missing",
    "frame order",
    "timeout",
    "no start",
    "length",
    "aborted",
    "unfinished",
)
"""Every word that can stand in the ``reason`` column for CAN."""

OWN_TABLES = ("POSITION", "VELOCITY", "ENGINE", "TANK")
"""Tables without a sentence of NMEA 0183 that says the same."""

_WIDTH = 64
"""Bytes kept of a payload (our choice): the last field that is read ends at byte 42."""
_READ = frozenset(NMEA2000) | frozenset(J1939)


class CanDecoder:
    """Decodes a log block by block; messages may span blocks.

    Args:
        epoch_wall_ns: What the log's stamps are at session time 0 [ns since 1970 UTC], as the recorder notes it;
            without it ``mono_ns`` is null.
    """

    def __init__(self, epoch_wall_ns: int | None = None) -> None:
        self._epoch_ns = epoch_wall_ns
        self._channels: list[str] = []
        self._fast = FastPackets()
        self._transport = Transport()

    def decode(self, block: bytes, first_line: int = 0) -> tuple[dict[str, pa.Table], pa.Table, pa.Table]:
        """Decode a block of whole candump lines.

        Args:
            block: Lines ended by LF or CRLF.
            first_line: Line number of its first line in the file.

        Returns:
            Tables by kind. Each begins with ``line`` int64 (of the message's first frame), ``mono_ns`` int64,
            ``wall_ms`` int64, ``source`` (the channel) and ``talker`` (the sender's address, two hexadecimal
            digits), like those of `trialcapture.decode.nmea0183.nmea_decoder.decode_nmea`. Then rejects
            (`trialcapture.decode.rejects.SCHEMA`, `CAN_REASONS`), and counts: per ``source``, ``talker`` and
            ``formatter`` (the parameter group number) messages ``good``, ``bad`` and ``not_decoded``.
        """
        frames, odd, _short_ids = parse_candump(block, first_line)
        code_of = np.array([self._channel(name) for name in frames.channels] or [0], np.int32)
        frames = frames._replace(channel=code_of[frames.channel], channels=self._channels)
        whole, counts = self._whole_messages(frames)
        losses = self._take_losses()
        for loss in losses:
            counts[(loss.channel, loss.address, loss.pgn, "bad")] += 1
        tables = make_tables(whole, self._channels, self._epoch_ns)
        stray = [Loss(0, 0, -1, o.line, -1, o.reason, o.text) for o in odd]
        return tables, self._rejects([*stray, *losses]), self._counts(counts)

    def finish(self) -> tuple[pa.Table, pa.Table]:
        """Return rejects and counts of the messages that were still open at the end of the log."""
        losses = [*self._fast.finish(), *self._transport.finish()]
        return self._rejects(losses), self._counts(Counter((x.channel, x.address, x.pgn, "bad") for x in losses))

    def _channel(self, name: str) -> int:
        if name not in self._channels:
            self._channels.append(name)
        return self._channels.index(name)

    def _take_losses(self) -> list[Loss]:
        losses = [*self._fast.losses, *self._transport.losses]
        self._fast.losses, self._transport.losses = [], []
        return losses

    def _whole_messages(self, frames: Frames) -> tuple[dict[int, Rows], Counter[tuple[int, int, int, str]]]:
        """Return the whole messages by parameter group, and counts."""
        counts: Counter[tuple[int, int, int, str]] = Counter()
        whole: dict[int, Rows] = {}
        joined = self._join(frames)
        for pgn in np.unique(frames.pgn).tolist():
            mine = frames.pgn == pgn
            if pgn in FAST or pgn in (TP_CM, TP_DT):
                continue
            for (channel, address), number in _tally(frames, mine):
                counts[(channel, address, pgn, "good" if pgn in _READ else "not_decoded")] += number
            if pgn in _READ:
                whole[pgn] = Rows(
                    frames.line[mine],
                    frames.stamp_ns[mine],
                    frames.channel[mine],
                    frames.address[mine],
                    frames.data[mine],
                )
        by_pgn: dict[int, list[Message]] = {}
        for message in joined:
            known = message.pgn in _READ
            counts[(message.channel, message.address, message.pgn, "good" if known else "not_decoded")] += 1
            if known:
                by_pgn.setdefault(message.pgn, []).append(message)
        for pgn, messages in by_pgn.items():
            rows = Rows.of(messages, _WIDTH)
            whole[pgn] = rows if pgn not in whole else whole[pgn].joined(rows, _WIDTH)
        return whole, counts

    def _join(self, frames: Frames) -> list[Message]:
        """Feed the frames of longer messages, in order, and return what they complete."""
        wanted = np.isin(frames.pgn, [*FAST, TP_CM, TP_DT])
        found = []
        for at in np.flatnonzero(wanted).tolist():
            pgn, data = int(frames.pgn[at]), frames.data[at, : frames.length[at]].tobytes()
            address, channel = int(frames.address[at]), int(frames.channel[at])
            line, stamp_ns = int(frames.line[at]), int(frames.stamp_ns[at])
            if pgn in FAST:
                message = self._fast.feed(pgn, address, channel, line, stamp_ns, data)
            else:
                destination = int(frames.destination[at])
                message = self._transport.feed(pgn, address, destination, channel, line, stamp_ns, data)
            if message is not None:
                found.append(message)
        return found

    def _rejects(self, losses: list[Loss]) -> pa.Table:
        losses = sorted(losses, key=lambda loss: loss.line)
        source = np.array([max(loss.channel, 0) for loss in losses], np.int32)
        known = np.array([loss.channel >= 0 for loss in losses], np.bool_)
        stamp = np.array([loss.stamp_ns for loss in losses], np.int64)
        has_time = known & (self._epoch_ns is not None)
        groups = sorted({loss.pgn for loss in losses if loss.pgn >= 0})
        pgn = np.array([groups.index(loss.pgn) if loss.pgn >= 0 else -1 for loss in losses], np.int32)
        return pa.Table.from_arrays(
            [
                byte_columns.dictionary(source, self._channels or [""], known),
                to_arrow(np.array([loss.line for loss in losses], np.int64)),
                to_arrow(stamp - (self._epoch_ns or 0), has_time),
                byte_columns.dictionary(
                    np.array([CAN_REASONS.index(loss.reason) for loss in losses], np.int32), CAN_REASONS
                ),
                column_of([loss.payload for loss in losses], pa.binary()),
                optional_words(pgn, [str(group) for group in groups]),
                no_words(len(losses)),
            ],
            schema=SCHEMA,
        )

    def _counts(self, counts: Counter[tuple[int, int, int, str]]) -> pa.Table:
        keys = sorted({key[:3] for key in counts})
        pgns = sorted({key[2] for key in keys})
        return pa.table(
            {
                "source": byte_columns.dictionary(np.array([k[0] for k in keys], np.int32), self._channels or [""]),
                "talker": byte_columns.dictionary(np.array([k[1] for k in keys], np.int32), ADDRESSES),
                "formatter": byte_columns.dictionary(
                    np.array([pgns.index(k[2]) for k in keys], np.int32), [str(pgn) for pgn in pgns]
                ),
                **{
                    word: to_arrow(np.array([counts[(*k, word)] for k in keys], np.int64))
                    for word in ("good", "bad", "not_decoded")
                },
            }
        )


def decode_can(
    block: bytes, *, epoch_wall_ns: int | None = None, first_line: int = 0
) -> tuple[dict[str, pa.Table], pa.Table, pa.Table]:
    """Decode a whole log at once; see `CanDecoder.decode`.

    Args:
        block: Whole candump lines.
        epoch_wall_ns: What the stamps are at session time 0 [ns since 1970 UTC], None when not known.
        first_line: Line number of the first line in its file.
    """
    decoder = CanDecoder(epoch_wall_ns)
    tables, rejects, counts = decoder.decode(block, first_line)
    more_rejects, more_counts = decoder.finish()
    rejects = pa.concat_tables([rejects, more_rejects]).unify_dictionaries()
    if more_counts.num_rows:
        both = pa.concat_tables([counts, more_counts]).unify_dictionaries()
        summed = both.group_by(["source", "talker", "formatter"], use_threads=False).aggregate(
            [(word, "sum") for word in ("good", "bad", "not_decoded")]
        )
        counts = summed.rename_columns(["source", "talker", "formatter", "good", "bad", "not_decoded"])
    return tables, rejects, counts


def _tally(frames: Frames, mine: npt.NDArray[np.bool_]) -> list[tuple[tuple[int, int], int]]:
    key = frames.channel[mine].astype(np.int64) << 8 | frames.address[mine]
    return [((int(k) >> 8, int(k) & 0xFF), int(n)) for k, n in zip(*np.unique(key, return_counts=True), strict=True)]
