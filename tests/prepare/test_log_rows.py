"""Rows of an engine log as offloaded: newest first, written twice, engines exchanged; a counter that starts again."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from tests.prepare.test_log_pieces import UTC0_S, case
from trialcapture.config import load_config
from trialcapture.prepare.channels.engine_readings import slope_of_total
from trialcapture.prepare.clocks.log_alignment import find_exchanged
from trialcapture.prepare.clocks.log_clock import find_repeated, is_newest_first, row_codes

TWO = load_config(
    """
[[engine]]
id = "port"
rated_rpm = 3000
[[engine]]
id = "stbd"
rated_rpm = 3000
"""
)


def rows(count: int = 400, seed: int = 1, *, increments: bool = True) -> pa.Table:
    rng = np.random.default_rng(seed)
    rpm = np.round(rng.normal(1500.0, 300.0, count)) if increments else np.zeros(count)
    stamps = UTC0_S * 10**9 + np.arange(count) * 10**9
    return pa.table({"row": np.arange(count), "t_log_ns": stamps, "rpm_port": rpm, "fuel_l_per_h_port": rpm / 40.0})


def repeated(table: pa.Table) -> list[int]:
    return np.flatnonzero(find_repeated(np.asarray(table["t_log_ns"]), row_codes(table))).tolist()


def test_newest_first_is_told_from_oldest_first_and_from_a_clock_put_back() -> None:
    stamps = np.asarray(rows()["t_log_ns"])
    assert is_newest_first(stamps[::-1])
    assert not is_newest_first(stamps)
    assert not is_newest_first(np.concatenate([stamps, stamps - 3600 * 10**9]))


def test_a_stretch_offloaded_twice_counts_once() -> None:
    table = rows()
    twice = pa.concat_tables([table.slice(0, 300), table.slice(150)])
    assert repeated(twice) == list(range(300, 450))
    assert repeated(table) == []


def test_every_row_written_twice_counts_once() -> None:
    table = rows(60).take(pa.array(np.repeat(np.arange(60), 2)))
    assert repeated(table) == list(range(1, 120, 2))


def test_rows_that_only_look_alike_are_kept() -> None:
    # five rows a second with stamps in whole seconds, as the engine stands still for part of the time
    fast = rows(500)
    stamps = np.asarray(fast["t_log_ns"])[np.arange(500) // 5]
    rpm = np.where(np.arange(500) < 200, 0.0, np.asarray(fast["rpm_port"]))
    fast = fast.set_column(1, "t_log_ns", pa.array(stamps)).set_column(2, "rpm_port", pa.array(rpm))
    fast = fast.set_column(3, "fuel_l_per_h_port", pa.array(rpm / 40.0))
    assert repeated(fast) == []
    # a clock put back while the engine is off
    still = rows(200, increments=False)
    assert repeated(pa.concat_tables([still, still.slice(100)])) == []


@pytest.mark.parametrize("are_exchanged", [False, True])
def test_engines_under_each_others_heading_are_named_and_nothing_else(are_exchanged: bool) -> None:
    rng = np.random.default_rng(3)
    made = case(seed=3)
    t_ns = np.rint(made.utc_s * 1e9).astype(np.int64)
    rpm = np.asarray(made.log["rpm_main"])
    apart = 1.0 + 0.002 * np.sign(np.sin(made.utc_s / 200.0))
    logged = {"port": rpm * apart, "stbd": rpm / apart}
    network = {e: np.round(v + rng.normal(0.0, 2.0, rpm.size)) for e, v in logged.items()}
    if are_exchanged:
        logged = {"port": logged["stbd"], "stbd": logged["port"]}
    log = pa.table({f"rpm_{e}": v for e, v in logged.items()})
    series = {f"rpm_{e}": pa.table({"t_ns": t_ns, f"rpm_{e}": v}) for e, v in network.items()}
    found = find_exchanged("log.csv", log, t_ns, series, TWO)
    assert [d.action for d in found] == (["warning"] if are_exchanged else [])
    assert all("port and stbd may be exchanged" in d.cost for d in found)


def test_engines_that_do_not_differ_measurably_are_never_called_exchanged() -> None:
    made = case(seed=3)
    t_ns = np.rint(made.utc_s * 1e9).astype(np.int64)
    rpm = np.asarray(made.log["rpm_main"])
    log = pa.table({"rpm_port": rpm, "rpm_stbd": rpm})
    series = {f"rpm_{e}": pa.table({"t_ns": t_ns, f"rpm_{e}": np.round(rpm / 25.0) * 25.0}) for e in ("port", "stbd")}
    assert find_exchanged("log.csv", log, t_ns, series, TWO) == []


def test_a_total_that_starts_again_at_nought_gives_no_rate_there_and_the_right_one_elsewhere() -> None:
    t_ns = np.arange(600) * 10**9
    total = np.arange(600) * 0.01
    total[300:] -= total[300]
    rate = slope_of_total(t_ns, total)
    known = np.isfinite(rate)
    assert known.mean() > 0.9
    assert rate[known] == pytest.approx(36.0, rel=1e-6)
