"""An error says what, the value seen, where, and what would be right, in sentences."""

import pytest

from trialcapture.errors import ConfigError, TrialCaptureError


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (TrialCaptureError("this log is empty"), "this log is empty."),
        (
            TrialCaptureError("this unit is not known", seen="gal", where="fuel.unit", expected="write 'US gal'"),
            "this unit is not known, saw 'gal', at fuel.unit. Write 'US gal'.",
        ),
        (TrialCaptureError("too many", seen=7), "too many, saw 7."),
        (TrialCaptureError("too many", seen=0, expected="fewer!"), "too many, saw 0. Fewer!"),
        (TrialCaptureError("odd", seen=b"\xff", expected="is it X?"), "odd, saw b'\\xff'. Is it X?"),
    ],
)
def test_the_parts_make_sentences(error: TrialCaptureError, text: str) -> None:
    assert str(error) == text


def test_every_part_can_be_read_by_machines() -> None:
    error = TrialCaptureError("what", seen=3, where="here", expected="there")
    assert (error.what, error.seen, error.where, error.expected) == ("what", 3, "here", "there")


def test_a_config_error_lists_every_fault_on_its_line() -> None:
    assert str(ConfigError("boat.toml", ["a: saw 1; must be 2"])).splitlines() == [
        "the configuration has 1 fault, at boat.toml.",
        "  - a: saw 1; must be 2",
    ]
    lines = str(ConfigError("boat.toml", ["engine[0].id: missing", "b: no such key"])).splitlines()
    assert lines[0] == "the configuration has 2 faults, at boat.toml."
    assert lines[-1].endswith("engine[0] is the first [[engine]].")
