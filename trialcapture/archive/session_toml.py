"""``session.toml`` as text: the ``[session]`` table, and the settings word by word as they were given."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any

import tomli_w

from trialcapture.config import Config

_SETTINGS_BELOW = "# ---- boat and trial settings, as given ----"
_SESSION_BELOW = "# ---- the session ----"


def compose(head: Mapping[str, Any], config_text: str) -> str:
    """Return the text of ``session.toml``.

    Args:
        head: Content of the ``[session]`` table.
        config_text: TOML text of the settings; kept with its comments. A ``[session]`` table in it, as the
            settings of another session have, stays behind.
    """
    settings = tomllib.loads(config_text)
    is_other = settings.pop("session", None) is not None
    text = tomli_w.dumps(settings) if is_other else config_text.strip()
    own = tomli_w.dumps({"session": head})
    whole = f"{own}\n{_SETTINGS_BELOW}\n{text}\n"
    if parses_to(whole, {"session": head, **settings}):
        return whole
    # Keys above the first table of the settings would be the session's: it goes below them.
    return f"{text}\n\n{_SESSION_BELOW}\n{own}"


def settings_part(text: str, settings: Mapping[str, Any]) -> str:
    """Return the settings in a ``session.toml`` as they were given, or said plainly where that cannot be told.

    Args:
        text: The whole file.
        settings: What it says beside the ``[session]`` table.
    """
    below = text.partition(f"\n{_SETTINGS_BELOW}\n")[2]
    above = text.partition(f"\n{_SESSION_BELOW}\n")[0]
    return next((part for part in (below, above) if parses_to(part, settings)), tomli_w.dumps(settings))


def settings_text(config: Config) -> str:
    """Return the settings that differ from their defaults, as TOML."""
    return tomli_w.dumps(_without_none(config.model_dump(mode="json", exclude_defaults=True)))


def parses_to(text: str, data: Mapping[str, Any]) -> bool:
    """Return whether a text is TOML and says just that."""
    try:
        return tomllib.loads(text) == data
    except tomllib.TOMLDecodeError:
        return False


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, list):
        return [_without_none(item) for item in value]
    return value
