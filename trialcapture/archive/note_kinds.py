"""What people may note, kind by kind: which value, which unit, which fields, and what each must be.

The command line shows these tables in its help, so they are apart from `note_entry`, which checks what was typed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NoteField:
    """A field of a note.

    Attributes:
        help: What it says.
        allowed: The words it may be; empty for any text or number.
        least, most: Bounds of a number; both None for a text.
    """

    help: str
    allowed: tuple[str, ...] = ()
    least: float | None = None
    most: float | None = None

    @property
    def is_number(self) -> bool:
        """True where it is a number."""
        return self.least is not None


FIELDS: Mapping[str, NoteField] = {
    "side": NoteField("of a trim tab or drive", ("port", "stbd", "both")),
    "doors": NoteField("while sound was measured", ("open", "closed")),
    "seconds": NoteField("length of a mean [s]", least=0.0, most=86_400.0),
    "background_db": NoteField("sound with the engines stopped [dB(A)]", least=0.0, most=160.0),
    "engine": NoteField("id of an engine of the settings"),
    "quantity": NoteField("what was read, as in [engine_log.columns]"),
    "what": NoteField("what was measured, or the item of the checklist a finding answers"),
    "grade": NoteField("of a finding", ("good", "watch", "defect")),
    "about": NoteField("of a remark or finding: how she handles, or the boat", ("handling", "boat")),
    "camera_zone": NoteField("zone the camera's clock is set to, such as +02:00"),
    "clock_shown": NoteField("time of the laptop's clock that the photo shows, with its zone"),
    "camera_offset_s": NoteField("UTC minus the camera's clock [s]", least=-1e9, most=1e9),
    "when": NoteField("of a load: before or after the runs", ("before", "after")),
    "tank": NoteField("name of a tank"),
    "fraction": NoteField("of a tank, 0 to 1", least=0.0, most=1.0),
    "litres": NoteField("in a tank [L]", least=0.0, most=1e6),
    "persons": NoteField("on board", least=0.0, most=1000.0),
    "step": NoteField("of the plan: an engine speed, full throttle, or a manoeuvre such as turn"),
    "way": NoteField("of the plan: direction or side, or 1 for there and 2 for back; left out, every open one"),
    "reason": NoteField("why"),
    "of": NoteField("kind of the entry taken back"),
    "action": NoteField(
        "on a step of the plan: leave it out, run it again, run it next, or as it was planned",
        ("skip", "repeat", "first", "restore"),
    ),
    "alarm": NoteField("id of an alarm"),
    "air_temp_c": NoteField("[°C]", least=-60.0, most=60.0),
    "pressure_hpa": NoteField("[hPa]", least=850.0, most=1100.0),
    "wind_speed_kn": NoteField("true wind [kn]", least=0.0, most=150.0),
    "wind_from_deg": NoteField("true wind, from [deg true]", least=0.0, most=360.0),
    "wave_height_m": NoteField("significant [m]", least=0.0, most=30.0),
}
"""Bounds are those of what can be (common practice, no source)."""

_CONDITIONS = ("air_temp_c", "pressure_hpa", "wind_speed_kn", "wind_from_deg", "wave_height_m")


@dataclass(frozen=True, slots=True)
class NoteKind:
    """A kind of note.

    Attributes:
        help: What it is for.
        value: ``number``, ``text`` or ``any`` where one must be given; ``none`` where it may be left out.
        unit: Taken where none is given; None where one must be given, "" where there is none.
        dimension: A unit must be of this dimension; "" for any.
        needs: Fields that must be given.
        one_of: At least one of these must be given.
        may: Other fields that may be given.
    """

    help: str
    value: str = "none"
    unit: str | None = ""
    needs: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    may: tuple[str, ...] = ()


KINDS: Mapping[str, NoteKind] = {
    "mark": NoteKind("an instant, such as a blip of the throttle"),
    "trim": NoteKind("a trim setting", "any", may=("side",)),
    "remark": NoteKind("anything worth knowing", "text", may=("about",)),
    "sea": NoteKind("the sea as seen", "text"),
    "sound": NoteKind("sound level", "number", "dB(A)", may=("doors", "seconds", "background_db")),
    "reading": NoteKind("read off a display", "number", None, needs=("quantity",), may=("engine", "seconds")),
    "measure": NoteKind("measured on board", "number", None, needs=("what",)),
    "finding": NoteKind("of a walk round", "text", needs=("grade",), may=("what", "about")),
    "photo": NoteKind("a photo, with --photo FILE", may=("camera_zone", "clock_shown", "camera_offset_s")),
    "load": NoteKind(
        "tanks and persons", needs=("when",), one_of=("tank", "persons"),
        may=("tank", "fraction", "litres", "persons"),
    ),
    "hole": NoteKind("why a step of the plan stays open", needs=("step", "reason"), may=("way",)),
    "plan_change": NoteKind(
        "a change of the plan on the day", needs=("action", "step"), may=("way", "reason"),
    ),
    "acknowledged": NoteKind("an alarm that somebody has seen", needs=("alarm",)),
    "brief": NoteKind("what was said to all on board before casting off", "text"),
    "pause": NoteKind("runs are interrupted, such as for traffic; VALUE is begin or end", "text", may=("reason",)),
    "cruise": NoteKind("the tester's own cruising speed [rpm]", "number", "rpm"),
    "conditions": NoteKind("weather as measured", one_of=_CONDITIONS, may=_CONDITIONS),
    "undo": NoteKind("takes back an entry: VALUE is its time, --of its kind", "text", needs=("of",)),
}  # fmt: skip
