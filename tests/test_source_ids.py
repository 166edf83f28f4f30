"""A second sender on a source is journalled under a numbered id and inherits what was declared for the source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialcapture.acquire.received_lines import numbered_id
from trialcapture.config.inputs import declared_source


@pytest.mark.parametrize(
    ("seen", "declared", "meant"),
    [
        ("gps1", {"gps1"}, "gps1"),
        ("gps1-2", {"gps1"}, "gps1"),
        ("gps1-13", {"gps1", "bus"}, "gps1"),
        ("gps1-2", {"gps1", "gps1-2"}, "gps1-2"),  # declared under this very name
        ("gps-1", {"gps"}, "gps-1"),  # the first sender carries no number
        ("gps1-02", {"gps1"}, "gps1-02"),
        ("gps1-", {"gps1"}, "gps1-"),
        ("other-2", {"gps1"}, "other-2"),
        ("a-2-3", {"a-2"}, "a-2"),
        ("long-source-i-2", {"long-source-id1"}, "long-source-id1"),
        ("long-source-i-2", {"long-source-id1", "long-source-id2"}, "long-source-i-2"),
        ("", {"gps1"}, ""),
    ],
)
def test_a_numbered_id_is_that_of_its_source(seen: str, declared: set[str], meant: str) -> None:
    assert declared_source(seen, declared) == meant


@given(st.from_regex(r"[A-Za-z0-9_-]{1,15}", fullmatch=True), st.integers(1, 64))
def test_what_the_recorder_numbers_is_found_again(source: str, number: int) -> None:
    assert declared_source(numbered_id(source, number), [source]) == source
