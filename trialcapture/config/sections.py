"""The boat, her fuel, load and engines, and what counts as a band and as steady, with every default.

Every settings table rests on one base: strict types, no unknown keys, other declared units accepted; faults as text.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping, Sequence
from difflib import get_close_matches
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict, field_validator, model_validator

from trialcapture.channels import MAX_GAP_S
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


EngineId = Annotated[Text, Field(pattern=r"^[a-z][a-z0-9]{0,11}$")]


class Boat(Section):
    """The hull, as measured or as the builder states it."""

    name: Text = "unnamed boat"
    length_m: Positive | None = None
    beam_m: Positive | None = None
    draught_m: Positive | None = None
    lightship_kg: Positive | None = None
    planing: Flag = True


class Calibration(Section):
    """How the fuel rate was checked: true flow = factor times shown flow."""

    factor: Annotated[Number, Field(gt=0.5, lt=2.0)] = 1.0
    origin: Annotated[Text, Field(min_length=3)]
    u_pct: NotNegative = 1.0
    """Standard uncertainty of the factor [%]; 1 % when not given (common practice, no source)."""


class Fuel(Section):
    """Tank, reserve, and what is known about the flow figures."""

    capacity_l: Positive | None = None
    capacity_u_pct: NotNegative = 2.0
    """Standard uncertainty of the capacity as the builder states it [%]; 2 % (common practice, no source)."""
    usable_fraction: Annotated[Fraction, Field(gt=0, le=1)] = 0.97
    """Share of the capacity that the pick-up reaches; 0.97 (common practice, no source)."""
    usable_u: Annotated[Fraction, Field(ge=0, le=0.5)] = 0.015
    """Standard uncertainty of that share; 0.015 (common practice, no source)."""
    reserve_fraction: Annotated[Fraction, Field(ge=0, lt=1)] = 0.10
    """Share of the usable fuel kept as reserve; 10 % (common practice, no source)."""
    density_kg_per_m3: Annotated[Number, Field(ge=653, le=1075)] | None = None
    """At 15 °C; the bounds are those of ASTM D1250-80 table 54B, which corrects volumes for temperature."""
    supply_temp_c: Annotated[Number, Field(ge=-40, le=120)] | None = None
    """Temperature at the supply flow meter, where no engine-log column has it [°C]."""
    return_temp_c: Annotated[Number, Field(ge=-40, le=120)] | None = None
    """Same at the return flow meter."""
    calibration: Calibration | None = None
    uncalibrated_u_pct: NotNegative = 2.5
    """Standard uncertainty of an uncalibrated engine fuel rate [%]: ±5 % as found on engine control units
    in agricultural use, k=2 (common practice, no source)."""

    @field_validator("calibration", mode="before")
    @classmethod
    def _a_bare_word_means_none(cls, value: Any) -> Any:
        return None if value in ("", "none", "uncalibrated") else value


TankContents = Literal["fuel", "fresh water", "salt water", "other"]
WATER_KG_PER_M3: dict[TankContents, float] = {"fresh water": 1000.0, "salt water": 1025.0}
"""Density of water in a tank where none is stated [kg/m³]: of fresh water by the old definition of the litre, of the
sea as is common practice, no source; what difference its temperature makes is less than the tank is read to."""
_FUELS = re.compile(r"fuel|diesel|petrol|gasoline|gasoil|\bmgo\b|\bhvo\b", re.IGNORECASE)
_WATERS = re.compile(r"water|ballast", re.IGNORECASE)
_SALT = re.compile(r"\b(?:salt|sea|brine)\b|sea-?water|salt-?water", re.IGNORECASE)


class Tank(Section):
    """One tank on the load sheet."""

    name: Text = "tank"
    capacity_l: Positive
    fraction: Share
    water: Literal["fresh", "salt"] | None = None
    """What water it holds; by its name when not given, and fresh unless the name says salt or sea."""
    density_kg_per_m3: Annotated[Number, Field(ge=600, le=1400)] | None = None
    """Of water (`WATER_KG_PER_M3`) or of the boat's fuel when not given and the tank holds that. Bounds: below any
    fuel, above any liquid cargo of a boat (our choice)."""

    @property
    def contents(self) -> TankContents:
        """What the tank holds, as declared or by its name."""
        return tank_contents(self.name, self.water)

    @model_validator(mode="before")
    @classmethod
    def _density_may_be_short(cls, data: Any) -> Any:
        if isinstance(data, Mapping) and "density" in data and "density_kg_per_m3" not in data:
            data = dict(data)
            data["density_kg_per_m3"] = data.pop("density")
        return data


def tank_contents(name: str, water: str | None) -> TankContents:
    """Return what a tank holds: the water that it declares, else what its name says."""
    if water is not None:
        return "salt water" if water == "salt" else "fresh water"
    if _FUELS.search(name):
        return "fuel"
    if _WATERS.search(name):
        return "salt water" if _SALT.search(name) else "fresh water"
    return "other"


class Load(Section):
    """What was on board beyond the light ship."""

    tanks: tuple[Tank, ...] = ()
    persons: Annotated[Whole, Field(ge=0, le=10_000)] | None = None
    person_kg: Positive = 75.0
    """Mass of one person [kg]; 75 kg (common practice, no source)."""
    gear_kg: NotNegative | None = None


class Engine(Section):
    """One propulsion engine."""

    id: EngineId
    rated_rpm: Positive
    idle_rpm: Positive = 600.0
    """Speed at idle; 600 rpm (common practice for Diesel engines, no source)."""
    highest_rpm: Positive | None = None
    """Readings above are void; 1.25 times the rated speed when not given: overspeed stops act at 1.15 to 1.2 times
    (common practice, no source)."""
    rpm_u_pct: Annotated[Number, Field(ge=0, le=20)] = 0.1
    """Standard uncertainty of the engine speed as shown [%]; 0.1 % for engines that count teeth electronically; a
    needle driven by the alternator is good for 1 to 2 % (common practice, no source)."""
    rated_kw: Positive | None = None
    gear_ratio: Positive | None = None
    propeller_pitch_m: Positive | None = None
    propeller_diameter_m: Positive | None = None
    propeller_blades: Annotated[Whole, Field(ge=1, le=12)] | None = None
    model: Text = ""
    """Maker's name of the engine, for people."""
    nmea_instance: Annotated[Whole, Field(ge=0, le=252)] | None = None

    @property
    def most_rpm(self) -> float:
        """Engine speed above which a reading cannot be [rpm]."""
        return 1.25 * self.rated_rpm if self.highest_rpm is None else self.highest_rpm


