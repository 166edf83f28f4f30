"""The account of faults in the data: every item has words, a place on page one where it matters, and JSON."""

from __future__ import annotations

import json

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.prepare.data_health import (
    ClockStep,
    DataHealth,
    Disagreement,
    Hole,
    Item,
    Rejection,
    Restart,
    Rounding,
    Spikes,
    Stuck,
    Undecoded,
    describe,
    find_holes,
    page_one,
    rejection_items,
)

T_NS = 1_790_000_000 * 10**9
ITEMS: list[Item] = [
    Hole(T_NS, T_NS + 90 * 10**9, "speed over ground", "no fix", "1 leg cut short"),
    ClockStep(T_NS, "time of gps1/GP", 3600.0, "it was set", "none: put right"),
    Restart(T_NS, "engine log engines.csv", -40.0, "it was set", "none: each piece is tied alone"),
    Rejection("gps1 GPRMC", "variation", "out of range", 411, "none: the variation of the settings is used"),
    Undecoded("bus PGN 127489", "oil and coolant", 88, "none of it is in the trial set"),
    Disagreement("speed of gps2/GP", "speed of gps1/GP", 3.02, 0.04, "kn", None, None, "excluded", "left out"),
    Stuck("speed of gps1/GP", T_NS, T_NS + 600 * 10**9, 17.2, "kn", "10 min left out"),
    Spikes("speed of gps1/GP", 31, 6.0, "kn", "left out one by one"),
    Rounding("fuel of engines.csv", 1.0, "l/h", False, "in the uncertainty of 3 bands"),
]


@pytest.mark.parametrize("item", ITEMS, ids=lambda item: type(item).__name__)
def test_every_fault_is_told_with_its_size_and_its_cost(item: Item) -> None:
    line = describe(item)
    assert item.cost.removeprefix("none: ") in line.text
    assert ("No cost: " in line.text) == item.cost.startswith("none:")
    assert line.what
    sizes = ("1.5 min", "+3600 s", "-40.00 s", "411", "88", "+3.02", "10.0 min", "31 lone", "1 l/h")
    assert sum(size in line.text for size in sizes) == 1


def test_each_kind_has_its_place_in_the_summary_and_nothing_is_told_twice() -> None:
    health = DataHealth().with_items(ITEMS).with_items(ITEMS)
    made = json.loads(json.dumps(health.as_json()))
    assert [len(found) for found in made.values()] == [1] * len(ITEMS)
    assert list(made) == [
        "holes", "clock_steps", "restarts", "rejected", "undecoded", "disagreements", "stuck", "spikes",
        "readings_rounded_to",
    ]  # fmt: skip
    assert made["holes"][0]["seconds"] == 90.0
    assert made["holes"][0]["start"] == "2026-09-21T14:13:20.000Z"
    assert made["disagreements"][0]["start"] is None
    assert health.joined(health) == health


def test_page_one_names_what_bears_on_the_figures_and_spares_the_reader_the_rest() -> None:
    routine: list[Item] = [
        ClockStep(T_NS, "wall clock of the recording computer", -1.25, "it was set", "none: times are monotonic"),
        Rejection("gps1 GPRMC", "", "checksum", 12, "left out"),
        Rounding("rpm of engine port", 10.0, "rpm", True, "none: readings dither"),
        Hole(T_NS, T_NS + 10**10, "position", "no fix", "none: 10 s of track"),
    ]
    assert page_one(DataHealth().with_items(routine)) == []
    told = [line.what for line in page_one(DataHealth().with_items([*ITEMS, *routine]))]
    assert "speed of gps2/GP" in told
    assert "time of gps1/GP" in told
    assert "speed over ground" in told
    assert "wall clock of the recording computer" not in told


def test_many_holes_of_one_channel_are_one_line_with_their_sum() -> None:
    holes = [Hole(T_NS + k * 10**11, T_NS + k * 10**11 + (k + 1) * 10**10, "rpm of engine port", "silent", "a leg")
             for k in range(3)]  # fmt: skip
    (line,) = page_one(DataHealth().with_items(holes))
    assert "has 3 times no data, 60 s in all" in line.text
    assert "30.0 s" in line.text


