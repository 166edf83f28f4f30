"""Boat and trial settings: one TOML file, checked whole, every fault reported at once.

Every limit's default lives in this package, with its source or the words "common practice".
"""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Annotated, Any, Self

import tomli_w
from pydantic import Field, ValidationError, field_validator, model_validator

from trialcapture.bounded_parsing import MOST_TOML_BYTES, parse_toml
from trialcapture.config.inputs import (
    COUNTED_NS,
    EngineLog,
    LocaleWords,
    LogClockSettings,
    LogColumn,
    SourceSettings,
    Xdr,
    fold_word,
    locale_words,
    parse_zone,
)
from trialcapture.config.rules import (
    BY_DENSITY,
    LOG_QUANTITIES,
    default_half_width_rpm,
    find_faults,
    log_channel,
)
from trialcapture.config.sections import (
    WATER_KG_PER_M3,
    Bands,
    Boat,
    Calibration,
    Engine,
    Fuel,
    Load,
    PlannedManoeuvre,
    Report,
    Samples,
    Section,
    Steady,
    Tank,
    TankContents,
    Text,
    Trial,
    TrialPlan,
    UnitSystem,
    WalkRoundItem,
    fault_lines,
)
from trialcapture.errors import ConfigError, TrialCaptureError

__all__ = [
    "BY_DENSITY",
    "COUNTED_NS",
    "LOG_QUANTITIES",
    "WATER_KG_PER_M3",
    "Bands",
    "Boat",
    "Calibration",
    "Config",
    "Engine",
    "EngineLog",
    "Fuel",
    "Load",
    "LocaleWords",
    "LogClockSettings",
    "LogColumn",
    "PlannedManoeuvre",
    "Report",
    "Samples",
    "SourceSettings",
    "Steady",
    "Tank",
    "TankContents",
    "Trial",
    "TrialPlan",
    "UnitSystem",
    "WalkRoundItem",
    "Xdr",
    "config_hash",
    "default_half_width_rpm",
    "fold_word",
    "load_config",
    "locale_words",
    "log_channel",
    "parse_zone",
    "read_config",
    "read_plan",
    "read_walk_round",
    "whole_settings",
    "with_plan",
]


class Config(Section):
    """Everything the program needs to be told about boat, engines, sources and limits."""

    boat: Boat = Field(default_factory=Boat)
    fuel: Fuel = Field(default_factory=Fuel)
    load: Load = Field(default_factory=Load)
    trial: Trial = Field(default_factory=Trial)
    engine: Annotated[tuple[Engine, ...], Field(max_length=4)] = ()
    bands: Bands = Field(default_factory=Bands)
    steady: Steady = Field(default_factory=Steady)
    samples: Samples = Field(default_factory=Samples)
    plan: TrialPlan | None = None
    """None where nothing was planned, or nobody wrote it down."""
    report: Report = Field(default_factory=Report)
    source: tuple[SourceSettings, ...] = ()
    engine_log: tuple[EngineLog, ...] = ()
    xdr: tuple[Xdr, ...] = ()

    @property
    def engine_ids(self) -> tuple[str, ...]:
        """Engine ids in the order given."""
        return tuple(engine.id for engine in self.engine)

    @property
    def guard_s(self) -> float:
        """Time left out after every change of rpm or course [s] (common practice, no source)."""
        if self.steady.guard_s is not None:
            return self.steady.guard_s
        return 20.0 if self.boat.planing else 30.0

    @property
    def sog_sd_kn(self) -> float:
        """Limit on the spread of speed inside a steady segment [kn] (common practice, no source)."""
        if self.steady.sog_sd_kn is not None:
            return self.steady.sog_sd_kn
        return 0.4 if self.boat.planing else 0.3

    @field_validator("plan", mode="before")
    @classmethod
    def _a_plan_file_has_been_read(cls, value: Any) -> Any:
        if isinstance(value, str):
            raise ValueError(  # noqa: TRY004  pydantic reports only these
                "must be a table here; a plan file is named in settings that are a file beside it"
            )
        return value

    @model_validator(mode="after")
    def _keys_agree(self) -> Self:
        if faults := find_faults(self.model_dump()):
            raise ValueError("; ".join(faults))
        return self


