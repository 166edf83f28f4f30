"""TOML and JSON that ask for too much are refused with a reason, and what is usual is read as it was."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.bounded_parsing import MOST_DEPTH, MOST_KEYS, parse_json, parse_json_line, parse_toml

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("a = " + "[" * 100_000, "nested"),
        ("a = " + "{a=" * 100_000, "nested"),
        ("a = " + "[" * (MOST_DEPTH + 2) + "]" * (MOST_DEPTH + 2), "nested"),
        (".".join("a" * 400_000) + " = 1", "parts"),
        ("[" + ".".join(["'a b'"] * 100_000) + "]", "parts"),
        ("a" + " . a" * 200_000 + " = 1", "parts"),
        ("\n".join(f"a{n} = 1" for n in range(MOST_KEYS + 1)), "keys"),
        ("a = " + "9" * 5000, "64 bits"),
        ("a = 9223372036854775808", "64 bits"),
        ("a = '" + "x" * 200_000 + "'", "characters"),
        ("#" * (2 << 20), "characters"),
        ("a = ", "value"),
    ],
)
def test_settings_beyond_bounds_are_refused_with_the_reason(text: str, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        parse_toml(text)


@pytest.mark.parametrize("path", sorted(ROOT.glob("configs/*.toml")), ids=lambda path: path.name)
def test_our_settings_read_as_the_standard_library_reads_them(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert parse_toml(text) == tomllib.loads(text)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (b"[" * 1_000_000, "nested"),
        (b'{"a":' * 100_000, "nested"),
        (b"[" * 40 + b"]" * 40, "nested"),
        (b"NaN", "no number"),
        (b"[-Infinity]", "no number"),
        (b"1e999", "no number"),
        (b"9" * 5000, "64 bits"),
        (b"-9223372036854775809", "64 bits"),
        (b'"' + b"x" * 200_000 + b'"', "characters"),
        (b" " * (2 << 20), "bytes"),
        (b"\xff", "utf-8"),
        (b"", "Expecting"),
    ],
)
def test_json_beyond_bounds_is_refused_with_the_reason(text: bytes, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        parse_json_line(text)


def test_half_a_character_is_replaced() -> None:
    assert parse_json(rb'{"a": "x\ud800y", "b": "\ud83d\ude00"}') == {"a": "x?y", "b": "😀"}


_TEXTS = st.text(st.characters(exclude_categories=["Cs"]))
_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False, allow_infinity=False)
    | _TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_TEXTS, inner),
    max_leaves=20,
)  # fmt: skip


@given(_VALUES)
def test_usual_json_reads_as_the_standard_library_reads_it(value: object) -> None:
    text = json.dumps(value)
    assert parse_json(text) == json.loads(text)
    assert parse_json(text.encode()) == json.loads(text)
