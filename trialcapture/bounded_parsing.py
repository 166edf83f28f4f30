"""TOML and JSON that may come from anybody, read within bounds.

Both formats let a small text ask for much: nesting beyond what a program can follow, keys in numbers or lengths that
take hours, numbers that no table holds. What is beyond the bounds is refused with its reason, before or after
parsing, whichever is cheap.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator
from typing import Any

MOST_TOML_BYTES = 1 << 20
MOST_JSON_BYTES = 64 << 20
MOST_LINE_BYTES = 1 << 20
"""Longest JSON line."""
MOST_DEPTH = 32
MOST_KEYS = 20_000
MOST_JSON_ITEMS = 2_000_000
LONGEST_TEXT = 100_000
"""Bounds of what settings, notes and summaries are (our choice: a hundred times what was ever seen)."""
_LEAST_INT, _MOST_INT = -(2**63), 2**63 - 1

# A dotted key costs the square of its parts to read. Possessive, so that no text is looked at twice.
_KEY = r"""(?>[A-Za-z0-9_-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_LONG_KEY = re.compile(rf"(?<![A-Za-z0-9_-]){_KEY}(?:[ \t]*+\.[ \t]*+{_KEY}){{{MOST_DEPTH}}}")


def parse_toml(text: str) -> dict[str, Any]:
    """Return what a TOML text says.

    Args:
        text: TOML 1.0.

    Raises:
        ValueError: It is no TOML, is longer or deeper than settings are, or holds a whole number that does not fit 64
            bits (TOML 1.0 asks for an error then). ``inf`` and ``nan`` are TOML: who reads the key refuses them.
    """
    if len(text) > MOST_TOML_BYTES:
        raise ValueError(f"{len(text)} characters; settings have at most {MOST_TOML_BYTES}")
    if _LONG_KEY.search(text):
        raise ValueError(f"a key of more than {MOST_DEPTH} parts")
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise ValueError(f"nested more than {MOST_DEPTH} deep") from None
    except tomllib.TOMLDecodeError as fault:
        raise ValueError(str(fault)) from fault
    except ValueError as fault:  # a whole number of thousands of digits
        raise ValueError("a whole number that does not fit 64 bits") from fault
    _check(data, MOST_KEYS)
    return data


def parse_json(text: bytes | str, *, most_bytes: int = MOST_JSON_BYTES) -> Any:
    """Return what a JSON text says.

    Half of an escaped pair, which is no character, is replaced.

    Args:
        text: JSON (RFC 8259), UTF-8 where bytes.
        most_bytes: Longest that is read.

    Raises:
        ValueError: It is no JSON, is longer or deeper than ours are, or holds a number that is none or does not fit 64
            bits.
    """
    if len(text) > most_bytes:
        raise ValueError(f"{len(text)} bytes; at most {most_bytes} are read")
    letters = text.decode("utf-8-sig") if isinstance(text, bytes) else text
    try:
        data = _loads(letters)
        if "\\ud" in letters.lower():
            data = _loads(json.dumps(data, ensure_ascii=False).encode("utf-8", "replace").decode())
    except RecursionError:
        raise ValueError(f"nested more than {MOST_DEPTH} deep") from None
    _check(data, MOST_JSON_ITEMS)
    return data


def parse_json_line(line: bytes) -> Any:
    """Return what one line of a JSON-lines file says; raises as `parse_json`."""
    return parse_json(line, most_bytes=MOST_LINE_BYTES)


def _loads(letters: str) -> Any:
    return json.loads(letters, parse_int=_whole, parse_float=_finite, parse_constant=_finite)


def _whole(digits: str) -> int:
    if len(digits) > 20 or not _LEAST_INT <= (value := int(digits)) <= _MOST_INT:
        raise ValueError("a whole number that does not fit 64 bits")
    return value


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError(f"{digits[:20]} is no number that can be used")
    return value


def _check(data: Any, most_items: int) -> None:
    """Walk a value without recursion, so that its depth cannot end the walk."""
    count = 0
    waiting: list[Iterator[Any]] = [iter((data,))]
    while waiting:
        value = next(waiting[-1], waiting)
        if value is waiting:
            waiting.pop()
            continue
        count += 1
        if count > most_items:
            raise ValueError(f"more than {most_items} keys and values")
        if isinstance(value, dict):
            if any(len(key) > LONGEST_TEXT for key in value):
                raise ValueError(f"a key of more than {LONGEST_TEXT} characters")
            waiting.append(iter(value.values()))
        elif isinstance(value, list):
            waiting.append(iter(value))
        elif isinstance(value, str) and len(value) > LONGEST_TEXT:
            raise ValueError(f"a text of {len(value)} characters; at most {LONGEST_TEXT} are read")
        elif isinstance(value, int) and not _LEAST_INT <= value <= _MOST_INT:
            raise ValueError("a whole number that does not fit 64 bits")
        if len(waiting) > MOST_DEPTH + 1:
            raise ValueError(f"nested more than {MOST_DEPTH} deep")