def load_config(text: str, where: str = "configuration") -> Config:
    """Read a configuration from TOML text.

    Args:
        text: TOML. A ``[session]`` table, as ``session.toml`` has, is left alone.
        where: What to call the text in messages, usually its path.

    Raises:
        ConfigError: The text is not TOML, or one or more keys cannot be meant; every fault is listed.
    """
    try:
        data = parse_toml(text)
    except ValueError as fault:
        raise ConfigError(where, [f"this is not TOML: {fault}"]) from fault
    data.pop("session", None)
    faults = find_faults(data)
    try:
        config = Config.model_validate(data)
    except ValidationError as fault:
        errors = [error for error in fault.errors(include_url=False) if error["loc"]]
        lines = fault_lines(errors, data, Config)
        lines += [line for line in faults if line not in lines]
        # the keys disagree only with the defaults in place: the message of the whole is all there is
        raise ConfigError(where, lines or [str(e["ctx"]["error"]) for e in fault.errors()]) from fault
    if faults:
        raise ConfigError(where, faults)
    return config


def read_config(path: Path, plan: Path | None = None) -> tuple[Config, str]:
    """Read a configuration file.

    Args:
        path: A TOML file, UTF-8.
        plan: A plan file to take the place of whatever plan the file has or names.

    Returns:
        The configuration and its text, which stands by itself: a plan file and a checklist that it names have been put
        into it.

    Raises:
        TrialCaptureError: A file is missing, unreadable or no text, or a plan file has no plan.
        ConfigError: One or more keys cannot be meant; every fault is listed.
    """
    text = whole_settings(_read_text(path, "the configuration"), path, plan)
    return load_config(text, where=str(path)), text


def whole_settings(text: str, path: Path, plan: Path | None = None) -> str:
    """Return the text of settings with the plan file and the checklist that it names put into it.

    Args:
        text: TOML; what is no TOML is returned as it is.
        path: Where it lies, or will lie; what it names is looked for beside it.
        plan: A plan file to take the place of whatever plan the text has or names.

    Raises:
        TrialCaptureError: A file that is named is missing, unreadable or no text, or a plan file has no plan.
        ConfigError: An item of the checklist cannot be meant.
    """
    named = plan or _plan_file(text, path)
    if named is not None:
        text = with_plan(text, read_plan(named), named.name)
    return _with_walk_round(text, path)


def _plan_file(text: str, path: Path) -> Path | None:
    """Return the plan file that a configuration names, looked for beside it; None where it names none."""
    try:
        name = parse_toml(text).get("plan")
    except ValueError:
        return None  # told when it is loaded
    return path.parent / name if isinstance(name, str) else None


def _with_walk_round(text: str, path: Path) -> str:
    """Return the text of settings with the checklist that ``[trial] walk_round`` names, looked for beside them."""
    try:
        data = parse_toml(text)
    except ValueError:
        return text  # told when it is loaded
    trial = data.get("trial")
    name = trial.get("walk_round") if isinstance(trial, dict) else None
    if not isinstance(name, str):
        return text
    items = [item.model_dump() for item in read_walk_round(path.parent / name)]
    wanted = {**data, "trial": {**data["trial"], "walk_round": items}}
    kept = _NAMED_WALK_ROUND.sub("", text, count=1).rstrip()
    listed = tomli_w.dumps({"trial": {"walk_round": items}}).replace("[trial]\n", "", 1)
    whole = f"{kept}\n\n# The checklist, from {name}.\n{listed}"
    try:
        says_the_same = parse_toml(whole) == wanted
    except ValueError:
        says_the_same = False
    return whole if says_the_same else tomli_w.dumps(wanted)


_NAMED_WALK_ROUND = re.compile(
    r"""^[ \t]*walk_round[ \t]*=[ \t]*(?:"[^"\n]*"|'[^'\n]*')[ \t]*(?:#.*)?\n?""", re.MULTILINE
)


