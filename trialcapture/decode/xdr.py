"""XDR, the one sentence without a fixed length: groups of type, value, unit and name, one row a group."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np
import numpy.typing as npt

from trialcapture.decode import columns
from trialcapture.decode.fields import I64, U8, Bools, Column, Number
from trialcapture.decode.framing import Frame, holds_bang
from trialcapture.decode.meanings import Columns
from trialcapture.decode.rejects import Reason


class Transducer(Protocol):
    """Which transducer is wanted, as the configuration names it; an empty type or unit fits any."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def type(self) -> str: ...  # noqa: D102
    @property
    def unit(self) -> str: ...  # noqa: D102


GROUP_FIELDS = 4
"""Type, value, unit, name."""
_LAST_GROUP, _NO_NAME = "last group", "transducer without a name"
TRANSDUCER_VALUE = Number(-1e12, 1e12)


def decode_xdr(
    frame: Frame, first: I64, fields: I64, wanted: Iterable[Transducer] = ()
) -> tuple[Columns, list[str], I64, U8, list[tuple[I64, Reason, str]]]:
    """Decode XDR sentences.

    Args:
        frame: The block they stand in.
        first: (n,) their starts, as indices into `Frame.at`.
        fields: (n,) how many fields each has.
        wanted: Transducers to keep; empty keeps all.

    Returns:
        The columns ``type value unit name`` (the last one in codes); the names those stand for; (rows,) which
        sentence each row is from; (n,) `Reason` codes of the sentences, refused where no group of theirs is sound, or
        the last is cut off and another misshapen; and the groups left out of the others: which sentences, why, and
        the transducer's name.
    """
    at, buf = frame.at, frame.buf
    groups = fields // 4
    left = fields - 4 * groups
    blank = at[first + 1 + fields] - at[first + 1 + 4 * groups] == left
    incomplete = (left > 0) & ~blank

    owner = np.repeat(np.arange(len(first)), groups)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(groups) - groups, groups)
    comma = np.repeat(first, groups) + 1 + 4 * nth
    edges = [at[comma + k] for k in range(5)]
    kind, unit = _one_letter(buf, edges[0], edges[1]), _one_letter(buf, edges[2], edges[3])
    value, fault = TRANSDUCER_VALUE(buf, edges[1] + 1, edges[2] - edges[1] - 1)
    if fault is None:
        fault = np.zeros(len(owner), np.uint8)
    fault[(edges[1] - edges[0] > 2) | (edges[3] - edges[2] > 2)] = Reason.LETTER

    name_code, names = columns.encode_spans(buf, edges[3] + 1, edges[4] - edges[3] - 1)
    sound = fault == Reason.SOUND
    damaged = np.bincount(owner[~sound], minlength=len(first)) > 0
    some = np.bincount(owner[sound], minlength=len(first)) > 0
    some &= ~(incomplete & damaged)  # two signs of damage; a "!" is one too, see `irregular`
    some[damaged] &= ~holds_bang(frame, first[damaged], fields[damaged])
    reason = np.zeros(len(first), np.uint8)
    faulty = np.flatnonzero(~sound)[::-1]
    reason[owner[faulty]] = fault[faulty]
    reason[some] = Reason.SOUND
    kept = sound & some[owner]
    void: list[tuple[I64, Reason, str]] = [
        (np.flatnonzero(incomplete & (reason == Reason.SOUND)), Reason.INCOMPLETE_GROUP, _LAST_GROUP)
    ]
    left_out = ~sound & some[owner]
    for code, name in sorted(set(zip(fault[left_out].tolist(), name_code[left_out].tolist(), strict=True))):
        these = left_out & (fault == code) & (name_code == name)
        void.append((owner[these], Reason(code), names[name] or _NO_NAME))
    if wanted := tuple(wanted):
        kept &= _is_wanted(wanted, kind, unit, name_code, names)
    rows = np.flatnonzero(kept)
    named = Column(name_code, edges[4] - edges[3] > 1)
    table = {"type": kind, "value": value, "unit": unit, "name": named}
    table = {key: Column(column.values[rows], column.present[rows]) for key, column in table.items()}
    return table, names, owner[rows], reason, void


def is_wanted(wanted: tuple[Transducer, ...], kind: str, unit: str, name: str) -> bool:
    """Return whether one group is among the transducers wanted; none wanted is all."""
    return not wanted or any(name == one.name and one.type in ("", kind) and one.unit in ("", unit) for one in wanted)


def _one_letter(buf: U8, before: I64, after: I64) -> Column:
    return Column(buf[before + 1], after - before == 2)


def _is_wanted(
    wanted: tuple[Transducer, ...], kind: Column, unit: Column, name_code: npt.NDArray[np.int32], names: list[str]
) -> Bools:
    kept = np.zeros(len(name_code), np.bool_)
    for transducer in wanted:
        fits = np.array([name == transducer.name for name in names], np.bool_)[name_code]
        for letter, column in ((transducer.type, kind), (transducer.unit, unit)):
            if letter:
                fits &= column.present & (column.values == ord(letter))
        kept |= fits
    return kept
