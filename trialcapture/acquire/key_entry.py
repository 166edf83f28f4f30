"""Keys pressed while recording, one at a time, and what is typed with them: notes, each answered with what was stored.

One key begins an entry, Enter keeps it, Esc forgets it, and one key takes the last one back. What is typed is short,
because it is typed on a moving boat: a number first, what belongs to it behind.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from time import monotonic
from typing import Any

from trialcapture.archive.note_entry import note_entry, reader_gallon
from trialcapture.config import LOG_QUANTITIES, UnitSystem
from trialcapture.errors import TrialCaptureError

KEYS = "m mark  t trim  r remark  w sea  s sound  d reading  u undo  Ctrl-C stop"
"""The last line of the recorder's screen."""
StoreNote = Callable[[str, Any, str, Mapping[str, Any]], str]
"""Stores kind, value, unit and further fields of a note; returns its time as it stands in the notes."""
_ANSWER_S = 8.0
"""So long an answer is shown (our choice)."""
_LONGEST, _LONGEST_TEXT = 60, 300
"""Characters of an entry, and of a remark (our choice)."""
_WIDTH = 79
_SIDES = {"p": "port", "port": "port", "s": "stbd", "stbd": "stbd", "b": "both", "both": "both"}
_MOST_PERCENT = 100.0


@dataclass(frozen=True, slots=True)
class _Kind:
    """What a key begins: the kind of note, what is asked, and how many characters may be typed."""

    kind: str
    asked: str
    longest: int = _LONGEST


_KINDS: Mapping[str, _Kind] = {
    "t": _Kind("trim", "trim in percent, p or s behind it for one side"),
    "r": _Kind("remark", "remark", _LONGEST_TEXT),
    "w": _Kind("sea", "the sea as seen", _LONGEST_TEXT),
    "s": _Kind("sound", "sound in dB(A), then place, doors open/closed, 30s"),
    "d": _Kind("reading", "reading: rpm 2400 port, or fuel 62 port"),
}


@dataclass(frozen=True, slots=True)
class _Kept:
    """An entry that can be taken back."""

    t: str
    kind: str
    said: str