def read_walk_round(path: Path) -> tuple[WalkRoundItem, ...]:
    """Return the items of a checklist for the walk round.

    Raises:
        TrialCaptureError: The file is missing, unreadable or no TOML.
        ConfigError: An item cannot be meant; every fault is listed.
    """
    text = _read_text(path, "the checklist")
    try:
        data = parse_toml(text)
    except ValueError as fault:
        raise TrialCaptureError("the checklist is not TOML", seen=str(fault), where=str(path)) from fault
    try:
        checklist = _Checklist.model_validate(data)
    except ValidationError as fault:
        raise ConfigError(str(path), fault_lines(fault.errors(include_url=False), data, _Checklist)) from fault
    if not checklist.item:
        raise TrialCaptureError(
            "the checklist has no item",
            where=str(path),
            expected="[[item]] tables such as those in configs/walk_round.toml",
        )
    return checklist.item


class _Checklist(Section):
    """A file such as ``configs/walk_round.toml``."""

    title: Text = ""
    item: Annotated[tuple[WalkRoundItem, ...], Field(max_length=500)] = ()


def read_plan(path: Path) -> dict[str, Any]:
    """Return the ``[plan]`` table of a plan file; its other tables are for people.

    Raises:
        TrialCaptureError: The file is missing, unreadable, no TOML, or has no such table.
    """
    text = _read_text(path, "the trial plan")
    try:
        table = parse_toml(text).get("plan")
    except ValueError as fault:
        raise TrialCaptureError("the trial plan is not TOML", seen=str(fault), where=str(path)) from fault
    if not isinstance(table, dict):
        raise TrialCaptureError(
            "the trial plan has no [plan] table",
            where=str(path),
            expected="one such as those in configs/plans, with steps_rpm = [ … ]",
        )
    return table


def with_plan(text: str, table: dict[str, Any], name: str) -> str:
    """Return the text of settings with this plan in the place of theirs, everything else word by word.

    Args:
        text: TOML.
        table: The ``[plan]`` table.
        name: Of the file that it comes from, for a comment.
    """
    try:
        data = parse_toml(text)
    except ValueError:
        return text  # told when it is loaded
    wanted = {**data, "plan": table}
    kept = _NAMED_PLAN.sub("", _PLAN_TABLE.sub("", text, count=1), count=1)
    whole = f"{kept.rstrip()}\n\n# The plan, from {name}.\n{tomli_w.dumps({'plan': table})}"
    try:
        says_the_same = parse_toml(whole) == wanted
    except ValueError:
        says_the_same = False
    return whole if says_the_same else tomli_w.dumps(wanted)


_NAMED_PLAN = re.compile(r"""^[ \t]*plan[ \t]*=[ \t]*(?:"[^"\n]*"|'[^'\n]*')[ \t]*(?:#.*)?\n?""", re.MULTILINE)
_PLAN_TABLE = re.compile(r"^[ \t]*\[plan\][^\n]*\n(?:(?![ \t]*\[)[^\n]*(?:\n|\Z))*", re.MULTILINE)
"""A plan named, and a plan given as a table, as people write them; what is written otherwise loses its comments."""


def _read_text(path: Path, what: str) -> str:
    try:
        with path.open("rb") as file:  # a device may be named, and has no end
            data = file.read(MOST_TOML_BYTES + 1)
        text = data.decode("utf-8-sig") if len(data) <= MOST_TOML_BYTES else ""
    except OSError as fault:
        raise TrialCaptureError(
            f"{what} cannot be read",
            seen="a folder" if path.is_dir() else fault.strerror or str(fault),
            where=str(path),
            expected="give the path of a TOML file",
        ) from fault
    except UnicodeDecodeError as fault:
        raise TrialCaptureError(
            f"{what} is no UTF-8 text",
            seen=f"byte 0x{fault.object[fault.start]:02X} at position {fault.start}",
            where=str(path),
            expected="save it as UTF-8 with a text editor",
        ) from fault
    if len(data) > MOST_TOML_BYTES:
        raise TrialCaptureError(
            f"{what} is longer than settings are",
            seen=f"more than {MOST_TOML_BYTES} bytes",
            where=str(path),
            expected="give the path of a TOML file",
        )
    return text


def config_hash(config: Config) -> str:
    """Return the SHA-256 of the settings as used, defaults included; equal settings give equal hashes.

    How a reader wants to see the results, ``[report]``, changes none of them and has no part in it.
    """
    plain = json.dumps(config.model_dump(mode="json", exclude={"report"}), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(plain.encode()).hexdigest()
