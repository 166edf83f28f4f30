"""What comes from anybody is shown as what it is: no escape sequence, no other order, no formula."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from trialcapture.cli.output import tell_lines
from trialcapture.errors import TrialCaptureError
from trialcapture.reduce.tables import LEGS_SCHEMA, legs_csv
from trialcapture.report.terminal import plain_text
from trialcapture.safe_text import clean_lines, clean_text, from_spreadsheet, spreadsheet_text

ROOT = Path(__file__).parents[1]
HOSTILE = "\x1b[2J\x1b]0;owned\x07\x9b31m\r\nerror: all sound\u202egpj.\u2066\u2028\x00\ud800"


def test_control_characters_and_marks_of_direction_are_spelled_out() -> None:
    assert clean_text("a\x1b[31mb") == "a\\x1b[31mb"
    assert clean_text("a\u202eb\u2028c\U000e0041") == "a\\u202eb\\u2028c\\U000e0041"
    assert clean_text("Ærø, 12 kn, 日本") == "Ærø, 12 kn, 日本"
    assert clean_text("1\u00a0000\u202fkn") == "1 000 kn"
    assert clean_lines("a\nb\r") == "a\nb\\x0d"


@given(st.text())
def test_nothing_that_moves_a_cursor_is_left(text: str) -> None:
    shown = clean_text(text)
    assert not re.search("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u2028\u2029\ud800-\udfff]", shown)
    assert all(unicodedata.category(c) != "Cc" for c in shown)
    assert clean_text(shown) == shown


def test_an_error_is_one_clean_line_whatever_it_speaks_of() -> None:
    said = str(TrialCaptureError(f"no {HOSTILE}", seen=HOSTILE, where=HOSTILE, expected=f"x{HOSTILE}"))
    assert said == clean_text(said)
    assert len(said.splitlines()) == 1
    assert len(str(TrialCaptureError("x", seen="y" * 1_000_000))) < 3000


def test_the_band_table_is_clean() -> None:
    out = io.StringIO()
    Console(file=out, width=80).print(plain_text(HOSTILE), markup=False)
    assert "\x1b" not in out.getvalue()
    assert "\u202e" not in out.getvalue()


def test_every_line_of_a_command_goes_through_one_function() -> None:
    """In `cli/` only `cli/output.py` writes to a terminal, and it cleans what it writes."""
    for path in (ROOT / "trialcapture" / "cli").glob("*.py"):
        if path.name != "output.py":
            assert not re.search(r"\bclick\.echo\(|\bprint\(['\"f]", path.read_text(encoding="utf-8")), path.name


def test_a_line_end_of_another_kind_parts_no_row(capsys: pytest.CaptureFixture[str]) -> None:
    tell_lines("name,rpm\nTarn\u2028Plover\x0b\x1b[2J,1800\n")
    assert capsys.readouterr().out == "name,rpm\nTarn\\u2028Plover\\x0b\\x1b[2J,1800\n"


@given(st.text(alphabet=st.sampled_from("=+-@\t\r\n'ax1 ＝")))
def test_cells_never_begin_as_formulas_and_read_back_as_they_were(text: str) -> None:
    cell = spreadsheet_text(text)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝"))
    assert from_spreadsheet(cell) == text


def test_usual_texts_stay_as_they_are() -> None:
    for text in ("tabs 20 %", "'s avonds", "", "1800 rpm", "12.4 kn 09:31"):
        assert spreadsheet_text(text) == text


@pytest.mark.parametrize(
    "trim", ['=HYPERLINK("http://x","y")', "+1+1", "-2+3", "@SUM(1)", "\t=1", 'a"b', "two\nlines", '"']
)
def test_texts_in_legs_are_escaped_and_numbers_are_not(trim: str) -> None:
    row = dict.fromkeys(LEGS_SCHEMA.names) | {"trim": trim, "residual_kn": -1.5}
    legs = pa.Table.from_pylist([row], LEGS_SCHEMA)
    # read by the csv module of Python, which follows RFC 4180
    (read,) = csv.DictReader(io.StringIO(legs_csv(legs).decode(), newline=""))
    assert read["residual_kn"] == "-1.5000"
    assert read["trim"][0] not in "=+-@\t"
    assert from_spreadsheet(read["trim"]) == trim