class KeyEntry:
    """Turns keys into notes and says what became of them.

    Args:
        store: Told of every note.
        engine_ids: Of the settings; a reading names one of them.
        units: Of the reader: a fuel flow without a unit is in theirs.
        now_s: Clock for how long an answer is shown [s].

    Attributes:
        marks: How many marks were made.
    """

    def __init__(
        self,
        store: StoreNote,
        *,
        engine_ids: Sequence[str] = (),
        units: UnitSystem = "metric",
        now_s: Callable[[], float] = monotonic,
    ) -> None:
        self._store = store
        self._engine_ids = tuple(engine_ids)
        self._units = units
        self._now_s = now_s
        self._kind: _Kind | None = None
        self._typed = ""
        self._answer, self._answered_s = "", 0.0
        self._kept: list[_Kept] = []
        self.marks = 0

    @property
    def prompt(self) -> str:
        """What is being typed, else the answer to the last entry for a while, else ""."""
        if self._kind is None:
            return self._answer if self._now_s() - self._answered_s < _ANSWER_S else ""
        asked = f"{self._kind.asked}, then Enter (Esc forgets): "
        if len(asked) + len(self._typed) >= _WIDTH:
            asked = f"{self._kind.kind}: "
        room = _WIDTH - len(asked) - 1
        typed = self._typed if len(self._typed) <= room else "…" + self._typed[1 - room :]
        return f"{asked}{typed}_"

    def press(self, key: str) -> None:
        """Take in one key."""
        if self._kind is not None:
            self._type(self._kind, key)
        elif key in ("m", "M", " "):
            self.marks += 1
            self._keep("mark", self.marks, "", {}, f"mark {self.marks}")
        elif key in ("u", "U"):
            self._take_back()
        elif (begun := _KINDS.get(key.lower())) is not None:
            self._kind, self._typed = begun, ""

    def _type(self, kind: _Kind, key: str) -> None:
        if key in ("\r", "\n"):
            text, self._kind = " ".join(self._typed.split()), None
            if text:
                self._finish(kind.kind, text)
        elif key == "\x1b":
            self._kind = None
            self._say(f"{kind.kind}: forgotten, nothing was noted")
        elif key in ("\x7f", "\b"):
            self._typed = self._typed[:-1]
        elif key.isprintable():
            self._typed = (self._typed + key)[: kind.longest]

    def _finish(self, kind: str, text: str) -> None:
        try:
            value, unit, more = self._parts(kind, text)
            # the same check as that of the command line; its time is given where the note is stored
            entry = note_entry(kind, value, unit=unit, where=more.pop("where", ""), t="", fields=more,
                               engine_ids=self._engine_ids)  # fmt: skip
        except TrialCaptureError as fault:
            self._say(f"NOT noted: {fault}")
            return
        rest = {name: entry[name] for name in entry if name not in ("t", "kind", "value", "unit", "by")}
        said = " ".join(
            [
                kind,
                *([str(rest["quantity"])] if "quantity" in rest else []),
                f"{entry['value']} {entry['unit']}".strip(),
            ]
            + [_told(name, x) for name, x in rest.items() if name != "quantity"]
        )
        self._keep(kind, entry["value"], entry["unit"], rest, said)

    def _parts(self, kind: str, text: str) -> tuple[str, str, dict[str, str]]:
        """Return value, unit and fields of what was typed, as text."""
        match kind:
            case "trim":
                return _trim(text)
            case "sound":
                return _sound(text)
            case "reading":
                return self._reading(text)
            case _:
                return text, "", {}

    def _reading(self, text: str) -> tuple[str, str, dict[str, str]]:
        quantity, *words = text.split()
        if quantity not in LOG_QUANTITIES or not words:
            raise TrialCaptureError(
                "a reading is a quantity, its number, and the engine where there are several", seen=text,
                expected=f"such as rpm 2400 {self._engine_ids[0] if self._engine_ids else 'port'}; quantities are "
                f"{', '.join(LOG_QUANTITIES)}",
            )  # fmt: skip
        value, rest = words[0], words[1:]
        fields = {"quantity": quantity}
        if rest and rest[-1] in self._engine_ids:
            fields["engine"] = rest.pop()
        elif len(self._engine_ids) == 1:
            fields["engine"] = self._engine_ids[0]
        elif len(self._engine_ids) > 1:
            raise TrialCaptureError("which engine was read?", seen=text, expected=" or ".join(self._engine_ids))
        own = LOG_QUANTITIES[quantity][1]
        if own == "l/h":
            own = "L/h" if self._units == "metric" else "gal/h"
        return value, reader_gallon(" ".join(rest) or own, self._units), fields  # the answer says which gallon

    def _keep(self, kind: str, value: Any, unit: str, more: Mapping[str, Any], said: str) -> None:
        self._kept.append(_Kept(self._store(kind, value, unit, more), kind, said))
        self._say(f"noted: {said}   (u takes it back)")

    def _take_back(self) -> None:
        if not self._kept:
            self._say("there is nothing of this screen to take back")
            return
        last = self._kept.pop()
        self._store("undo", last.t, "", {"of": last.kind})
        self._say(f"taken back: {last.said}")

    def _say(self, text: str) -> None:
        self._answer = text if len(text) <= _WIDTH else text[: _WIDTH - 1] + "…"
        self._answered_s = self._now_s()


def _told(name: str, x: Any) -> str:
    return {"doors": f"doors {x}", "seconds": f"{x} s"}.get(name, str(x))


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _trim(text: str) -> tuple[str, str, dict[str, str]]:
    """Part a setting from its side: "25", "25p", "25 stbd", "tabs down port"."""
    words = text.split()
    if len(words) == 1 and words[0][-1:].lower() in "psb" and _number(words[0][:-1]) is not None:
        words = [words[0][:-1], words[0][-1]]
    side = _SIDES.get(words[-1].lower()) if len(words) > 1 else None
    value = " ".join(words[:-1] if side else words)
    number = _number(value.removesuffix("%"))
    is_percent = number is not None and abs(number) <= _MOST_PERCENT
    return value.removesuffix("%") if is_percent else value, "%" if is_percent else "", {"side": side} if side else {}


def _sound(text: str) -> tuple[str, str, dict[str, str]]:
    """Part a level from its place, its doors and over how long it was averaged: "71.5 helm closed 30s"."""
    level, *words = text.split()
    fields, place = {}, []
    for word in words:
        if word.lower() in ("open", "closed"):
            fields["doors"] = word.lower()
        elif word[-1:] == "s" and _number(word[:-1]) is not None:
            fields["seconds"] = word[:-1]
        elif word.lower() != "doors":
            place.append(word)
    return level, "dB(A)", {**fields, **({"where": " ".join(place)} if place else {})}
