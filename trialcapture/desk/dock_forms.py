"""Forms of the settings, made from their own models, and back to the TOML they came from, comments kept.

`build_form` walks the models of `trialcapture.config` beside the table as TOML gives it: labels and units come from the
names of the keys, explanations from the texts beside them, defaults and bounds from the models. `read_form` tells what
a person changed, as changes of single keys; `apply_changes` puts them into the text. A key that nobody touched stays
as it is written, unit and all. Numbers are shown in the reader's units; a key that is there already keeps its own.
"""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
import types
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from itertools import groupby, pairwise
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import tomli_w
import tomlkit
from pydantic import BaseModel, BeforeValidator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined
from tomlkit.items import AoT, InlineTable

from trialcapture.bounded_parsing import parse_toml
from trialcapture.channels import MAX_GAP_S
from trialcapture.config import LOG_QUANTITIES, Config, load_config
from trialcapture.config.sections import other_unit_keys
from trialcapture.errors import ConfigError
from trialcapture.report.format import ReaderUnits
from trialcapture.units import convert

Path = tuple[str | int, ...]
Kind = Literal["number", "whole", "text", "lines", "long", "choice", "flag", "several", "numbers", "heading", "port"]

# ------------------------------------------------------------------------------
# What the models say about a key: kind, label, unit, explanation.
# ------------------------------------------------------------------------------

