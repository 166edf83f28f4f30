"""Every fault does what it says, leaves alone what it does not touch, and is told in the truth."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime
from functools import lru_cache, reduce
from itertools import pairwise
from operator import xor

import numpy as np
import pytest

from tests.made_once import motions_once, simulated
from trialcapture.decode.engine_log.log_table import decode_engine_log
from trialcapture.errors import TrialCaptureError
from trialcapture.rehearse.faults import FAULTS, conflicts
from trialcapture.rehearse.scenarios import SCENARIOS, Plan, load_plan
from trialcapture.rehearse.sea import swing
from trialcapture.rehearse.simulate import SimulatedTrial

PLAN = Plan(axis_deg=20.0, steps_rpm=(1500.0, 4000.0), hold_s=60.0, full_throttle=False, manoeuvres=False,
            marks=False, warm_up_s=20.0)  # fmt: skip
TWIN_PLAN = Plan(axis_deg=20.0, steps_rpm=(900.0, 1900.0), hold_s=60.0, full_throttle=False, manoeuvres=False,
                 marks=False, warm_up_s=20.0)  # fmt: skip
BOAT_FAULTS = [name for name, fault in FAULTS.items() if fault.touches == "boat"]


@lru_cache(maxsize=8)
def brief(*faults: str, scenario: str = "small-petrol") -> SimulatedTrial:
    plan = TWIN_PLAN if len(SCENARIOS[scenario].boat.engine_ids) == 2 else PLAN
    with motions_once():
        return simulated(scenario, 5, plan=plan, errors=True, faults=faults)


def base_of(name: str) -> str:
    return "small-petrol" if not FAULTS[name].misfit(SCENARIOS["small-petrol"]) else "twin-planing"


def sentences(trial: SimulatedTrial, form: str, talker: str = "") -> list[tuple[float, list[str]]]:
    """Time of receipt and fields of every whole sentence of a form."""
    found = []
    for t_s, data in zip(trial.lines["t_s"].to_pylist(), trial.lines["bytes"].to_pylist(), strict=True):
        body, _, checksum = data[1:].partition(b"*")
        if (
            data[:1] == b"$"
            and form.encode() in (body[2:5], body[:5])
            and checksum.strip() == b"%02X" % reduce(xor, body, 0)
        ):
            text = body.decode("latin-1")
            if text.startswith(talker):
                found.append((t_s, text.split(",")))
    return found


def rmc(trial: SimulatedTrial, talker: str = "") -> dict[str, np.ndarray]:
    rows = [(t, f) for t, f in sentences(trial, "RMC", talker) if len(f) > 10 and f[2] == "A"]
    return {
        "t": np.array([t for t, _ in rows]),
        "utc": np.array([int(f[1][:2]) * 3600 + int(f[1][2:4]) * 60 + float(f[1][4:]) for _, f in rows]),
        "sog": np.array([float(f[7]) for _, f in rows]),
        "lat": np.array([float(f[3][:2]) + float(f[3][2:]) / 60 for _, f in rows]),
        "date": np.array([f[9] for _, f in rows]),
    }


def log_rows(trial: SimulatedTrial) -> list[list[str]]:
    lines = trial.engine_logs[0].data.decode().split("\r\n")
    return [line.split(",") for line in lines if line[:1].isdigit()]


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def spans(trial: SimulatedTrial) -> Iterator[tuple[float, float]]:
    for a, b in trial.truth["faults"][0]["spans"]:
        yield seconds(a) - trial.start_utc_ns / 1e9, seconds(b) - trial.start_utc_ns / 1e9


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_runs_and_stands_in_the_truth(name: str) -> None:
    base = base_of(name)
    trial = brief(name, scenario=base)
    (told,) = trial.truth["faults"]
    assert told["name"] == name
    assert set(told["lost"]) <= set(told["legs"]) <= set(range(len(trial.truth["steps"])))
    if FAULTS[name].touches != "boat" and not FAULTS[name].handling:
        # the boat does the same with and without a fault of what measures her
        assert trial.truth["bands"] == brief(scenario=base).truth["bands"]
    if trial.engine_logs:
        assert trial.config.engine_log


def test_a_trial_without_faults_does_not_speak_of_them() -> None:
    assert "faults" not in brief().truth


@pytest.mark.parametrize(("name", "factor", "offset_kn"), [("10pct-high", 1.1, 0.0), ("3kn-high", 1.0, 3.0)])
@pytest.mark.parametrize("variant", ["", "-first", "-covers-more"])
def test_the_other_receiver_is_wrong_and_the_right_one_as_without_it(
    name: str, factor: float, offset_kn: float, variant: str
) -> None:
    trial = brief(f"other-receiver-{name}{variant}")
    wrong = next(r for r in trial.scenario.receivers if r.is_beside)
    right = next(r for r in trial.scenario.receivers if not r.is_beside)
    high, true = rmc(trial, wrong.talker), rmc(trial, right.talker)
    if wrong.talker == right.talker:  # on a wire of its own
        by_source = [rmc_of(trial, s) for s in (wrong.source, right.source)]
        high, true = by_source
    both, at_high, at_true = np.intersect1d(high["utc"].round(2), true["utc"].round(2), return_indices=True)
    assert both.size > 500
    off = high["sog"][at_high] - (factor * true["sog"][at_true] + offset_kn)
    assert abs(np.median(off[true["sog"][at_true] > 3.0])) < 0.1
    lat_m = 1852.0 * 60.0 * (high["lat"][at_high] - true["lat"][at_true])
    assert np.abs(lat_m).max() < 8.0
    first = trial.config.source[0].id
    assert (first == wrong.source) == (variant == "-first" or wrong.source == right.source)
    if variant == "":
        sound = rmc(brief(), right.talker)
        _, one, other = np.intersect1d(true["utc"], sound["utc"], return_indices=True)
        assert one.size > 500
        assert np.array_equal(true["sog"][one], sound["sog"][other])
    if variant == "-covers-more":
        assert true["t"].size < 0.95 * high["t"].size


def rmc_of(trial: SimulatedTrial, source: str) -> dict[str, np.ndarray]:
    wanted = trial.lines.filter(np.array([s == source for s in trial.lines["source"].to_pylist()]))
    return rmc(SimulatedTrial(trial.scenario, 0, 0, "", trial.config, wanted, (), (), {}))


def test_a_speed_is_high_where_the_truth_says_and_nowhere_else() -> None:
    trial, sound = brief("speed-high-in-one-band"), brief()
    off = rmc(trial)["sog"] - rmc(sound)["sog"]
    t = rmc(trial)["t"]
    inside = np.zeros(t.size, dtype=bool)
    for a, b in spans(trial):
        inside |= (t > a + 1.0) & (t < b)
    assert np.median(off[inside]) == pytest.approx(1.5, abs=0.02)
    assert np.all(np.abs(off[~inside & ~near_edges(t, trial)]) < 0.02)
    assert trial.truth["faults"][0]["bands"] == [4000.0] or trial.truth["faults"][0]["bands"] == [1500.0]
    ratio = rmc(brief("speed-5pct-high"))["sog"] / np.maximum(rmc(sound)["sog"], 0.01)
    assert np.median(ratio[rmc(sound)["sog"] > 3]) == pytest.approx(1.05, abs=0.002)


def near_edges(t: np.ndarray, trial: SimulatedTrial) -> np.ndarray:
    return np.any([np.abs(t - edge) < 1.5 for span in spans(trial) for edge in span], axis=0)


@pytest.mark.parametrize(("name", "still", "moves"), [
    ("frozen-both", ("sog", "lat"), ()), ("frozen-speed", ("sog",), ("lat",)), ("frozen-position", ("lat",), ("sog",)),
])  # fmt: skip
def test_a_frozen_receiver_repeats_itself_while_its_time_runs_on(
    name: str, still: tuple[str, ...], moves: tuple[str, ...]
) -> None:
    trial = brief(name)
    fixes = rmc(trial)
    ((a, b),) = spans(trial)
    inside = (fixes["t"] > a + 1.0) & (fixes["t"] < b)
    assert inside.sum() > 300
    assert np.unique(fixes["utc"][inside]).size == inside.sum()
    assert all(np.unique(fixes[key][inside]).size == 1 for key in still)
    assert all(np.unique(fixes[key][inside]).size > 20 for key in moves)


def test_spikes_and_jumps_come_alone_and_as_often_as_said() -> None:
    off = rmc(brief("speed-spikes"))["sog"] - rmc(brief())["sog"]
    at = np.flatnonzero(np.abs(off) > 0.5)
    assert at.size == int(rmc(brief())["utc"].size / 5 / 30)
    assert np.all(off[at] == pytest.approx(6.0, abs=0.011))
    assert np.all(np.diff(at) == 150)  # 30 s of 5 fixes a second
    fixes = rmc(brief("position-jumps"))
    aside_m = np.abs(fixes["lat"] - rmc(brief())["lat"]) * 60 * 1852
    assert 5 < aside_m.max() <= 40.2
    assert np.mean(aside_m > 1.0) < 5.0 / 70.0
    assert np.array_equal(fixes["sog"], rmc(brief())["sog"])


def test_a_smoothing_receiver_lags_behind() -> None:
    sound, smooth = rmc(brief())["sog"], rmc(brief("heavy-smoothing"))["sog"]
    rise = np.argmax(sound > 15.0)
    assert 3.0 < (np.argmax(smooth > 15.0) - rise) / 5.0 < 15.0


def test_rpm_is_wrong_in_every_so_manieth_sentence() -> None:
    shown = [float(f[3]) for _, f in sentences(brief("rpm-minus-5"), "RPM")]
    assert np.mean(np.array(shown) == -5.0) == pytest.approx(1 / 20, abs=0.003)
    high = np.array([float(f[3]) for _, f in sentences(brief("rpm-far-too-high"), "RPM")])
    assert np.mean(high == 3 * 5500.0) == pytest.approx(1 / 143, abs=0.003)


def test_rpm_falls_silent_for_two_and_a_half_to_four_seconds() -> None:
    at = np.array([t for t, _ in sentences(brief("rpm-silences"), "RPM")])
    gaps = np.diff(at)[np.diff(at) > 1.5]
    assert gaps.size == pytest.approx(at[-1] / 23.0, abs=1.5)
    assert gaps.min() > 2.4
    assert gaps.max() < 4.8  # 4 s, and up to one sentence each side
    assert np.ptp(gaps) > 0.4


@pytest.mark.parametrize(("name", "step"), [("rpm-to-10", 10), ("rpm-to-50", 50)])
def test_tachometers_round(name: str, step: int) -> None:
    trial = brief(name)
    assert {float(f[3]) % step for _, f in sentences(trial, "RPM")} == {0.0}
    assert {float(row[1]) % step for row in log_rows(trial)} == {0.0}


def test_rpm_is_stuck_or_not_there() -> None:
    trial = brief("rpm-stuck")
    ((a, b),) = spans(trial)
    assert len({f[3] for t, f in sentences(trial, "RPM") if a + 1 < t < b}) == 1
    assert sentences(brief("no-bus-rpm"), "RPM") == []
    assert "rpm_main" not in brief("no-rpm").config.engine_log[0].columns
    assert all(len(row) == 4 for row in log_rows(brief("no-rpm")))


def test_instruments_that_send_changes_only_never_repeat_themselves() -> None:
    trial = brief("instruments-on-change")
    for form in ("RPM", "DPT", "MTW"):
        bodies = [f for _, f in sentences(trial, form)]
        assert bodies
        assert all(one != other for one, other in pairwise(bodies))
    assert len(sentences(trial, "RPM")) < 0.8 * len(sentences(brief(), "RPM"))


@pytest.mark.parametrize(("name", "unit", "step"), [
    ("fuel-whole-litres", "l/h", 1.0), ("fuel-half-litres", "l/h", 0.5), ("fuel-whole-gallons", "us gal/h", 1.0),
])  # fmt: skip
def test_fuel_is_rounded_in_the_unit_it_is_written_in(name: str, unit: str, step: float) -> None:
    trial = brief(name)
    assert trial.config.engine_log[0].columns["fuel_main"].unit == unit
    shown = np.array([float(row[2]) for row in log_rows(trial)])
    assert np.all(shown % step == 0.0)
    scale = 3.785411784 if unit == "us gal/h" else 1.0
    sound = np.array([float(row[2]) for row in log_rows(brief())]) * 3.785411784
    assert np.abs(shown * scale - sound).max() <= 0.5 * step * scale + 0.02


@pytest.mark.parametrize("name", [n for n in FAULTS if FAULTS[n].touches == "log clock" or n.startswith("log-")])
@pytest.mark.parametrize("scenario", ["displacement", "twin-planing"])
def test_the_truth_of_an_engine_log_is_what_its_reader_reads(name: str, scenario: str) -> None:
    if FAULTS[name].misfit(SCENARIOS[scenario]):
        return
    trial = brief(name, scenario=scenario)
    for log, spec, clock in zip(trial.engine_logs, trial.config.engine_log, trial.truth["engine_log"], strict=True):
        rows, _ = decode_engine_log(log.data, spec, trial.config.engine_ids, log.file)
        assert rows.num_rows == len(log.sample_s)
        order = np.argsort(log.sample_s, kind="stable")
        offset_s = (trial.start_utc_ns / 1e9 + log.sample_s - rows["t_log_ns"].to_numpy() / 1e9)[order]
        pieces = clock.get("pieces", [clock])
        assert np.median(offset_s[:30]) == pytest.approx(pieces[0]["offset_s"], abs=0.1)
        assert np.median(offset_s[-30:]) == pytest.approx(pieces[-1]["offset_at_last_row_s"], abs=0.1)
        step_s = {"back": -1.0, "on": 1.0}
        if name.startswith("log-clock-set"):
            assert len(pieces) == 2
            # stamps set on make what is to be added to them less
            found = pieces[1]["offset_s"] - pieces[0]["offset_at_last_row_s"]
            assert found == pytest.approx(-FAULTS[name].size, abs=0.1)
            assert math.copysign(1.0, FAULTS[name].size) == step_s[name.split("-")[3]]


def test_engine_logs_are_written_in_other_ways() -> None:
    def stamps(name: str) -> list[datetime]:
        return [datetime.strptime(row[0], "%m/%d/%Y %I:%M:%S %p") for row in log_rows(brief(name))]

    newest = stamps("log-newest-first")
    assert newest == sorted(newest, reverse=True)
    repeated = log_rows(brief("log-rows-repeated"))
    twice = sum(one == other for one, other in pairwise(repeated))
    assert twice == pytest.approx(len(repeated) / 13, abs=2)
    pauses = stamps("log-pauses")
    gaps = [(b - a).total_seconds() for a, b in pairwise(pauses) if (b - a).total_seconds() > 5]
    assert gaps == pytest.approx([50.0, 20.0, 35.0], abs=1.1)
    restarted = brief("log-restarts").engine_logs[0].data.decode()
    assert restarted.count("Engine speed main") == 2


def test_port_and_starboard_are_mixed_up_in_the_log_only() -> None:
    trial = brief("log-engines-swapped", scenario="twin-planing")
    head = trial.engine_logs[0].data.decode().split("\r\n")[0].split(",")
    port, stbd = (head.index(f"Engine speed {engine} (rpm)") for engine in ("port", "stbd"))
    rows = log_rows(trial)
    in_log = np.median([float(row[port]) - float(row[stbd]) for row in rows if float(row[port]) > 800])
    truth = np.median([step["rpm_port"] - step["rpm_stbd"] for step in trial.truth["steps"]])
    assert truth > 15.0
    assert in_log == pytest.approx(-truth, rel=0.5)


def test_cells_are_empty_or_rows_left_out_where_nothing_changes() -> None:
    cells = log_rows(brief("log-cells-on-change"))
    for column in range(1, len(cells[0])):
        values = [row[column] for row in cells if row[column]]
        assert all(one != other for one, other in pairwise(values))
    assert 0.05 < np.mean([row[2] == "" for row in cells]) < 0.999
    rows = log_rows(brief("log-rows-on-change"))
    assert all(one[1:] != other[1:] for one, other in pairwise(rows))
    assert len(rows) < 0.9 * len(cells)


@pytest.mark.parametrize("name", [n for n in FAULTS if n.startswith("time-steps")])
def test_a_receivers_time_steps(name: str) -> None:
    fixes = rmc(brief(name))
    off = fixes["utc"] - fixes["t"]
    size_s = FAULTS[name].size
    steps = np.diff(off)[np.abs(np.diff(off)) > 0.5]
    assert steps == pytest.approx([size_s], abs=0.4)
    ((a, _),) = spans(brief(name))
    assert fixes["t"][np.argmax(np.abs(np.diff(off)))] == pytest.approx(a, abs=30.0)


def test_clocks_and_dates_before_the_first_fix_and_throughout() -> None:
    free = brief("time-free-running")
    void = [f for t, f in sentences(free, "RMC") if f[2] == "V"]
    assert {f[9] for f in void} == {"060180"}
    assert len(void) == pytest.approx(70 * 5, abs=6)
    unmarked = rmc(brief("time-free-running-unmarked"))
    off = unmarked["utc"] - unmarked["t"]
    assert off[0] - off[-1] == pytest.approx(777.0, abs=0.5)
    assert set(rmc(brief("dates-an-epoch-off"))["date"]) == {"061106"}  # 22 June 2026 less 7168 days
    assert {f[4] for _, f in sentences(brief("dates-out-of-range", scenario="displacement"), "ZDA")} == {"2093", "2026"}
    assert sentences(brief("dates-from-zda-only"), "RMC") == []
    assert sentences(brief("dates-from-zda-only"), "ZDA")


def test_fields_are_odd_and_the_rest_of_the_sentence_as_before() -> None:
    assert {f[10] for _, f in sentences(brief("variation-999"), "RMC")} == {"999.9"}
    assert {f[12] for _, f in sentences(brief("mode-unknown"), "RMC")} == {"Q"}
    assert {len(f) - 1 for _, f in sentences(brief("rpm-four-fields"), "RPM")} == {4}
    assert {f[-1] for _, f in sentences(brief("rpm-trailing-comma"), "RPM")} == {""}
    assert sentences(brief("wind-in-mda", scenario="displacement"), "MDA")
    assert not sentences(brief("wind-in-mda", scenario="displacement"), "MW")
    assert not sentences(brief("no-heading"), "HDG")


@pytest.mark.parametrize("name", ["rpm-in-pcdin", "rpm-in-mxpgn"])
def test_rpm_is_wrapped_as_messages_of_the_can_network(name: str) -> None:
    """Byte 0 is the instance, bytes 1 and 2 the speed in 0.25 rpm, low byte first (open canboat description)."""
    trial = brief(name, scenario="twin-planing")
    kind = "PCDIN" if name.endswith("pcdin") else "MXPGN"
    rows = sentences(trial, kind)
    assert {f[1] for _, f in rows} == {"01F200"}
    data = [bytes.fromhex(f[-1]) if kind == "PCDIN" else bytes.fromhex(f[-1])[::-1] for _, f in rows]
    assert {body[0] for body in data} == {0, 1}
    assert {len(body) for body in data} == {8}
    rpm = [int.from_bytes(body[1:3], "little") / 4 for body in data if body[0] == 0]
    sound = [float(f[3]) for _, f in sentences(brief(scenario="twin-planing"), "RPM") if f[2] == "2"]
    assert rpm == pytest.approx(sound, abs=0.13)
    assert [engine.nmea_instance for engine in trial.config.engine] == [0, 1]


def test_fuel_comes_as_litres_a_second() -> None:
    trial = brief("fuel-in-xdr")
    rows = [f for _, f in sentences(trial, "XDR") if f[1] == "R"]
    assert {(f[3], f[4]) for f in rows} == {("l", "FUEL#0")}
    at = trial.truth["steps"][-1]
    a, b = (seconds(at[key]) - trial.start_utc_ns / 1e9 for key in ("steady_start_utc", "steady_stop_utc"))
    shown = [float(f[2]) * 3600.0 for t, f in sentences(trial, "XDR") if f[1] == "R" and a < t < b]
    error = 1.0 + trial.truth["errors"]["fuel_calibration_pct"] / 100.0
    assert np.mean(shown) == pytest.approx(error * at["fuel_l_per_h"], rel=0.01)
    assert [x.channel for x in trial.config.xdr if x.type == "R"] == ["fuel_l_per_h_main"]
    assert trial.engine_logs == ()


def test_four_soundings_are_bad() -> None:
    shown = [float(f[1]) for _, f in sentences(brief("depth-bad-four-times"), "DPT") if f[1]]
    assert sum(value < 2.0 for value in shown) == 4


def test_a_swing_overshoots_as_a_second_order_system_does() -> None:
    """A step is overshot by exp(-π ζ / √(1 - ζ²)), first after half a damped period (Ogata, Modern Control
    Engineering, second-order systems; from memory)."""
    step = np.concatenate([np.zeros(100), np.ones(2000)])
    for damping in (0.2, 0.4, 0.6):
        out = swing(step, 0.05, 16.0, damping)
        root = math.sqrt(1.0 - damping**2)
        assert out.max() == pytest.approx(1.0 + math.exp(-math.pi * damping / root), abs=0.005)
        assert (np.argmax(out) - 100) * 0.05 == pytest.approx(8.0 / root, abs=0.15)
        assert out[-1] == pytest.approx(1.0, abs=0.001)


def test_the_tide_grows_steadily() -> None:
    def along(trial: SimulatedTrial) -> np.ndarray:
        towards = trial.scenario.sea.current_towards_deg
        return np.array(
            [c["speed_kn"] * math.cos(math.radians(c["towards_deg"] - towards)) for c in trial.truth["current"]]
        )

    more = along(brief("tide-grows")) - along(brief())
    assert np.diff(more) == pytest.approx(1.5 / 60.0, abs=0.002)


def test_the_boat_lies_still_in_the_current() -> None:
    trial = brief("lies-still-in-strong-current")
    fixes = rmc(trial)
    current = trial.truth["current"][0]["speed_kn"]
    assert current > 4.0
    # from rest at the start, over ground she goes where the water goes
    assert np.median(fixes["sog"][(fixes["t"] > 2) & (fixes["t"] < 40)]) == pytest.approx(current, abs=0.5)
    longer_s = trial.lines["t_s"][-1].as_py() - brief().lines["t_s"][-1].as_py()
    assert longer_s == pytest.approx(270.0, abs=60.0)
    assert len(trial.truth["bands"]) == 2


def test_wakes_hold_the_boat_back_for_some_seconds() -> None:
    off = rmc(brief("wakes"))["sog"] - rmc(brief())["sog"]
    dips = np.flatnonzero(np.diff((off < -0.4).astype(int)) == 1)
    assert dips.size >= 4
    between_s = np.diff(rmc(brief())["t"][dips])
    assert between_s / 64.0 == pytest.approx(np.rint(between_s / 64.0), abs=0.03)
    assert off.min() == pytest.approx(-1.5, abs=0.15)
    assert brief("wakes").truth["bands"] == brief().truth["bands"]


def test_plans_run_steps_in_another_order_or_one_way_only() -> None:
    order = [s["label"] for s in brief("all-up-then-all-down").truth["steps"] if s["label"].startswith("step")]
    assert order == ["step 1500", "step 4000", "step 4000", "step 1500"]
    assert [b["ways"] for b in brief("full-throttle-one-way").truth["bands"]] == [2, 1]
    assert [b["ways"] for b in brief("slowest-step-one-way").truth["bands"]] == [1, 2]


def test_a_plan_file_can_order_that() -> None:
    text = "[plan]\naxis_deg = 10\nsteps_rpm = [800, 1200]\nup_then_down = true\none_way = [-1]\ndrift_s = 30\n"
    plan = load_plan(text)
    assert (plan.up_then_down, plan.one_way, plan.drift_s) == (True, (-1,), 30)
    for wrong in ("one_way = [2]", "one_way = 1", "drift_s = -1", "up_then_down = 1"):
        with pytest.raises(TrialCaptureError, match=wrong.split()[0]):
            load_plan(f"[plan]\naxis_deg = 10\nsteps_rpm = [800, 1200]\n{wrong}\n")


@pytest.mark.parametrize(("name", "share"), [("throttle-hunts", 0.004), ("throttle-hunts-widely", 0.01)])
def test_throttle_hunts_within_what_the_truth_calls_steady(name: str, share: float) -> None:
    sound, hunts = brief().truth, brief(name).truth
    for one, other in zip(sound["bands"], hunts["bands"], strict=True):
        assert other["speed_kn"] == pytest.approx(one["speed_kn"], rel=0.02)
    at = hunts["steps"][-1]
    a, b = (seconds(at[key]) - brief(name).start_utc_ns / 1e9 for key in ("steady_start_utc", "steady_stop_utc"))
    rpm = [float(f[3]) for t, f in sentences(brief(name), "RPM") if a < t < b]
    # the standard deviation of a sine is its amplitude over the square root of 2; the tachometer adds its own steps
    assert np.std(rpm) == pytest.approx(share / math.sqrt(2.0) * 4000.0, rel=0.25)


def test_faults_go_together_unless_they_change_one_setting() -> None:
    both = brief("speed-spikes", "log-clock-set-back-40s")
    assert [fault["name"] for fault in both.truth["faults"]] == ["speed-spikes", "log-clock-set-back-40s"]
    assert not conflicts(FAULTS["speed-spikes"], FAULTS["frozen-both"])
    assert conflicts(FAULTS["fuel-whole-litres"], FAULTS["fuel-half-litres"])
    assert conflicts(FAULTS["rpm-to-10"], FAULTS["rpm-to-50"])
    assert not conflicts(FAULTS["log-pauses"], FAULTS["log-restarts"])


def test_a_fault_that_cannot_be_is_refused_in_words() -> None:
    with pytest.raises(TrialCaptureError, match="no such fault"):
        brief("sea-serpent")
    with pytest.raises(TrialCaptureError, match=r"(?i)needs 2 engines"):
        brief("log-engines-swapped")
    with pytest.raises(TrialCaptureError, match=r"(?i)needs rpm on the network"):
        brief("rpm-minus-5", scenario="no-bus-rpm")


@pytest.mark.parametrize("name", BOAT_FAULTS)
def test_other_behaviour_leaves_bands_to_be_found(name: str) -> None:
    assert [band["band_rpm"] for band in brief(name).truth["bands"]] == [1500.0, 4000.0]
