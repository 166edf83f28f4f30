"""Columns of numbers in an engine log: those of `float`, bit by bit; a cell that is none costs itself alone."""

import re

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.config import EngineLog
from trialcapture.decode.engine_log.log_table import decode_engine_log

PLAIN = 300  # sound rows above, so that no log is refused


def read(cells: list[str], decimal: str = ".") -> tuple[npt.NDArray[np.float64], list[bytes]]:
    """Return the numbers of a column, NaN where there is none, and the rejected cells."""
    columns = {"time": "Time", "rpm_port": {"name": "RPM", "unit": "rpm"}}
    spec = EngineLog.model_validate(
        {"columns": columns, "delimiter": ";", "decimal": decimal, "time_format": "elapsed_s"}
    )
    lines = [f"{n};{cell}" for n, cell in enumerate(["1"] * PLAIN + cells)]
    table, rejects = decode_engine_log("\n".join(["Time;RPM", *lines, ""]).encode(), spec, ("port",), "log.csv")
    assert table["row"].to_pylist() == list(range(1, len(lines) + 1))
    found = [np.nan if value is None else value for value in table["rpm_port"].to_pylist()[PLAIN:]]
    return np.array(found), rejects["bytes"].to_pylist()


def value(cell: str, decimal: str = ".") -> float:
    """Return what `float` makes of a cell, NaN where it is no finite number in digits."""
    text = cell.strip() if decimal == "." else cell.strip().replace(".", "?").replace(decimal, ".")
    is_number = re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text, re.ASCII)
    return float(text) if is_number and np.isfinite(float(text)) else np.nan


@st.composite
def equal_columns(draw: st.DrawFn) -> tuple[list[str], str]:
    places = draw(st.integers(0, 7))
    whole = st.from_regex(rf"[0-9]{{{0 if places else 1},{7 - places if places else 8}}}", fullmatch=True)
    decimals = st.from_regex(rf"[0-9]{{{places}}}", fullmatch=True)
    mark = draw(st.sampled_from(".,"))
    pairs = draw(st.lists(st.tuples(whole, decimals), min_size=1, max_size=20))
    return [f"{before}{mark if places else ''}{after}" for before, after in pairs], mark


@settings(max_examples=100, deadline=None)
@given(equal_columns())
def test_equal_columns_are_those_of_float_bit_by_bit(column: tuple[list[str], str]) -> None:
    cells, mark = column
    found, rejects = read(cells, mark)
    assert found.tobytes() == np.array([float(cell.replace(",", ".")) for cell in cells]).tobytes()
    assert rejects == []


@settings(max_examples=100, deadline=None)
@given(equal_columns(), st.data())
def test_one_other_character_costs_its_own_cell_alone(column: tuple[list[str], str], data: st.DataObject) -> None:
    cells, mark = column
    which = data.draw(st.integers(0, len(cells) - 1))
    at = data.draw(st.integers(0, len(cells[which]) - 1))
    other = data.draw(st.characters(max_codepoint=255, exclude_characters=f'0123456789{mark};"\0\r\n'))
    cells[which] = cells[which][:at] + other + cells[which][at + 1 :]
    found, rejects = read(cells, mark)
    expected = np.array([value(cell, mark) for cell in cells])
    assert found.tobytes() == expected.tobytes()
    is_void = cells[which].strip() in ("", "-")
    odd = cells[which].strip() if np.isnan(expected[which]) and not is_void else None
    assert rejects == ([] if odd is None else [f"RPM={odd}".encode()])


@pytest.mark.parametrize(
    "cells",
    [["1.5", ""], ["", "1.5"], ["1.5", "5"], ["5", "1.5"], ["1.5", "1.25"], ["1.", "2."], ["12345.678"],
     ["1.5", "15."], ["1.55", ".555"], ["1..5", "1.25"], ["-1.5", "1.5"], ["1,5", "1.5"], ["inf", "1"], ["nan", "1"],
     ["1e999", "1"], ["1e0005", "1"], ["0x10", "1"], ["1_0", "1"], ["\uff15", "1"], ["+5", "1"], ["-0", "0"]],
)  # fmt: skip
def test_unequal_columns_are_read_cell_by_cell(cells: list[str]) -> None:
    found, rejects = read(cells)
    assert found.tobytes() == np.array([value(cell) for cell in cells]).tobytes()
    odd = [cell for cell in cells if np.isnan(value(cell)) and cell not in ("", "nan")]
    assert rejects == [f"RPM={cell}".encode() for cell in odd]
