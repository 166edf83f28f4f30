"""The fuel rate from an engine log: two meters and their temperatures, running totals, and what is said of them."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.config import Config, load_config
from trialcapture.decode.engine_log.log_table import decode_engine_log
from trialcapture.prepare.channels.engine_readings import (
    TEMPERATURE_GAP_S,
    engine_fuel_l_per_h,
    fuel_rate_warnings,
    gather_log,
    slope_of_total,
)

ENGINE = '[[engine]]\nid = "main"\nrated_rpm = 2400\n'
SECOND_NS = 10**9


def times_ns(n: int, dt_s: float = 1.0) -> np.ndarray:
    return 1_790_000_000 * SECOND_NS + np.round(np.arange(n) * dt_s * 1e9).astype(np.int64)


def table(**columns: object) -> pa.Table:
    return pa.table({f"{name}_main": np.asarray(values, dtype=np.float64) for name, values in columns.items()})


def rate_of(log: pa.Table, t_ns: np.ndarray, config: Config) -> np.ndarray:
    (found,) = gather_log(log, t_ns, "port.csv", config)["fuel_main"]
    return found.values["fuel_l_per_h_main"]


def meters(n: int = 5, **more: object) -> pa.Table:
    return table(fuel_supply_l_per_h=np.full(n, 100.0), fuel_return_l_per_h=np.full(n, 60.0), **more)


def test_two_meters_with_temperature_columns_give_the_volume_at_fifteen_degrees() -> None:
    config = load_config("[fuel]\ndensity_kg_per_m3 = 845\n" + ENGINE)
    log = meters(fuel_supply_temp_c=np.full(5, 25.0), fuel_return_temp_c=np.full(5, 55.0))
    # ASTM D1250-80 table 54B: 41.189 L/h; plain subtraction would give 40
    assert rate_of(log, times_ns(5), config) == pytest.approx(np.full(5, 41.189), abs=1e-3)
    assert fuel_rate_warnings(log, times_ns(5), "port.csv", config) == []


def test_declared_temperatures_stand_in_and_a_column_wins_over_them() -> None:
    text = "[fuel]\ndensity_kg_per_m3 = 845\nsupply_temp_f = 77\nreturn_temp_c = 55\n" + ENGINE
    config = load_config(text)
    assert rate_of(meters(), times_ns(5), config) == pytest.approx(np.full(5, 41.189), abs=1e-3)
    cold = meters(fuel_return_temp_c=np.full(5, 25.0))
    assert rate_of(cold, times_ns(5), config) == pytest.approx(np.full(5, 40.0 * 0.99161), abs=1e-3)


@pytest.mark.parametrize(
    ("fuel", "columns", "missing"),
    [
        ("density_kg_per_m3 = 845", {}, "the supply temperature and the return temperature not known"),
        ("density_kg_per_m3 = 845\nsupply_temp_c = 25", {}, ": the return temperature not known"),
        ("supply_temp_c = 25", {"fuel_return_temp_c": np.full(5, 55.0)}, ": the density of the fuel not known"),
        ("density_kg_per_m3 = 845\nsupply_temp_c = 25", {"fuel_return_temp_c": np.full(5, np.nan)}, "return"),
    ],
)
def test_without_temperatures_two_meters_are_subtracted_and_a_warning_says_so(
    fuel: str, columns: dict[str, np.ndarray], missing: str
) -> None:
    config = load_config(f"[fuel]\n{fuel}\n{ENGINE}")
    log = meters(**columns)
    assert rate_of(log, times_ns(5), config).tolist() == [40.0] * 5
    (said,) = fuel_rate_warnings(log, times_ns(5), "port.csv", config)
    assert missing in said
    assert "engine main" in said
    assert "port.csv" in said


def test_a_temperature_is_bridged_over_a_short_gap_and_void_past_a_long_one() -> None:
    config = load_config("[fuel]\ndensity_kg_per_m3 = 845\nsupply_temp_c = 25\n" + ENGINE)
    n = 600
    hot = np.full(n, 55.0)
    hot[100:160] = np.nan
    hot[200:] = np.nan
    rate = engine_fuel_l_per_h(
        {
            "fuel_supply_l_per_h_main": np.full(n, 100.0),
            "fuel_return_l_per_h_main": np.full(n, 60.0),
            "fuel_return_temp_c_main": hot,
        },
        "main",
        times_ns(n),
        config.fuel,
    )
    assert rate is not None
    last = 199 + round(TEMPERATURE_GAP_S)
    assert rate[: last + 1] == pytest.approx(np.full(last + 1, 41.189), abs=1e-3)
    assert np.isnan(rate[last + 1 :]).all()


def test_a_log_file_with_temperature_columns_in_fahrenheit_is_corrected_too() -> None:
    config = load_config(
        "[fuel]\ndensity_kg_per_m3 = 845\n"
        + ENGINE
        + """