def overview(**channels: np.ndarray) -> pa.Table:
    n = next(iter(channels.values())).size
    stamp = pa.array(T_NS + np.arange(n) * 10**9, pa.timestamp("ns", "UTC"))
    return pa.table({"t": stamp, **{name: pa.array(v, from_pandas=True) for name, v in channels.items()}})


def segments(*spans: tuple[int, int, bool]) -> pa.Table:
    stamp = pa.timestamp("ns", "UTC")
    return pa.table(
        {
            "start": pa.array([T_NS + a * 10**9 for a, _, _ in spans], stamp),
            "stop": pa.array([T_NS + b * 10**9 for _, b, _ in spans], stamp),
            "accepted": pa.array([ok for *_, ok in spans], pa.bool_()),
        }
    )


def test_a_silence_inside_the_trial_is_a_hole_with_its_cost_and_the_ends_count_for_engines_alone() -> None:
    speed, rpm, fuel = (np.full(1000, 1.0) for _ in range(3))
    speed[:50] = speed[300:340] = np.nan
    rpm[500:502] = np.nan
    fuel[:100] = np.nan
    found = find_holes(
        overview(sog_kn=speed, rpm_port=rpm, fuel_l_per_h_port=fuel), segments((250, 345, False), (60, 120, True)),
        ["port"],
    )  # fmt: skip
    assert [(h.what, round((h.stop_ns - h.start_ns) / 1e9)) for h in found] == [
        ("speed over ground", 40),
        ("fuel of engine port", 100),
    ]
    assert "refused stretch" in found[0].cost
    assert "part of 1 used stretch" in found[1].cost


def test_a_channel_that_was_never_recorded_has_no_holes() -> None:
    assert find_holes(overview(sog_kn=np.full(100, np.nan)), segments(), ["port"]) == []


@pytest.mark.parametrize(
    ("sentence", "field", "refused", "good", "cost"),
    [
        # from a twentieth of a type's sentences on, what they feed is missed
        ("GPRMC", "", 4, 96, "none: 4 of 100 refused"), ("GPRMC", "", 5, 95, "5% of the sentences that give "),
        ("GPRMC", "", 7, 0, "all 7 that came in were refused; they give no "),
        ("GPRMC", "cog", 4, 100, "none: 4 of 100 do not tell course over ground"),
        ("GPRMC", "cog", 5, 100, "5% of these sentences do not tell course over ground"),
        ("GPRMC", "cog", 120, 100, "100% of these sentences do not tell course over ground"),
        ("GPRMC", "mode", 50, 100, "none: the sentence is used without it"),
        ("GPRMC", "status", 50, 100, "none: the sentence is used as if nothing spoke against it"),
        ("PABCD", "", 50, 100, "none: the sentence feeds no result"),
    ],
)  # fmt: skip
def test_what_was_refused_costs_something_from_a_twentieth_on(
    sentence: str, field: str, refused: int, good: int, cost: str
) -> None:
    talker, formatter = (sentence[:2], sentence[2:]) if sentence[0] != "P" else ("P", sentence[1:])
    counts = {("gps1", talker, formatter): [good, refused, 0]}
    [item] = rejection_items({("gps1", sentence, field, "out of range"): refused}, counts)
    assert item.cost.startswith(cost)
    assert item.count == refused


@pytest.mark.parametrize(("count", "name"), [(4, "gps1 (damaged)"), (5, "gps1 GPRMC")])
def test_a_type_never_heard_sound_is_one_from_five_refusals_on(count: int, name: str) -> None:
    [item] = rejection_items({("gps1", "GPRMC", "", "checksum"): count}, {})
    assert item.sentence == name


def test_holes_of_one_channel_are_added_up_and_a_single_one_is_told_as_it_is() -> None:
    one = Hole(T_NS, T_NS + 90 * 10**9, "speed over ground", "no fix", "1 leg cut short")
    other = Hole(T_NS + 200 * 10**9, T_NS + 230 * 10**9, "speed over ground", "no fix", "1 leg")
    assert page_one(DataHealth().with_items([one])) == [describe(one)]
    (line,) = page_one(DataHealth().with_items([one, other]))
    assert "2 times no data, 120 s in all" in line.text