class Bands(Section):
    """How held speeds are gathered into RPM bands."""

    steps_rpm: tuple[Positive, ...] = ()
    half_width_rpm: Positive | None = None
    """Half width of a band [rpm]; half the smallest step, at most 100, when not given."""
    automatic: Flag | None = None
    """Cluster what was held; on by itself when `steps_rpm` is empty."""

    @property
    def is_automatic(self) -> bool:
        """True when bands are clusters of what was held."""
        return not self.steps_rpm if self.automatic is None else self.automatic


PlannedManoeuvre = Literal["acceleration", "slow_planing", "turn", "stop", "sound"]
"""What a plan may ask for beside the steps."""


class TrialPlan(Section):
    """What is to be run on the day, so that what is missing can be named.

    The same table is that of a plan file, as in ``configs/plans``; defaults are common practice, no source.
    """

    steps_rpm: tuple[Positive, ...] = ()
    """Engine speeds to hold, ascending; those of ``[bands]`` when not given."""
    full_throttle: Flag = True
    """The last step is full throttle, whatever engine speed that gives."""
    reciprocal: Flag = True
    """Every step is run both ways."""
    ways: Annotated[Whole, Field(ge=1, le=12)] | None = None
    """Runs a step, alternating in direction; 2 when not given, 1 with ``reciprocal = false``."""
    hold_s: Positive | None = None
    """How long each run is held, settling included [s]; what was shorter and is accepted counts all the same."""
    axis_deg: Annotated[Number, Field(ge=0, le=360)] | None = None
    """Direction of the first way [deg true]; that of the first run when not given."""
    warm_up_s: NotNegative | None = None
    marks: Flag = False
    """The throttle is blipped in neutral before the first run and after the last, and each blip is noted."""
    manoeuvres: Flag | tuple[PlannedManoeuvre, ...] = ()
    """True is all of them, false none."""

    @property
    def ways_a_step(self) -> int:
        """Return how many runs a step asks for."""
        return self.ways or (2 if self.reciprocal else 1)

    def wanted(self, planing: bool) -> tuple[PlannedManoeuvre, ...]:
        """Return the manoeuvres asked for; "all" leaves out the planing threshold of a boat that does not plane."""
        if isinstance(self.manoeuvres, tuple):
            return tuple(dict.fromkeys(self.manoeuvres))
        every: tuple[PlannedManoeuvre, ...] = get_args(PlannedManoeuvre) if self.manoeuvres else ()
        return tuple(name for name in every if planing or name != "slow_planing")