[[engine_log]]
time_format = "unix_s"
[engine_log.columns]
time = "t"
fuel_supply_main = { name = "out", unit = "L/h" }
fuel_return_main = { name = "back", unit = "L/h" }
fuel_supply_temp_main = { name = "out temp", unit = "°F" }
fuel_return_temp_main = { name = "back temp", unit = "°F" }
"""
    )
    text = "t,out,back,out temp,back temp\n" + "".join(f"{1_790_000_000 + k},100,60,77,131\n" for k in range(4))
    log, _ = decode_engine_log(
        text.encode(), config.engine_log[0], config.engine_ids, where="main.csv", density_kg_per_m3=845.0
    )
    assert rate_of(log, times_ns(4), config) == pytest.approx(np.full(4, 41.189), abs=1e-3)


def test_a_density_outside_the_table_is_a_fault_of_the_settings() -> None:
    with pytest.raises(Exception, match=r"fuel\.density_kg_per_m3.*653"):
        load_config("[fuel]\ndensity_kg_per_m3 = 600\n")


def test_a_void_rate_column_gives_way_to_what_else_the_log_holds() -> None:
    config = load_config(ENGINE)
    log = table(fuel_l_per_h=np.full(100, np.nan), fuel_total_l=np.arange(100) / 100.0)
    assert rate_of(log, times_ns(100), config) == pytest.approx(np.full(100, 36.0))
    assert engine_fuel_l_per_h({}, "main", times_ns(3), config.fuel) is None


def test_the_slope_of_a_total_beats_differencing_it() -> None:
    # 40 L/h counted in steps of 0.01 L and read at 1 Hz, and at 5 Hz with 5 ml of noise
    rng = np.random.default_rng(11)
    for dt_s, noise in ((1.0, 0.0), (0.2, 0.005)):
        t_ns = times_ns(round(600 / dt_s), dt_s)
        total = np.floor((40.0 * np.arange(t_ns.size) * dt_s / 3600.0 + rng.normal(0, noise, t_ns.size)) / 0.01) * 0.01
        total = np.maximum.accumulate(total)
        inner = slice(round(20 / dt_s), -round(20 / dt_s))
        slope = slope_of_total(t_ns, total)[inner]
        differenced = (np.diff(total) / dt_s * 3600.0)[inner]
        assert np.sqrt(np.mean((slope - 40.0) ** 2)) < 2.5
        assert np.sqrt(np.mean((differenced - 40.0) ** 2)) > 5.0 * np.sqrt(np.mean((slope - 40.0) ** 2))


def test_the_slope_of_an_exact_total_is_exact_at_uneven_times_and_void_about_a_reset() -> None:
    rng = np.random.default_rng(2)
    t_ns = 10**18 + np.cumsum(rng.integers(2 * 10**8, 3 * 10**9, 400))
    total = 500.0 + 72.5 * (t_ns - t_ns[0]) / 3.6e12
    assert slope_of_total(t_ns, total) == pytest.approx(np.full(400, 72.5), rel=1e-9)
    total[200:] -= 500.0
    rate = slope_of_total(t_ns, total)
    near = np.abs(t_ns - t_ns[200]) < 11e9
    assert np.isnan(rate[near]).all()
    assert rate[np.abs(t_ns - t_ns[200]) > 20e9] == pytest.approx(72.5, rel=1e-9)


def test_a_total_that_stands_still_burns_exactly_nothing() -> None:
    t_ns = 10**18 + np.cumsum(np.random.default_rng(4).integers(10**8, 2 * 10**9, 900))
    total = np.concatenate([np.full(450, 81234.7), 81234.7 + 0.1 * np.arange(450)])
    rate = slope_of_total(t_ns, total)
    assert np.all(rate[:400] == 0.0)
    assert np.all(rate >= 0.0)


def test_the_slope_is_that_of_a_straight_line_through_each_window() -> None:
    """numpy.polyfit, a general-purpose reference library, window by window, with readings missing."""
    rng = np.random.default_rng(5)
    t_ns = 10**18 + np.cumsum(rng.integers(10**8, 4 * 10**9, 700))
    total = 91234.0 + np.cumsum(np.round(rng.gamma(0.4, 0.01, 700), 2))
    total[rng.random(700) < 0.2] = np.nan
    rate = slope_of_total(t_ns, total)
    for i in range(0, 700, 7):
        near = (np.abs(t_ns - t_ns[i]) <= 15e9) & np.isfinite(total)
        slope = np.polyfit((t_ns[near] - t_ns[i]) / 1e9, total[near] - total[near][0], 1)[0]
        assert rate[i] == pytest.approx(3600.0 * slope, rel=1e-7, abs=1e-9)


def test_a_coarse_counter_is_told_with_what_it_costs() -> None:
    config = load_config(ENGINE)
    true = 40.0 * np.arange(3600) / 3600.0
    basis, said = fuel_rate_warnings(table(fuel_total_l=np.floor(true / 0.1) * 0.1), times_ns(3600), "a.csv", config)
    assert "not that at 15 °C: the supply temperature and the density of the fuel not known" in basis
    assert "steps of 0.1 l" in said
    assert "±6 l/h" in said
    # a meter says at what temperature it meters, or is warned of; nothing else is said of these
    warm = load_config("[fuel]\ndensity_kg_per_m3 = 845\nsupply_temp_c = 25\n" + ENGINE)
    fine = table(fuel_total_l=np.floor(true / 0.01) * 0.01)
    assert fuel_rate_warnings(fine, times_ns(3600), "a.csv", warm) == []
    assert fuel_rate_warnings(table(fuel_total_l=np.full(5, 3.0)), times_ns(5), "a.csv", warm) == []


@pytest.mark.parametrize(
    ("columns", "rate_l_per_h"),
    [
        # the rate as logged, supply minus return, supply alone, the slope of the total: 36 litres an hour
        (("fuel_l_per_h", "fuel_supply_l_per_h", "fuel_return_l_per_h", "fuel_total_l"), 50.0),
        (("fuel_supply_l_per_h", "fuel_return_l_per_h", "fuel_total_l"), 40.0),
        (("fuel_supply_l_per_h", "fuel_total_l"), 100.0), (("fuel_total_l",), 36.0),
    ],
)  # fmt: skip
def test_of_several_columns_the_one_that_says_the_most_is_taken(columns: tuple[str, ...], rate_l_per_h: float) -> None:
    n = 120
    told = {
        "fuel_l_per_h": np.full(n, 50.0), "fuel_supply_l_per_h": np.full(n, 100.0),
        "fuel_return_l_per_h": np.full(n, 60.0), "fuel_total_l": 0.01 * np.arange(n),
    }  # fmt: skip
    log = table(**{name: told[name] for name in columns})
    found = rate_of(log, times_ns(n), load_config(ENGINE))
    assert found[n // 2] == pytest.approx(rate_l_per_h, rel=1e-6)


@pytest.mark.parametrize("metered", ["supply and return", "supply", "total"])
@pytest.mark.parametrize("by", ["volume", "mass"])
def test_every_method_gives_the_volume_at_fifteen_degrees(metered: str, by: str) -> None:
    """84.5 kg/h, or 100 l/h at 15 °C, through meters at 25 and 55 °C (ASTM D1250-80 table 54B)."""
    supply, back = (130.0, 30.0) if metered == "supply and return" else (100.0, 0.0)
    factors = (0.99161, 0.96627) if by == "volume" else (1.0 / 0.845, 1.0 / 0.845)
    unit = "L" if by == "volume" else "kg"
    shown = (supply / factors[0], back / factors[1])
    columns = {
        "supply and return": f"""
