"""Columns of numbers with equally many decimals: those of `float`, bit by bit, or left to others."""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.decode.engine_log.log_cells import read_equal_decimals

MARGIN = b"5" * 8  # digits, so that nothing around a number can pass as nothing


def read(cells: list[str], decimal: str = ".") -> npt.NDArray[np.float64] | None:
    raw = [cell.encode() for cell in cells]
    length = np.array([len(cell) for cell in raw], np.int64)
    start = np.cumsum(length + len(MARGIN)) - length
    buf = np.frombuffer(b"".join(MARGIN + cell for cell in raw), np.uint8)
    return read_equal_decimals(buf, start, length, decimal)


@st.composite
def equal_columns(draw: st.DrawFn) -> tuple[list[str], str]:
    places = draw(st.integers(0, 7))
    whole = st.from_regex(rf"[0-9]{{{0 if places else 1},{7 - places if places else 8}}}", fullmatch=True)
    decimals = st.from_regex(rf"[0-9]{{{places}}}", fullmatch=True)
    mark = draw(st.sampled_from(".,"))
    pairs = draw(st.lists(st.tuples(whole, decimals), min_size=1, max_size=20))
    return [f"{before}{mark if places else ''}{after}" for before, after in pairs], mark


@settings(max_examples=300, deadline=None)
@given(equal_columns())
def test_equal_columns_are_those_of_float_bit_by_bit(column: tuple[list[str], str]) -> None:
    cells, mark = column
    found = read(cells, mark)
    assert found is not None
    assert found.tobytes() == np.array([float(cell.replace(",", ".")) for cell in cells]).tobytes()


@settings(max_examples=300, deadline=None)
@given(equal_columns(), st.data())
def test_one_other_character_leaves_the_column_to_others(column: tuple[list[str], str], data: st.DataObject) -> None:
    cells, mark = column
    which = data.draw(st.integers(0, len(cells) - 1))
    at = data.draw(st.integers(0, len(cells[which]) - 1))
    other = data.draw(st.characters(max_codepoint=255, exclude_characters=f"0123456789{mark}"))
    cells[which] = cells[which][:at] + other + cells[which][at + 1 :]
    assert read(cells, mark) is None


@pytest.mark.parametrize(
    "cells",
    [["1.5", ""], ["", "1.5"], ["1.5", "5"], ["5", "1.5"], ["1.5", "1.25"], ["1.", "2."], ["12345.678"],
     ["1.5", "15."], ["1.55", ".555"], ["1..5", "1.25"], ["-1.5", "1.5"], ["1,5", "1.5"]],
)  # fmt: skip
def test_unequal_columns_are_left_to_others(cells: list[str]) -> None:
    assert read(cells) is None
