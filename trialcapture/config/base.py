"""What every settings table has in common: strict types, no unknown keys, other declared units accepted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, Strict, model_validator

from trialcapture.units import convert

# Strict: TOML has types of its own, so text or true where a number belongs is a slip, not a number.
Number = Annotated[float, Strict()]
Whole = Annotated[int, Strict()]
Flag = Annotated[bool, Strict()]
Text = Annotated[str, Strict()]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]
Share = Annotated[Number, Field(ge=0, le=1)]

# ending of a key -> (its unit, {other ending: its unit})
_ENDINGS: dict[str, tuple[str, dict[str, str]]] = {
    "_kg": ("kg", {"_lb": "lb", "_t": "t"}),
    "_l": ("l", {"_us_gal": "us gal", "_imp_gal": "imp gal"}),
    "_m": ("m", {"_ft": "ft", "_in": "in"}),
    "_kw": ("kw", {"_hp": "hp", "_metric_hp": "metric hp"}),
    "_kn": ("kn", {"_mph": "mph"}),
    "_c": ("degc", {"_f": "degf"}),
}


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