_PLAIN_UNITS = (
    ("_pct_per_min", "%/min"), ("_kn_per_min", "kn/min"), ("_rpm", "rpm"), ("_pct", "%"), ("_deg", "°"),
    ("_min", "min"), ("_hz", "Hz"), ("_s", "s"),
)  # fmt: skip
"""Endings that no reader has another unit for."""
_IN_INCHES = ("propeller_pitch_m", "propeller_diameter_m")
"""Propellers are stamped in inches where lengths are in feet (common practice, no source)."""
_WORDS = {
    "u": "standard uncertainty", "sd": "standard deviation", "id": "name", "nmea": "NMEA", "rpm": "rpm", "gnss": "GNSS",
    "kw": "power", "stw": "speed through water", "max": "greatest", "min": "least", "sog": "speed over ground",
    "temp": "temperature",
}  # fmt: skip
_ALSO_SAID = {"_rpm": " speed", "_kw": " power"}
"""What the ending of a key says beside its unit."""
_LONG_TEXTS = ("notes",)
_DELIMITERS = ((",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "bar |"), (" ", "space"))
_LETTERS = {",": "comma", ".": "point", " ": "space", "'": "apostrophe '", "\u2019": "apostrophe \u2019"}


@dataclass(frozen=True, slots=True)
class FormField:
    """One entry of a form.

    Attributes:
        name: Of the entry: the key path, parted by points.
        path: The key path in the settings.
        kind: How it is entered.
        label, help, unit: For people; the unit is the reader's.
        default: What holds where nothing is given, "" where that is nothing.
        choices: Value and words of each, for a choice, a flag or several.
        shown: What the file says, in the reader's units.
        typed: What stands in the entry now.
        faults: What is wrong with it.
        scale: A share of a whole is entered in percent, so 100; else 1.
        own_unit: The program's unit where the reader may have another.
        reader_unit: The unit typed, as `trialcapture.units` spells it.
        needed: True where there is no default.
    """

    name: str
    path: Path
    kind: Kind
    label: str
    help: str = ""
    unit: str = ""
    default: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    shown: str = ""
    typed: str = ""
    faults: tuple[str, ...] = ()
    scale: int = 1
    own_unit: str = ""
    reader_unit: str = ""
    needed: bool = False

    @property
    def is_changed(self) -> bool:
        """True where a person typed something else than the file says."""
        return bool(_comparable(self.kind, self.typed) != _comparable(self.kind, self.shown))


@dataclass(slots=True)
class FormGroup:
    """A table of the settings.

    Attributes:
        name: The key path, parted by points.
        title, help: For people.
        fields: Its entries.
        groups: Tables inside it.
        adds: Name and words of each list that may be made longer.
        is_item: True for an item of a list, which may be removed.
        is_new: True for an item that the file does not have yet.
        is_folded: True for what is seldom needed, and shown on demand.
        faults: What is wrong with the table as a whole.
    """

    name: str
    title: str
    help: str = ""
    fields: list[FormField] = field(default_factory=list)
    groups: list[FormGroup] = field(default_factory=list)
    adds: list[tuple[str, str]] = field(default_factory=list)
    is_item: bool = False
    is_new: bool = False
    is_folded: bool = False
    faults: list[str] = field(default_factory=list)

    def every_field(self) -> Iterator[FormField]:
        """Yield the entries of this table and of those inside it."""
        yield from self.fields
        for group in self.groups:
            yield from group.every_field()

    def every_group(self) -> Iterator[FormGroup]:
        """Yield this table and those inside it."""
        yield self
        for group in self.groups:
            yield from group.every_group()


@lru_cache(maxsize=64)
def explanations(model: type[BaseModel]) -> Mapping[str, str]:
    """Return the text beside each key of a model: its description, else the docstring below it."""
    found = {name: info.description for name, info in model.model_fields.items() if info.description}
    try:
        tree = ast.parse(textwrap.dedent(inspect.getsource(model)))
    except (OSError, TypeError, SyntaxError):  # a program without its sources explains less
        return found
    for owner in tree.body:
        body = owner.body if isinstance(owner, ast.ClassDef) else []
        for key, text in pairwise(body):
            if (
                isinstance(key, ast.AnnAssign)
                and isinstance(key.target, ast.Name)
                and isinstance(text, ast.Expr)
                and isinstance(text.value, ast.Constant)
                and isinstance(text.value.value, str)
            ):
                found.setdefault(key.target.id, _plain_text(text.value.value))
    return found


def _plain_text(text: str) -> str:
    return re.sub(r"`+([^`]*)`+", r"\1", " ".join(text.split()))


def label_of(key: str) -> str:
    """Return what a key is called: its words without the unit at its end."""
    stem = key
    endings = [ending for ending, _ in _PLAIN_UNITS] if not other_unit_keys(key) else []
    own = _own_ending(key)
    for ending in [own] if own else endings:
        if ending and stem.endswith(ending) and stem != ending:
            stem = stem.removesuffix(ending)
            break
    parts = [_WORDS.get(word, word) for word in stem.split("_")]
    if len(parts) > 1 and parts[-1] in ("greatest", "least"):
        parts = [parts[-1], *parts[:-1]]
    words = " ".join(parts) + ("" if stem == "steps" else _ALSO_SAID.get(key[len(stem) :], ""))
    return words[:1].upper() + words[1:]


def _label(key: str, about: str) -> str:
    """Return what a key is called: what its explanation says before the unit, else the words of its name."""
    said = re.match(r"([A-Z][^.;\[]{2,48}) \[", about)
    return said[1] if said else label_of(key)


def _own_ending(key: str) -> str:
    """Return the ending of a key that may be given in other units, "" for any other key."""
    others = list(other_unit_keys(key))
    stem = ""
    for letters in zip(key, *others, strict=False):
        if len(set(letters)) > 1:
            break
        stem += letters[0]
    return key[stem.rfind("_") :] if others and not stem.endswith("_") else key[len(stem) - 1 :] if others else ""


def _unit_of(key: str, units: ReaderUnits) -> tuple[str, str, str]:
    """Return the program's unit of a key, the reader's, and how that is written; the first two "" for plain units."""
    others = other_unit_keys(key)
    if others:
        own = next(iter(others.values()))[1]
        scale = units.scale(own)
        wanted, text = scale.unit, scale.text
        if key in _IN_INCHES and wanted == "ft":
            wanted, text = "in", "in"
        if wanted == own or any(unit == wanted for unit, _ in others.values()):
            return own, wanted, text
        return own, own, own
    return "", "", next((unit for ending, unit in _PLAIN_UNITS if key.endswith(ending)), "")


@dataclass(frozen=True, slots=True)
class _Shape:
    """What may stand behind a key."""

    types: tuple[Any, ...]
    is_share: bool

    def has(self, kind: Any) -> bool:
        return any(found is kind for found in self.types)

    @property
    def model(self) -> type[BaseModel] | None:
        return next((t for t in self.types if isinstance(t, type) and issubclass(t, BaseModel)), None)

    @property
    def words(self) -> tuple[Any, ...]:
        return next((get_args(t) for t in self.types if get_origin(t) is Literal), ())

    @property
    def item(self) -> _Shape | None:
        """Of a list: what its items may be."""
        found = next((t for t in self.types if get_origin(t) is tuple), None)
        return None if found is None else _shape(get_args(found)[0], ())

    @property
    def is_table(self) -> bool:
        return any(get_origin(t) is dict for t in self.types)


def _shape(annotation: Any, metadata: Sequence[Any]) -> _Shape:
    types_found: list[Any] = []
    is_share = any(isinstance(m, BeforeValidator) for m in metadata)
    pending = [annotation]
    while pending:
        part = pending.pop(0)
        origin = get_origin(part)
        if origin is Annotated:
            is_share = is_share or any(isinstance(m, BeforeValidator) for m in part.__metadata__)
            pending.insert(0, part.__origin__)
        elif origin in (Union, types.UnionType):
            pending = [*get_args(part), *pending]
        elif part is not type(None):
            types_found.append(part)
    return _Shape(tuple(types_found), is_share)


# ------------------------------------------------------------------------------
# From the settings to a form.
# ------------------------------------------------------------------------------

_ORDER = (
    "boat", "load", "engine", "fuel", "trial", "plan", "bands", "source", "report", "engine_log", "xdr", "steady",
    "samples",
)  # fmt: skip
"""Of the tables on the page: what a person settles at the dock first, limits that hold for every boat last."""
_TITLES = {
    "engine_log": "Engine log", "xdr": "Transducer", "source": "Source", "engine": "Engine", "tanks": "Tank",
    "walk_round": "Item", "samples": "Grid of samples", "steady": "What counts as steady",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Building:
    units: ReaderUnits
    typed: Mapping[str, Sequence[str]] | None
    engine_ids: tuple[str, ...]

    def entry(self, name: str, shown: str) -> str:
        if self.typed is None or name not in self.typed:
            return shown
        return "\n".join(self.typed[name]) if len(self.typed[name]) > 1 else self.typed[name][0]

    def count(self, name: str, there: int) -> int:
        """Return how many items a list has on the page: those of the file, and those a person began."""
        given = re.compile(re.escape(name) + r"\.(\d{1,4})\.")
        numbers = [int(found[1]) for key in self.typed or () if (found := given.match(key))]
        return max([there, *(n + 1 for n in numbers)])


def reader_units(data: Mapping[str, Any]) -> ReaderUnits:
    """Return the units that the settings ask for, metric where they ask for none that there is."""
    report = data.get("report")
    system = report.get("units") if isinstance(report, Mapping) else None
    return ReaderUnits(system if system in ("us", "imperial") else "metric")


def build_form(
    data: Mapping[str, Any],
    units: ReaderUnits | None = None,
    *,
    typed: Mapping[str, Sequence[str]] | None = None,
    faults: Sequence[str] = (),
    field_faults: Mapping[str, Sequence[str]] | None = None,
) -> tuple[list[FormGroup], list[str]]:
    """Return the tables of a form, and the faults that belong to no entry.

    Args:
        data: The settings as TOML gives them; they may be at fault.
        units: Of the reader; those of the settings when not given.
        typed: What stands in the entries, by name; as the file says where it has no such name.
        faults: Lines of `ConfigError`, each put beside its entry.
        field_faults: What could not be read, by name of the entry.
    """
    engines = data.get("engine")
    ids = [e.get("id") for e in engines if isinstance(e, Mapping)] if isinstance(engines, list | tuple) else []
    how = _Building(units or reader_units(data), typed, tuple(i for i in ids if isinstance(i, str)))
    top = FormGroup("", "")
    _fill(top, Config, data, (), how)
    top.groups.sort(key=lambda group: _ORDER.index(group.name.split(".")[0]))
    by_name: dict[str, list[str]] = {name: list(lines) for name, lines in (field_faults or {}).items()}
    loose = _place_faults(faults, data, top, by_name)
    for group in top.every_group():
        group.fields = [replace(f, faults=tuple(by_name[f.name])) if f.name in by_name else f for f in group.fields]
    return _with_top_fields(top), loose


def _with_top_fields(top: FormGroup) -> list[FormGroup]:
    """Return the tables, each with what may stand in its place: the name of a plan file."""
    for entry in top.fields:
        home = next((group for group in top.groups if group.name == entry.name), None)
        if home is None:
            home = FormGroup(entry.name, label_of(entry.name))
            top.groups.append(home)
        home.fields.insert(0, entry)
    for name, words in top.adds:
        place = next((k for k, g in reversed(list(enumerate(top.groups))) if g.name.split(".")[0] == name), None)
        if place is None:
            top.groups.append(FormGroup(name, _TITLES.get(name, label_of(name)) + "s", adds=[(name, words)]))
        else:
            top.groups[place].adds.append((name, words))
    top.groups.sort(key=lambda group: _ORDER.index(group.name.split(".")[0]))
    return top.groups


def _fill(group: FormGroup, model: type[BaseModel], data: Any, path: Path, how: _Building) -> None:
    table = data if isinstance(data, Mapping) else {}
    texts = explanations(model)
    for key, info in model.model_fields.items():
        shape = _shape(info.annotation, info.metadata)
        value = table.get(key)
        name = ".".join(map(str, (*path, key)))
        item = shape.item
        if key == "columns" and shape.is_table:
            group.groups.append(_columns_group(name, (*path, key), value, texts.get(key, ""), how))
        elif shape.is_table:
            group.groups.append(_gaps_group(name, (*path, key), value, texts.get(key, ""), how))
        elif item is not None and item.model is not None:
            if key == "walk_round" and not isinstance(value, list | tuple) and not how.count(name, 0):
                group.fields.append(_text_field(name, (*path, key), value, texts.get(key, ""), how))
                continue
            _fill_list(group, item.model, key, value, path, how)
        elif shape.model is not None:
            if key == "plan":
                given = value if isinstance(value, str) else ""
                about = "Name of a plan file beside the settings; the fields below are then left empty."
                group.fields.append(replace(_text_field(name, (key,), given, about, how), label="Plan file"))
            inner = FormGroup(name, _TITLES.get(key, label_of(key)), _first_sentence(shape.model.__doc__))
            _fill(inner, shape.model, value, (*path, key), how)
            group.groups.append(inner)
        else:
            group.fields.append(_field_of(key, info, shape, table, path, texts.get(key, ""), how))


def _fill_list(group: FormGroup, model: type[BaseModel], key: str, value: Any, path: Path, how: _Building) -> None:
    name = ".".join(map(str, (*path, key)))
    items = list(value) if isinstance(value, list | tuple) else []
    title = _TITLES.get(key, label_of(key))
    for number in range(how.count(name, len(items))):
        data = items[number] if number < len(items) else {}
        called = next((data[k] for k in ("id", "name", "what") if isinstance(data, Mapping) and k in data), "")
        inner = FormGroup(
            f"{name}.{number}", f"{title} {number + 1}" + (f": {called}" if called else ""),
            _first_sentence(model.__doc__), is_item=True, is_new=number >= len(items),
        )  # fmt: skip
        _fill(inner, model, data, (*path, key, number), how)
        group.groups.append(inner)
    group.adds.append((name, f"Add: {title[:1].lower() + title[1:]}"))


def _first_sentence(doc: str | None) -> str:
    return _plain_text((doc or "").split("\n\n")[0])


def _text_field(name: str, path: Path, value: Any, about: str, how: _Building) -> FormField:
    shown = _text_of(value)
    label = label_of(str(path[-1]))
    return FormField(name, path, "text", label, about, shown=shown, typed=how.entry(name, shown))


def _text_of(value: Any) -> str:
    return "" if value is None else value if isinstance(value, str) else str(value)


def _field_of(
    key: str, info: FieldInfo, shape: _Shape, table: Mapping[str, Any], path: Path, about: str, how: _Building
) -> FormField:
    name = ".".join(map(str, (*path, key)))
    own, wanted, unit = _unit_of(key, how.units)
    kind = _kind_of(key, shape)
    found = FormField(
        name, (*path, key), kind, _label(key, about), about, "%" if shape.is_share else unit,
        choices=_choices(key, shape), scale=100 if shape.is_share else 1, own_unit=own, reader_unit=wanted,
        needed=info.is_required(),
    )  # fmt: skip
    there = _key_there(table, key)
    value = table.get(there) if there else None
    shown = "" if there is None else _shown(found, value, _unit_of_key(key, there, own))
    default = "" if info.default is PydanticUndefined else _shown(found, info.default, own)
    if kind in ("choice", "flag"):
        default = dict(found.choices).get(default, default)
        if shown not in dict(found.choices):  # what cannot be chosen and stands in the file all the same
            found = replace(found, choices=(*found.choices, (shown, shown))) if shown else found
        found = replace(found, choices=(("", f"not given ({default})" if default else "not given"), *found.choices))
    return replace(found, default=default, shown=shown, typed=how.entry(name, shown))


def _kind_of(key: str, shape: _Shape) -> Kind:
    item = shape.item
    if item is not None:
        return "several" if item.words else "numbers" if item.has(float) else "lines"
    if shape.words or key == "delimiter":
        return "choice"
    if shape.has(int) and shape.has(str):
        return "port" if key == "port" else "heading"
    for kind, base in (("flag", bool), ("number", float), ("whole", int)):
        if shape.has(base):
            return kind  # type: ignore[return-value]
    return "long" if key in _LONG_TEXTS else "text"


def _choices(key: str, shape: _Shape) -> tuple[tuple[str, str], ...]:
    if key == "delimiter":
        return _DELIMITERS
    item = shape.item
    words = item.words if item is not None else shape.words
    if words:
        return tuple((str(word), _LETTERS.get(str(word), str(word).replace("_", " "))) for word in words)
    return (("true", "yes"), ("false", "no")) if item is None and shape.has(bool) else ()


def _key_there(table: Mapping[str, Any], key: str) -> str | None:
    """Return the key as the table has it: by its own name, or in another unit."""
    if key in table:
        return key
    others = [*other_unit_keys(key), *(["density"] if key == "density_kg_per_m3" else [])]
    return next((other for other in others if other in table), None)


def _unit_of_key(key: str, there: str, own: str) -> str:
    return other_unit_keys(key).get(there, (own, own))[0]


def _shown(entry: FormField, value: Any, unit: str) -> str:
    """Return a value of the settings as it stands in an entry; what is of another kind stands there as it is."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if value is None:
        return ""
    if entry.kind == "flag" or isinstance(value, bool):
        if entry.kind == "several":
            return "\n".join(word for word, _ in entry.choices) if value else ""
        return {True: "true", False: "false"}.get(value, str(value)) if isinstance(value, bool) else str(value)
    if entry.kind == "number":
        if isinstance(value, str) and entry.scale == 100:
            return value.strip().removesuffix("%").strip()
        if not is_number:
            return str(value)
        if entry.scale == 100:
            return _digits(value * 100, 12)
        if unit != entry.reader_unit:
            return _digits(convert(float(value), unit, entry.reader_unit), 7)
        return _digits(value, 15)
    if entry.kind in ("numbers", "several", "lines") and isinstance(value, list | tuple):
        texts = [_digits(v, 15) if isinstance(v, int | float) and not isinstance(v, bool) else str(v) for v in value]
        return (" " if entry.kind == "numbers" else "\n").join(texts)
    if entry.kind == "heading" and isinstance(value, str) and value.isdecimal():
        return f'"{value}"'
    return str(value)


def _digits(value: float, digits: int) -> str:
    text = format(value, f".{digits}g")
    return format(Decimal(text), "f") if "e" in text and abs(value) < 1e15 else text


# Two tables whose keys are no fields of a model.


def _gaps_group(name: str, path: Path, value: Any, about: str, how: _Building) -> FormGroup:
    given = value if isinstance(value, Mapping) else {}
    group = FormGroup(name, "Longest gap bridged", about)
    for key in dict.fromkeys([*MAX_GAP_S, *given]):
        entry = FormField(
            f"{name}.{key}", (*path, key), "number", label_of(str(key)), unit="s",
            default=_digits(MAX_GAP_S[key], 15) if key in MAX_GAP_S else "",
        )  # fmt: skip
        shown = _shown(entry, given.get(key), "")
        group.fields.append(replace(entry, shown=shown, typed=how.entry(entry.name, shown)))
    return group


_COLUMN_PARTS: tuple[tuple[str, Kind, str], ...] = (
    ("key", "choice", "Holds"), ("name", "heading", "Heading or number"), ("unit", "text", "Unit"),
    ("scale", "number", "Scale"), ("offset", "number", "Offset"),
)  # fmt: skip


def column_rows(columns: Any) -> list[dict[str, str]]:
    """Return the columns of an engine log as rows of text; six columns of a time are six rows."""
    rows = []
    for key, item in (columns if isinstance(columns, Mapping) else {}).items():
        for part in item if isinstance(item, list | tuple) else [item]:
            row = {"key": str(key), "name": "", "unit": "", "scale": "", "offset": ""}
            if isinstance(part, Mapping):
                row |= {k: part_text(k, part[k]) for k in ("name", "unit", "scale", "offset") if k in part}
            else:
                row["name"] = part_text("name", part)
            rows.append(row)
    return rows


def part_text(part: str, value: Any) -> str:
    """Return a part of a column as it stands in an entry."""
    if part == "name":
        return f'"{value}"' if isinstance(value, str) and value.isdecimal() else str(value)
    return _digits(value, 15) if isinstance(value, int | float) and not isinstance(value, bool) else str(value)


def _columns_group(name: str, path: Path, value: Any, about: str, how: _Building) -> FormGroup:
    about += " A number alone is a column counted from 1; a heading that is a number stands in double quotes."
    group = FormGroup(name, "Columns", about.strip())
    rows = column_rows(value)
    known = ["time", "date", *(f"{quantity}_{i}" for i in how.engine_ids for quantity in LOG_QUANTITIES)]
    for number in range(how.count(name, len(rows))):
        row = rows[number] if number < len(rows) else dict.fromkeys(("key", "name", "unit", "scale", "offset"), "")
        inner = FormGroup(f"{name}.{number}", f"Column {number + 1}", is_item=True, is_new=number >= len(rows))
        for part, kind, label in _COLUMN_PARTS:
            typed = how.entry(f"{name}.{number}.{part}", row[part])
            keys = dict.fromkeys(["", *known, row["key"], typed]) if part == "key" else ()
            inner.fields.append(
                FormField(
                    f"{name}.{number}.{part}",
                    (*path, number, part),
                    kind,
                    label,
                    shown=row[part],
                    typed=typed,
                    choices=tuple((k, k.replace("_", " ") or "not used") for k in keys),
                    default={"scale": "1", "offset": "0"}.get(part, ""),
                )
            )
        group.groups.append(inner)
    group.adds.append((name, "Add: column"))
    return group


# Faults beside their entries.

_STEP = re.compile(r'\[(\d+)\]|\.?("(?:[^"\\]|\\.)*"|[^.\[\]:"]+)')


def _key_steps(text: str) -> Path:
    steps: list[str | int] = []
    for found in _STEP.finditer(text):
        steps.append(int(found[1]) if found[1] else found[2].strip('"'))
    return tuple(steps)


def fault_place(line: str) -> tuple[Path, str]:
    """Return the key path that a line of `ConfigError` begins with, and what it says."""
    found = re.match(r'((?:\.?"(?:[^"\\]|\\.)*"|\.?[A-Za-z0-9_-]+|\[\d+\])+): (.*)', line, re.DOTALL)
    return (_key_steps(found[1]), found[2]) if found else ((), line)


def _place_faults(
    lines: Sequence[str], data: Mapping[str, Any], top: FormGroup, by_name: dict[str, list[str]]
) -> list[str]:
    """Put each fault beside the nearest entry or table; return those that have neither."""
    fields = {f.name for f in top.every_field()}
    groups = {g.name: g for g in top.every_group() if g.name}
    loose = []
    for line in lines:
        path, said = fault_place(line)
        path = _page_path(path, data)
        text = said[:1].upper() + said[1:]
        name = ".".join(map(str, path))
        if name in fields:
            by_name.setdefault(name, []).append(text)
            continue
        while path and ".".join(map(str, path)) not in groups:
            path = path[:-1]
        home = groups.get(".".join(map(str, path)))
        if home is None:
            loose.append(line)
        else:
            rest = name.removeprefix(home.name).strip(".")
            home.faults.append(f"{rest}: {said}" if rest else text)
    return loose


def _page_path(path: Path, data: Any) -> Path:
    """Return a key path with the names of the form's entries: keys in other units by ours, columns by their row."""
    found: list[str | int] = []
    value = data
    for place, step in enumerate(path):
        if place and path[place - 1] == "columns" and isinstance(value, Mapping) and isinstance(step, str):
            rows = [row["key"] for row in column_rows(value)]
            if step not in rows:
                break
            found.append(rows.index(step))
            rest = path[place + 1 :]
            part = str(rest[0]) if rest else "key"
            found.append(part if part in ("key", "name", "unit", "scale", "offset") else "name")
            return tuple(found)
        found.append(_canonical(step, found) if isinstance(step, str) else step)
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            value = None
    return tuple(found)


def _canonical(step: str, before: Sequence[str | int]) -> str:
    """Return the key of the models that a key in another unit stands for."""
    if step == "density":
        return "density_kg_per_m3"
    model: type[BaseModel] = Config
    for part in before:
        if isinstance(part, str) and part in model.model_fields:
            shape = _shape(model.model_fields[part].annotation, ())
            inner = shape.item.model if shape.item is not None else shape.model
            model = inner or model
    return next((key for key in model.model_fields if step in other_unit_keys(key)), step)


# ------------------------------------------------------------------------------
# From a form to changes of the settings.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KeyChange:
    """A change of one key: what it is now, or that it, or an item of a list, goes.

    Attributes:
        path: The key path.
        value: What it becomes; None where it goes.
    """

    path: Path
    value: Any


def read_form(
    data: Mapping[str, Any], typed: Mapping[str, Sequence[str]], units: ReaderUnits | None = None
) -> tuple[list[KeyChange], dict[str, list[str]]]:
    """Return what a person changed, and what could not be read, by name of the entry.

    Args:
        data: The settings as TOML gave them when the form was shown.
        typed: What stood in the entries, by name; ``<name>.remove`` marks an item of a list that goes.
        units: As the form was shown in.
    """
    groups, _ = build_form(data, units, typed=typed)
    changes: list[KeyChange] = []
    faults: dict[str, list[str]] = {}
    faults |= _plan_twice(groups)
    removed = {name.removesuffix(".remove") for name, given in typed.items() if name.endswith(".remove") and given[0]}
    for group in (inner for outer in groups for inner in outer.every_group()):
        if any(group.name == name or group.name.startswith(f"{name}.") for name in removed):
            continue
        if group.name.split(".")[-1] == "columns":
            changes += _column_changes(group, data, typed, removed, faults)
            continue
        if "columns" in group.name.split("."):
            continue
        for entry in group.fields:
            if entry.name not in typed or not entry.is_changed:
                continue
            try:
                value = parse_entry(entry)
            except ValueError as fault:
                faults.setdefault(entry.name, []).append(str(fault))
                continue
            changes.append(_change_of(entry, value, data))
    for name in sorted(removed):
        path = _path_of(name)
        if "columns" not in path and _at(data, path) is not _NOTHING:
            changes.append(KeyChange(path, None))
    return _numbered_anew(changes, data), faults


_NOTHING = object()


def _plan_twice(groups: Sequence[FormGroup]) -> dict[str, list[str]]:
    """Return the fault of a plan that is named and filled in as well: the one would take the place of the other."""
    plan = next((group for group in groups if group.name == "plan"), None)
    named = plan is not None and any(f.name == "plan" and _typed_text(f.typed) for f in plan.fields)
    if plan is None or not named or not any(_typed_text(f.typed) for f in plan.fields if f.name != "plan"):
        return {}
    return {"plan": ["A plan file is named and fields below are filled in: empty one of the two"]}


def _path_of(name: str) -> Path:
    return tuple(int(part) if part.isdecimal() else part for part in name.split("."))


def _at(data: Any, path: Path) -> Any:
    for step in path:
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            return _NOTHING
    return data


def _numbered_anew(changes: list[KeyChange], data: Mapping[str, Any]) -> list[KeyChange]:
    """Return the changes with new items numbered without gaps: an item begun and left empty is none."""
    begun: dict[Path, dict[int, int]] = {}
    done = []
    for change in changes:
        path = list(change.path)
        for place, step in enumerate(path):
            if not isinstance(step, int):
                continue
            home = tuple(path[:place])
            there = _at(data, home)
            length = len(there) if isinstance(there, list | tuple) else 0
            if step >= length:
                numbers = begun.setdefault(home, {})
                path[place] = numbers.setdefault(step, length + len(numbers))
        done.append(KeyChange(tuple(path), change.value))
    return done


def _change_of(entry: FormField, value: Any, data: Mapping[str, Any]) -> KeyChange:
    """Return the change of an entry: in the unit of the key that is there, else in the reader's."""
    *parent, key = entry.path
    table = _at(data, tuple(parent))
    there = _key_there(table, str(key)) if isinstance(table, Mapping) else None
    if value is None:
        return KeyChange((*parent, there or key), None)
    if not entry.own_unit:
        return KeyChange((*parent, there or key), value)
    if there is not None:
        unit = _unit_of_key(str(key), there, entry.own_unit)
        is_other = unit != entry.reader_unit
        return KeyChange((*parent, there), convert(value, entry.reader_unit, unit) if is_other else value)
    others = {unit: name for name, (unit, _) in other_unit_keys(str(key)).items()}
    return KeyChange((*parent, others.get(entry.reader_unit, str(key))), value)


def parse_entry(entry: FormField) -> Any:
    """Return the value that was typed; None where nothing was.

    Raises:
        ValueError: It cannot be read; the text says what would be right.
    """
    text = entry.typed if entry.kind == "choice" else _typed_text(entry.typed)
    if not text.strip() and not (entry.kind == "choice" and text):
        return None
    match entry.kind:
        case "number":
            number = parse_number(text.removesuffix("%") if entry.unit == "%" else text)
            return float(number / entry.scale) if entry.scale != 1 else float(number)
        case "whole":
            return _whole(text)
        case "flag":
            return {"true": True, "false": False}.get(text, text)
        case "choice":
            return int(text) if text.isdecimal() and entry.path[-1] == "baud" else text
        case "numbers":
            return [float(parse_number(part)) for part in re.split(r"[\s,;]+", text) if part]
        case "several":
            return [word for word in text.split("\n") if word]
        case "lines":
            lines = [line.strip() for line in text.split("\n") if line.strip()]
            return lines if len(lines) > 1 else lines[0]
        case "port":
            return int(text) if text.isdecimal() and len(text) < 10 else text
        case "heading":
            return _heading(text)
    return text


def _typed_text(text: str) -> str:
    """Return what was typed without what no keyboard writes; a page ends its lines with two characters."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(c if c.isprintable() or c in "\n\t" else " " for c in lines).strip()


def parse_number(text: str) -> Decimal:
    """Return a number as people type it: with point or comma, and spaces between thousands.

    Raises:
        ValueError: It is no number, or a comma may part thousands or decimals.
    """
    plain = re.sub(r"(?<=\d)[ \u00a0\u202f\u2009](?=\d{3}(?!\d))", "", text.strip()).replace("\u2212", "-")
    if re.fullmatch(r"[-+]?[1-9]\d{0,2}(,\d{3})+", plain):
        meant = plain.replace(",", "")
        raise ValueError(f"{text.strip()!r} may be {meant} or {plain.replace(',', '.', 1)}; write it without a comma")
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    if not re.fullmatch(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,3})?", plain, re.ASCII):
        raise ValueError(f"{text.strip()[:60]!r} is no number; write one such as 12.5")
    try:
        number = Decimal(plain)
    except InvalidOperation as fault:
        raise ValueError(f"{text.strip()[:60]!r} is no number; write one such as 12.5") from fault
    if abs(number) > Decimal("1e300"):
        raise ValueError(f"{text.strip()[:60]!r} is larger than any number here")
    return number


def _whole(text: str) -> int:
    number = parse_number(text)
    if number != number.to_integral_value() or abs(number) > 1 << 53:
        raise ValueError(f"{text[:60]!r} is no whole number")
    return int(number)


def _heading(text: str) -> str | int:
    if text.isdecimal() and text.isascii() and len(text) < 10:
        return int(text)
    return text[1:-1] if re.fullmatch(r'"\d+"', text) else text


def _comparable(kind: str, text: str) -> Any:
    if kind == "choice":
        return text
    plain = _typed_text(text)
    return {word for word in plain.split("\n") if word} if kind == "several" else plain


def _column_changes(
    group: FormGroup,
    data: Mapping[str, Any],
    typed: Mapping[str, Sequence[str]],
    removed: set[str],
    faults: dict[str, list[str]],
) -> list[KeyChange]:
    """Return what changed among the columns of an engine log, key by key."""
    entries = [{f.name.rsplit(".", 1)[1]: f for f in row.fields} for row in group.groups if row.name not in removed]
    if not any(f.name in typed for row in group.groups for f in row.fields):
        return []
    rows = [row for row in entries if any(_typed_text(f.typed) for f in row.values())]
    path = _path_of(group.name)
    former = _at(data, path)
    former = former if isinstance(former, Mapping) else {}
    wanted: dict[str, Any] = {}
    together = sorted(rows, key=lambda row: _row_order(row, rows))
    for key, same in groupby(together, key=lambda row: _typed_text(row["key"].typed)):
        several = list(same)
        first = several[0]
        if not key:
            faults.setdefault(first["key"].name, []).append("Choose what this column holds, or empty the row")
            continue
        if key in ("time", "date"):
            names = [_heading(_typed_text(row["name"].typed)) for row in several]
            for row in several:
                if _typed_text(row["unit"].typed):
                    faults.setdefault(row["unit"].name, []).append("A time has no unit; leave this empty")
            wanted[key] = names if len(names) > 1 else names[0]
            continue
        for row in several[1:]:
            faults.setdefault(row["key"].name, []).append(f"{key} is given twice; each is one column")
        wanted[key] = _column_value(first, faults)
    unchanged = column_rows(former) == column_rows(wanted)
    if unchanged:
        return []
    changes = [KeyChange((*path, key), None) for key in former if key not in wanted]
    return changes + [
        KeyChange((*path, key), value)
        for key, value in wanted.items()
        if key not in former or column_rows({key: former[key]}) != column_rows({key: value})
    ]


def _row_order(row: Mapping[str, FormField], rows: Sequence[Mapping[str, FormField]]) -> int:
    """Rows of one key stand where its first one does."""
    key = _typed_text(row["key"].typed)
    return next(n for n, other in enumerate(rows) if _typed_text(other["key"].typed) == key)


def _column_value(row: Mapping[str, FormField], faults: dict[str, list[str]]) -> dict[str, Any]:
    value: dict[str, Any] = {}
    for part in ("name", "unit", "scale", "offset"):
        text = _typed_text(row[part].typed)
        if not text:
            continue
        try:
            value[part] = _heading(text) if part == "name" else text if part == "unit" else float(parse_number(text))
        except ValueError as fault:
            faults.setdefault(row[part].name, []).append(str(fault))
    return value


# ------------------------------------------------------------------------------
# From changes to TOML text.
# ------------------------------------------------------------------------------


def changed_data(data: Mapping[str, Any], changes: Sequence[KeyChange]) -> dict[str, Any]:
    """Return settings with changes made; tables and lists that are missing are made, those left empty stay."""
    whole: dict[str, Any] = _copied(data)
    for change in _in_order(changes):
        _put(whole, change)
    return whole


def _in_order(changes: Sequence[KeyChange]) -> list[KeyChange]:
    """Items of lists go last, the last one first, so that no number means another item meanwhile."""
    gone = [c for c in changes if c.value is None and isinstance(c.path[-1], int)]
    rest = [c for c in changes if not (c.value is None and isinstance(c.path[-1], int))]
    return rest + sorted(gone, key=lambda c: (len(c.path), int(c.path[-1])), reverse=True)


def _copied(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _copied(item) for key, item in value.items()}
    return [_copied(item) for item in value] if isinstance(value, list | tuple) else value


def _put(whole: Any, change: KeyChange) -> None:
    here = whole
    for step, following in zip(change.path, change.path[1:], strict=False):
        if isinstance(step, int):
            while len(here) <= step:
                here.append({})
        elif not isinstance(here.get(step), dict | list):
            if change.value is None:
                return
            here[step] = [] if isinstance(following, int) else {}
        here = here[step]
    last = change.path[-1]
    if change.value is not None:
        here[last] = change.value
    elif isinstance(last, int):
        del here[last]
    else:
        here.pop(last, None)


def apply_changes(text: str, changes: Sequence[KeyChange]) -> tuple[str, bool]:
    """Return TOML text with changes made, and whether everything else is word by word what it was.

    Args:
        text: TOML; "" makes new settings.
        changes: As `read_form` tells them.

    Raises:
        ValueError: The text is no TOML.
    """
    wanted = changed_data(parse_toml(text), changes)
    if not changes:
        return text, True
    try:
        document = tomlkit.parse(text)
        for change in _in_order(changes):
            _put_into_document(document, change)
        whole = tomlkit.dumps(document)
        if "\r\n" in text:
            whole = re.sub(r"(?<!\r)\n", "\r\n", whole)
        for form in (_set_apart(whole, text), whole):
            if parse_toml(form) == wanted:
                return form, True
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, tomlkit.exceptions.TOMLKitError):
        pass  # written in a way that the library cannot change: the values are what counts
    return tomli_w.dumps(wanted), False


_HEADER = re.compile(r"(?<=[^\n\r])(\r?\n)(?=\[\[?[A-Za-z])")


def _set_apart(whole: str, former: str) -> str:
    """Return the text with an empty line before each table that is new."""
    known = {line.strip() for line in former.splitlines() if line.startswith("[")}

    def apart(found: re.Match[str]) -> str:
        header = whole[found.end() :].split("\n", 1)[0].strip()
        comes_after_comment = whole[: found.start()].rsplit("\n", 1)[-1].startswith("#")
        return found[1] if header in known or comes_after_comment else found[1] * 2

    return _HEADER.sub(apart, whole)


def _put_into_document(document: Any, change: KeyChange) -> None:
    here = document
    for step, following in zip(change.path, change.path[1:], strict=False):
        is_inline = isinstance(here, InlineTable | tomlkit.items.Array)
        if isinstance(step, int):
            while len(here) <= step:
                here.append(tomlkit.table() if isinstance(here, AoT) else tomlkit.inline_table())
        elif step not in here or not isinstance(here[step], dict | list):
            if change.value is None:
                return
            if step in here:
                del here[step]
            if isinstance(following, int):
                here[step] = tomlkit.array() if is_inline else tomlkit.aot()
            else:
                here[step] = tomlkit.inline_table() if is_inline else tomlkit.table()
        here = here[step]
    last = change.path[-1]
    if change.value is not None:
        if last in here and isinstance(here[last], dict) and not isinstance(change.value, Mapping):
            del here[last]  # the name of a plan file stands before all tables
        here[last] = _item(change.value)
    elif isinstance(last, int) or last in here:
        del here[last]


def _item(value: Any) -> Any:
    if isinstance(value, str):
        return tomlkit.string(value, multiline="\n" in value)
    if isinstance(value, Mapping):
        table = tomlkit.inline_table()
        table.update({key: _item(item) for key, item in value.items()})
        return table
    return tomlkit.item(value)


def check_text(text: str, where: str) -> tuple[Config | None, list[str]]:
    """Return the settings of a text, or None and its faults."""
    try:
        return load_config(text, where), []
    except ConfigError as fault:
        return None, fault.faults
