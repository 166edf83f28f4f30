"""The base of every settings table: strict types, no unknown keys, other declared units accepted; faults as text."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping, Sequence
from difflib import get_close_matches
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict, model_validator

from trialcapture.units import convert

# Strict: TOML has types of its own, so text or true where a number belongs is a slip, not a number.
Number = Annotated[float, Strict()]
Whole = Annotated[int, Strict()]
Flag = Annotated[bool, Strict()]
Text = Annotated[str, Strict()]
_LARGEST = 1e9
"""No length, mass, volume, speed or time of a boat comes near; its cube is still a number (our choice)."""
Positive = Annotated[Number, Field(gt=0, le=_LARGEST)]
NotNegative = Annotated[Number, Field(ge=0, le=_LARGEST)]


def _read_percentage(value: Any) -> Any:
    """Return the share that a percentage in quotes means, such as ``"78 %"``; anything else as it is."""
    if not isinstance(value, str):
        return value
    found = re.fullmatch(r"([-+]?\d+(?:\.\d+)?)\s*%", value.strip())
    if found is None:
        raise ValueError("must be a number from 0 to 1, or a percentage in quotes such as '78 %'")
    return float(found[1]) / 100.0


Fraction = Annotated[Number, BeforeValidator(_read_percentage)]
"""A share of a whole, as a number or as a percentage in quotes."""
Share = Annotated[Fraction, Field(ge=0, le=1)]

# ending of a key -> (its unit, {other ending: its unit})
_ENDINGS: dict[str, tuple[str, dict[str, str]]] = {
    "_kg": ("kg", {"_lb": "lb", "_t": "t"}),
    "_l": ("l", {"_us_gal": "us gal", "_imp_gal": "imp gal"}),
    "_m": ("m", {"_ft": "ft", "_in": "in"}),
    "_kw": ("kw", {"_hp": "hp", "_metric_hp": "metric hp"}),
    "_kn": ("kn", {"_mph": "mph"}),
    "_c": ("degc", {"_f": "degf"}),
    "_kg_per_m3": (
        "kg/m3",
        {
            "_lb_per_us_gal": "lb/us gal", "_lb_per_imp_gal": "lb/imp gal", "_lb_per_ft3": "lb/ft3",
            "_kg_per_l": "kg/l",
        },
    ),
}  # fmt: skip
_OTHER_WORDS = (("draft", "draught"), ("displacement", "lightship"), ("light_ship", "lightship"), ("width", "beam"))
"""Words for a key that others use (American spelling first), and ours."""
_OTHER_ENDINGS = {
    "_gal": ("_us_gal", "_imp_gal"), "_gals": ("_us_gal", "_imp_gal"), "_gallon": ("_us_gal", "_imp_gal"),
    "_gallons": ("_us_gal", "_imp_gal"), "_usgal": ("_us_gal",), "_impgal": ("_imp_gal",),
    "_lb_per_gal": ("_lb_per_us_gal", "_lb_per_imp_gal"), "_lbs": ("_lb",), "_pounds": ("_lb",), "_feet": ("_ft",),
    "_foot": ("_ft",), "_inch": ("_in",), "_inches": ("_in",), "_metre": ("_m",), "_metres": ("_m",),
    "_meter": ("_m",), "_meters": ("_m",), "_litre": ("_l",), "_litres": ("_l",), "_liter": ("_l",),
    "_liters": ("_l",), "_tonnes": ("_t",), "_ps": ("_metric_hp",), "_knots": ("_kn",), "_pct": ("",),
}  # fmt: skip
"""Endings that people write, and those that may be meant."""


class Section(BaseModel):
    """A TOML table: unknown keys are faults, and a key may be given in another declared unit.

    ``lightship_lb = 44000`` is accepted where ``lightship_kg`` is the key; the ending declares the unit.
    """

    # Built when first used, all at once by the outermost table: to build each by itself takes twice as long, and
    # a process that is handed checked settings need not build any.
    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        str_strip_whitespace=True,
        allow_inf_nan=False,
        validate_default=False,
        defer_build=True,
    )

    @model_validator(mode="before")
    @classmethod
    def _convert_declared_units(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        converted = dict(data)
        for field in cls.model_fields:
            for key, (unit, own) in other_unit_keys(field).items():
                if key not in converted or key in cls.model_fields:
                    continue
                value = converted.pop(key)
                if field in converted:  # both are given: a rule between keys, reported with those
                    continue
                is_number = isinstance(value, int | float) and not isinstance(value, bool)
                converted[field] = convert(float(value), unit, own) if is_number else value
        return converted


def other_unit_keys(field: str) -> dict[str, tuple[str, str]]:
    """Return the keys in other units that may stand for a key: {key: (its unit, unit of `field`)}."""
    for ending, (own, others) in _ENDINGS.items():
        if field.endswith(ending):
            return {field.removesuffix(ending) + other: (unit, own) for other, unit in others.items()}
    return {}


# Validation faults for the person who wrote the file: key path, value seen, what is allowed.

_PATTERNS = {
    r"^[a-z][a-z0-9]{0,11}$": "lower-case letters and digits, a letter first, at most 12, such as 'port'",
    r"^[A-Za-z0-9_-]{1,15}$": "letters, digits, '-' and '_', at most 15, such as 'gps1'",
}
_ALLOWED = {
    "float_type": "a number",
    "finite_number": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "string_type": "text in quotes",
    "tuple_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "greater_than": "greater than {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than": "less than {lt:g}",
    "less_than_equal": "at most {le:g}",
    "literal_error": "one of {expected}",
    "string_too_short": "text of {min_length} characters or more",
    "string_too_long": "text of at most {max_length} characters",
    "too_long": "at most {max_length}",
}
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BRANCHES = {"heading", "place", "list", "table", "int", "str", "tuple[str, ...]", "constrained-str", "constrained-int"}


def fault_lines(errors: Sequence[Mapping[str, Any]], data: Mapping[str, Any], model: type[BaseModel]) -> list[str]:
    """Return one line for each key at fault.

    Args:
        errors: What pydantic found.
        data: The settings as TOML gave them.
        model: The model they were held against.
    """
    by_key: dict[tuple[str | int, ...], list[Mapping[str, Any]]] = {}
    for error in errors:
        key, _ = _locate(error["loc"], data)
        by_key.setdefault(key, []).append(error)
    # The same value held against the other branch of a union speaks of the whole; its parts say it better.
    parents = {key[:length] for key in by_key for length in range(len(key))}
    return [_on_one_line(_line(key, found, data, model)) for key, found in by_key.items() if key not in parents]


def key_path(key: Sequence[str | int]) -> str:
    """Return a key path as people write it, such as ``engine[1].rated_rpm``, on one line whatever the keys hold."""
    path = ""
    for part in key:
        if isinstance(part, int):
            path += f"[{part}]"
            continue
        # TOML quotes every key that is not bare; a quoted one may hold anything, line ends included
        name = part if _BARE_KEY.fullmatch(part) else json.dumps(part)
        path += f".{name}" if path else name
    return path or "the whole file"


def _on_one_line(text: str) -> str:
    """Return text with line ends and other control characters spelled out: keys and values may hold any of them."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def _line(
    key: tuple[str | int, ...],
    errors: list[Mapping[str, Any]],
    data: Mapping[str, Any],
    model: type[BaseModel],
) -> str:
    kinds = [error["type"] for error in errors]
    _, value = _locate(key, data)
    if "extra_forbidden" in kinds:
        return f"{key_path(key)}: no such key{_right_key(str(key[-1]), _keys_at(model, key[:-1]))}"
    if "missing" in kinds:
        return f"{key_path(key)}: missing, and there is no default"
    # A value that fits no branch of "a number or text" has one error a branch; say all that is allowed.
    allowed = " or ".join(dict.fromkeys(_allowed(error) for error in errors)).replace(" or must be ", " or ")
    return f"{key_path(key)}: saw {_shown(value)}; {allowed}"