class Steady(Section):
    """What counts as steady. All defaults are common practice, no source, unless said otherwise."""

    min_duration_s: Positive = 30.0
    rpm_sd_pct: Positive = 0.7
    rpm_slope_pct_per_min: Positive = 1.0
    sog_sd_kn: Positive | None = None
    """Spread of speed about its mean [kn]; 0.4 for a planing boat, 0.3 otherwise, when not given."""
    sog_slope_kn_per_min: Positive = 0.3
    heading_sd_deg: Positive = 5.0
    turn_deg: Positive = 10.0
    """Net change of heading inside a segment [deg]."""
    min_sog_kn: NotNegative = 1.0
    """Below this a boat is lying still or manoeuvring, not on trial."""
    guard_s: NotNegative | None = None
    """Left out after every change of rpm or course, whatever the speed seems to do, because noise hides the end
    of a transient [s]; 20 for a planing boat, 30 otherwise, when not given. A hold too short for it and
    `min_duration_s` together loses a quarter less."""
    chauvenet: Flag = False
    """Leave outliers out of the means of a segment by Chauvenet's criterion, once, with the sample standard deviation
    (n-1) of the segment; directions about their circular mean, the least depth never (ISO 19030-2, from memory)."""
    reciprocal_deg: Annotated[Number, Field(gt=0, le=45)] = 15.0
    reciprocal_max_gap_min: Positive = 12.0
    reciprocal_rpm_pct: Positive = 1.0


class Samples(Section):
    """The uniform grid of the trial set."""

    grid_hz: Annotated[Number, Field(ge=0.2, le=100)] = 10.0
    """Rows a second; 10 as the fastest common receivers (common practice, no source); bounds are our choice."""
    max_gap_s: dict[str, Positive] = Field(default_factory=dict)
    """Overrides, by channel group; the defaults are `trialcapture.channels.MAX_GAP_S`."""

    @field_validator("max_gap_s")
    @classmethod
    def _known_groups(cls, value: dict[str, float]) -> dict[str, float]:
        unknown = sorted(set(value) - set(MAX_GAP_S))
        if unknown:
            raise ValueError(f"no such group: {', '.join(unknown)}; groups are {', '.join(MAX_GAP_S)}")
        return value

    def gap_s(self, base_group: str) -> float:
        """Return the longest gap bridged in a group [s]."""
        return self.max_gap_s.get(base_group, MAX_GAP_S[base_group])


UnitSystem = Literal["metric", "us", "imperial"]
"""Units of what people read; files keep those of the program."""


class Report(Section):
    """What people read: terminal, report and figures. No number in a file depends on it."""

    units: UnitSystem = "metric"
    also: UnitSystem | None = None
    """Units printed beside them."""


class WalkRoundItem(Section):
    """One item of a checklist for the walk round, as in ``configs/walk_round.toml``."""

    area: Text
    what: Text
    """What is measured or judged; notes name it by ``what``."""
    kind: Literal["measure", "finding"]
    unit: Text = ""
    """Of a measure."""
    standard: Flag = True
    """False for what not every boat has, or not everybody looks at."""

    @model_validator(mode="after")
    def _a_measure_has_a_unit(self) -> Self:
        if not self.area.strip() or not self.what.strip():
            raise ValueError("an item has an area and says what is looked at")
        if (self.kind == "measure") != bool(self.unit.strip()):
            raise ValueError(f"{self.what}: a measure has a unit, and a finding has none")
        return self


class Trial(Section):
    """Conditions as people saw them; what instruments see comes from the data."""

    title: Text = ""
    place: Text = ""
    tested_by: Text = ""
    """Who made the trial, for people."""
    water: Literal["sea", "fresh", "brackish"] = "sea"
    water_density_kg_per_m3: Annotated[Number, Field(ge=990, le=1060)] | None = None
    """Bounds: warm fresh water to beyond the saltiest sea (our choice)."""
    wave_height_m: NotNegative | None = None
    sea_state: Annotated[Whole, Field(ge=0, le=9)] | None = None
    generator_running: Flag | None = None
    hull_cleaned: Text = ""
    trim: Text = ""
    primary_gnss: Text = ""
    """Source or talker whose position and speed are used first, such as "gps1" or "GP"; "" picks the best."""
    magnetic_variation_deg: Annotated[Number, Field(gt=-180, lt=180)] | None = None
    """East positive; used where a magnetic heading comes without variation."""
    current_max_kn: Annotated[Number, Field(gt=0, le=20)] | None = None
    """Strongest current that chart and tide tables give for place and day [kn]; the bound is beyond the fastest tidal
    streams (common practice, no source)."""
    notes: Text = ""
    walk_round: Annotated[tuple[WalkRoundItem, ...], Field(max_length=500)] = ()
    """The checklist for the walk round; in a file of settings the name of one, such as "walk_round.toml"."""
