"""Engine figures that a person read off the displays stand where nothing was recorded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.buffers import table_of
from trialcapture.config import load_config
from trialcapture.prepare.steady.segment_review import (
    FLUTTER,
    FLUTTER_WORTH,
    READ_BY_HAND,
    TYPED_WITHIN_S,
    HandReading,
    last_digit,
    with_readings,
)
from trialcapture.prepare.steady.segments import segments_schema

S = 1_000_000_000
T0 = 1_778_746_200 * S
ENGINES = ("port", "stbd")
CONFIG = load_config('[[engine]]\nid = "port"\nrated_rpm = 2600\n[[engine]]\nid = "stbd"\nrated_rpm = 2600\n')


def stretches(*times: tuple[float, float], **known: float) -> pa.Table:
    rows = [
        {"segment_id": k, "start": T0 + round(a * S), "stop": T0 + round(b * S), "accepted": True, **known}
        for k, (a, b) in enumerate(times, 1)
    ]
    return table_of(rows, segments_schema(ENGINES))


def read(at_s: float, value: float, channel: str = "rpm", engine: str = "port", count: float = 10.0) -> HandReading:
    return HandReading(T0 + round(at_s * S), engine, channel, value, count)


def of_both(at_s: float, value: float, channel: str = "rpm", count: float = 10.0) -> list[HandReading]:
    return [read(at_s, value, channel, engine, count) for engine in ENGINES]


def given(table: pa.Table, readings: Sequence[HandReading]) -> tuple[list[dict[str, Any]], list[str]]:
    found, lost = with_readings(table, readings, CONFIG)
    return found.to_pylist(), list(lost)


def test_the_mean_of_the_readings_of_every_engine_makes_the_speed_and_flow_of_a_stretch() -> None:
    readings = [*of_both(10, 2100), *of_both(40, 2120), *of_both(20, 80.0, "fuel_l_per_h", 0.5)]
    (row,), lost = given(stretches((0, 60)), readings)
    assert not lost
    assert row["rpm_mean"] == pytest.approx(2110)
    assert row["fuel_l_per_h_mean"] == pytest.approx(160.0)
    assert row["rpm_stbd_mean"] == pytest.approx(2110)
    assert row[READ_BY_HAND] == "fuel port, rpm port, fuel stbd, rpm stbd"


def test_without_readings_nothing_changes() -> None:
    table = stretches((0, 60), rpm_mean=2000.0)
    found, lost = with_readings(table, [], CONFIG)
    assert found.drop_columns([READ_BY_HAND]).equals(table)
    assert found[READ_BY_HAND].to_pylist() == [None]
    assert lost == ()


def test_what_was_recorded_is_never_replaced() -> None:
    (row,), _ = given(stretches((0, 60), rpm_port_mean=2000.0, rpm_mean=2000.0), [read(10, 2500)])
    assert row["rpm_port_mean"] == 2000.0
    assert row["rpm_mean"] == 2000.0
    assert row[READ_BY_HAND] is None


def test_one_engine_recorded_and_one_read_make_a_whole() -> None:
    (row,), _ = given(stretches((0, 60), rpm_port_mean=2000.0), [read(10, 2040, engine="stbd")])
    assert row["rpm_mean"] == pytest.approx(2020.0)
    assert row[READ_BY_HAND] == "rpm stbd"


def test_the_boat_has_no_figure_while_one_engine_was_not_read() -> None:
    (row,), _ = given(stretches((0, 60)), [read(10, 2100), read(10, 80.0, "fuel_l_per_h")])
    assert row["rpm_mean"] is None
    assert row["fuel_l_per_h_mean"] is None
    assert row["fuel_u_l_per_h"] is None


@pytest.mark.parametrize(
    ("at_s", "row"),
    [(-0.1, None), (0.0, 0), (59.9, 0), (60.0 + TYPED_WITHIN_S - 0.1, 0), (60.0 + TYPED_WITHIN_S, None), (500.0, 1)],
)
def test_a_reading_belongs_to_the_stretch_it_was_made_in_or_typed_right_after(at_s: float, row: int | None) -> None:
    rows, lost = given(stretches((0, 60), (400, 560)), of_both(at_s, 2100))
    assert [r["rpm_mean"] for r in rows] == [2100.0 if k == row else None for k in range(2)]
    assert len(lost) == (2 if row is None else 0)
    assert all("falls into no steady stretch" in text for text in lost)


def test_a_reading_typed_once_the_next_stretch_has_begun_is_of_that() -> None:
    rows, _ = given(stretches((0, 60), (80, 140)), of_both(85, 2100))
    assert [r["rpm_mean"] for r in rows] == [None, 2100.0]


@pytest.mark.parametrize(("value", "is_possible"), [(8000.0, True), (8001.0, False), (-1.0, False)])
def test_an_impossible_reading_is_left_out_and_told(value: float, is_possible: bool) -> None:
    (row,), lost = given(stretches((0, 60)), of_both(10, value))
    assert (row["rpm_mean"] is not None) == is_possible
    assert len(lost) == (0 if is_possible else 2)
    assert all("not possible" in text for text in lost)


def test_one_reading_is_as_sure_as_the_display_and_the_expected_flutter_allow() -> None:
    (row,), _ = given(stretches((0, 60)), of_both(10, 2100, count=10.0))
    # GUM, JCGM 100:2008, F.2.2.1: q/sqrt(12); the flutter is the expected one, since nothing was repeated
    assert row["rpm_port_rounding_u"] == pytest.approx(math.hypot(10.0 / math.sqrt(12.0), FLUTTER["rpm"] * 2100))


def test_repeated_readings_tell_the_flutter() -> None:
    values = np.array([78.0, 82.0, 80.0, 84.0])
    readings = [r for k, v in enumerate(values) for r in of_both(5 + 10 * k, v, "fuel_l_per_h", 0.1)]
    (row,), _ = given(stretches((0, 60)), readings)
    # pooled standard deviation, GUM 4.2.2 and H.3.6: 2 engines with 3 degrees of freedom each
    squares = 2.0 * np.sum((values / values.mean() - 1.0) ** 2)
    share = math.sqrt((FLUTTER_WORTH * FLUTTER["fuel_l_per_h"] ** 2 + squares) / (FLUTTER_WORTH + 6.0))
    assert row["fuel_u_l_per_h"] == pytest.approx(share * values.mean() / 2.0 * math.sqrt(2.0))
    assert row["fuel_l_per_h_port_rounding_u"] == pytest.approx(0.1 / math.sqrt(12.0))


@pytest.mark.parametrize(
    ("text", "count"),
    [("2150", 10), ("2100", 100), ("2153", 1), ("78.5", 0.1), ("78.0", 0.1), ("0", 1), ("0.05", 0.01), ("2.1e3", 100)],
)
def test_the_last_digit_of_a_number_as_typed(text: str, count: float) -> None:
    assert float(last_digit(text)) == pytest.approx(count)


@pytest.mark.parametrize("text", ["NaN", "inf", "true", "two", "", "[1]"])
def test_what_is_no_number_has_no_last_digit(text: str) -> None:
    with pytest.raises(ValueError, match="no number"):
        last_digit(text)


def test_the_finest_of_all_readings_is_the_displays_count() -> None:
    readings = [*of_both(10, 2100, count=100.0), *of_both(110, 2150, count=10.0)]
    first, second = given(stretches((0, 60), (100, 160)), readings)[0]
    for row, rpm in ((first, 2100), (second, 2150)):
        expected = math.hypot(10.0 / math.sqrt(12.0), FLUTTER["rpm"] * rpm)
        assert row["rpm_port_rounding_u"] == pytest.approx(expected)


def test_a_second_pass_replaces_the_first() -> None:
    once, _ = with_readings(stretches((0, 60)), [], CONFIG)
    twice, _ = with_readings(once, of_both(10, 2100), CONFIG)
    assert twice.column_names == once.column_names
    assert twice[READ_BY_HAND].to_pylist() == ["rpm port, rpm stbd"]


def test_the_order_of_the_readings_changes_nothing() -> None:
    readings = [*of_both(10, 2100), *of_both(40, 2120), *of_both(20, 80.0, "fuel_l_per_h", 0.5)]
    one = with_readings(stretches((0, 60)), readings, CONFIG)[0]
    other = with_readings(stretches((0, 60)), readings[::-1], CONFIG)[0]
    assert one.equals(other)