_MOST_NAMED = 16
"""So many keys can be read at a glance (our choice)."""


def _right_key(key: str, known: Collection[str]) -> str:
    """Return which of the known keys may have been meant, as the end of a sentence; all where none comes near."""
    word = key.lower()
    for others, ours in _OTHER_WORDS:
        word = word.replace(others, ours)
    ending = next((e for e in sorted(_OTHER_ENDINGS, key=len, reverse=True) if word.endswith(e)), None)
    meant = [word] if ending is None else [word.removesuffix(ending) + e for e in _OTHER_ENDINGS[ending]]
    found = [k for k in meant if k in known] or _in_every_unit(word, known)
    if len(found) > 1 and ending is not None and "gal" in ending:
        return f"; a gallon must say which it is: {' or '.join(found)}"
    found = found or get_close_matches(word, known, 1)
    if found:
        return f"; did you mean {' or '.join(found)}?"
    in_other_units = {other for name in known for other in other_unit_keys(name)}
    named = [name for name in known if name not in in_other_units]
    return f"; the keys here are {', '.join(named)}" if 0 < len(named) <= _MOST_NAMED else ""


def _in_every_unit(word: str, known: Collection[str]) -> list[str]:
    """Return the forms of the key that a word without a unit is the beginning of, ours first."""
    for key in known:
        if word == next((key.removesuffix(ending) for ending in _ENDINGS if key.endswith(ending)), ""):
            return [key, *other_unit_keys(key)]
    return []


def _allowed(error: Mapping[str, Any]) -> str:
    context = error.get("ctx") or {}
    if error["type"] == "string_pattern_mismatch":
        return "must be " + _PATTERNS[context["pattern"]]
    if error["type"] in _ALLOWED:
        return "must be " + _ALLOWED[error["type"]].format(**context)
    message = str(error["msg"]).removeprefix("Value error, ")
    return message[0].lower() + message[1:]


def _shown(value: Any) -> str:
    text = ("true" if value else "false") if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}…"


def _locate(loc: Sequence[str | int], data: Any) -> tuple[tuple[str | int, ...], Any]:
    """Return the key path as written in the file, and the value there.

    Left out are pydantic's names for the branches of a union; a key given in another unit is named as given.
    """
    key: list[str | int] = []
    value = data
    for part in loc:
        if isinstance(value, Mapping) and part not in value:
            alias = next((k for k in other_unit_keys(str(part)) if k in value), None)
            if alias is None and part == "density_kg_per_m3" and "density" in value:
                alias = "density"
            if alias is not None:
                part = alias  # noqa: PLW2901  the same key by its other name
        inside = isinstance(value, Mapping) or (isinstance(value, list | tuple) and isinstance(part, int))
        if not inside or (part in _BRANCHES and isinstance(value, Mapping) and part not in value):
            continue
        key.append(part)
        value = value.get(part) if isinstance(value, Mapping) else value[int(part)]
    return tuple(key), value


def _keys_at(model: type[BaseModel], key: Sequence[str | int]) -> list[str]:
    found: type[BaseModel] = model
    for part in key:
        if isinstance(part, str) and part in found.model_fields:
            inner = _model_in(found.model_fields[part].annotation)
            if inner is not None:
                found = inner
    fields = list(found.model_fields)
    return fields + [other for field in fields for other in other_unit_keys(field)]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model_in, getattr(annotation, "__args__", ())) if m is not None), None)