fuel_supply_main = {{ name = "out", unit = "{unit}/h" }}
fuel_return_main = {{ name = "back", unit = "{unit}/h" }}""",
        "supply": f'fuel_supply_main = {{ name = "out", unit = "{unit}/h" }}',
        "total": f'fuel_total_main = {{ name = "sum", unit = "{unit}" }}',
    }
    config = load_config(
        "[fuel]\ndensity_kg_per_m3 = 845\nsupply_temp_c = 25\nreturn_temp_c = 55\n"
        + ENGINE
        + '[[engine_log]]\ntime_format = "unix_s"\n[engine_log.columns]\ntime = "t"\n'
        + columns[metered]
    )
    rows = [f"{1_790_000_000 + k},{shown[0]:.6f},{shown[1]:.6f},{k * shown[0] / 3600.0:.8f}\n" for k in range(120)]
    log, _ = decode_engine_log(
        ("t,out,back,sum\n" + "".join(rows)).encode(), config.engine_log[0], config.engine_ids, where="m.csv",
        density_kg_per_m3=845.0,
    )  # fmt: skip
    assert rate_of(log, times_ns(120), config)[60] == pytest.approx(100.0, abs=2e-3)
    assert fuel_rate_warnings(log, times_ns(120), "m.csv", config) == []
