"""Detection gives one answer, whether a recording comes whole, in pieces or sample by sample, and forgets the past."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.signals import lagging, stairs, wandering
from trialcapture.config import Config, Engine, Samples, Steady
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.steady.criteria import LONGEST_EPISODE_S, Limits, Track, limits_of
from trialcapture.prepare.steady.detection import BlockMeans, SegmentFinder, SteadyFinder, Stretch, find_steady

DT = 0.25
LIMITS = Limits(Steady(), idle_rpm=700.0)
Signals = dict[str, np.ndarray]
"""Speed, rpm (engines, n), heading and whether it is a course over ground."""


def _stretch(n: int, share: float, seconds: float) -> slice:
    return slice(round(share * n), round(share * n) + round(seconds / DT))


def gap_in_speed(s: Signals, rng: np.random.Generator) -> None:
    s["sog"][_stretch(s["sog"].size, float(rng.uniform(0.1, 0.9)), 7.0)] = np.nan


def long_gap_in_speed(s: Signals, _: np.random.Generator) -> None:
    s["sog"][_stretch(s["sog"].size, 0.33, 100.0)] = np.nan


def single_dropouts(s: Signals, rng: np.random.Generator) -> None:
    s["sog"][rng.random(s["sog"].size) < 0.003] = np.nan
    s["rpm"][-1, rng.random(s["sog"].size) < 0.003] = np.nan


def second_engine_vanishes(s: Signals, _: np.random.Generator) -> None:
    s["rpm"][-1, s["sog"].size // 2 :] = np.nan


def second_engine_appears(s: Signals, _: np.random.Generator) -> None:
    s["rpm"][-1, : s["sog"].size // 4] = np.nan


def all_rpm_vanish(s: Signals, _: np.random.Generator) -> None:
    s["rpm"][:, 2 * s["sog"].size // 3 :] = np.nan


def no_rpm(s: Signals, _: np.random.Generator) -> None:
    s["rpm"][:] = np.nan


def quantised(s: Signals, _: np.random.Generator) -> None:
    s["rpm"], s["sog"] = np.round(s["rpm"] / 10.0) * 10.0, np.round(s["sog"], 1)


def constant_rpm(s: Signals, _: np.random.Generator) -> None:
    s["rpm"] = np.round(s["rpm"] / 100.0) * 100.0


def waves(s: Signals, _: np.random.Generator) -> None:
    s["sog"] += 0.4 * np.sin(2 * np.pi * np.arange(s["sog"].size) * DT / 4.0)


def heading_lost(s: Signals, _: np.random.Generator) -> None:
    s["heading"][_stretch(s["sog"].size, 0.5, 40.0)] = np.nan


def course_over_ground_at_times(s: Signals, _: np.random.Generator) -> None:
    s["over_ground"] = np.arange(s["sog"].size) // round(100.0 / DT) % 3 == 1
    s["heading"] += np.where(s["over_ground"], 4.0, 0.0)


def current_front(s: Signals, rng: np.random.Generator) -> None:
    s["sog"][round(float(rng.uniform(0.2, 0.8)) * s["sog"].size) :] += 0.8


def spikes(s: Signals, rng: np.random.Generator) -> None:
    s["rpm"][0, rng.integers(0, s["sog"].size, 5)] = 9000.0
    s["sog"][rng.integers(0, s["sog"].size, 5)] = 60.0


def throttle_blip(s: Signals, rng: np.random.Generator) -> None:
    s["rpm"][:, _stretch(s["sog"].size, float(rng.uniform(0.1, 0.9)), 7.0)] += 600.0


def lying_still(s: Signals, rng: np.random.Generator) -> None:
    s["sog"], s["rpm"] = np.abs(wandering(s["sog"].size, DT, 0.1, 4.0, rng)), s["rpm"] * 0.0


TROUBLES = (
    gap_in_speed, long_gap_in_speed, single_dropouts, second_engine_vanishes, second_engine_appears, all_rpm_vanish,
    no_rpm, quantised, constant_rpm, waves, heading_lost, course_over_ground_at_times, current_front, spikes,
    throttle_blip, lying_still,
)  # fmt: skip
Trouble = Callable[[Signals, np.random.Generator], None]


def ladder(seed: int, troubles: Iterable[Trouble] = (), engines: int = 2, hold_s: float = 90.0) -> Track:
    """A stair of rpm there and back, as a builder would run it, with what can be wrong with a recording."""
    rng = np.random.default_rng(seed)
    levels = [700.0, *np.sort(rng.uniform(900.0, 3200.0, 4)), 700.0]
    order = stairs([level for level in levels for _ in (0, 1)], hold_s, DT, 150.0)
    n, leg = order.size, round(hold_s / DT)
    course = np.repeat(np.tile([40.0, 220.0], len(levels)), leg)
    for at in range(leg, n, leg):
        turn = slice(at, min(at + round(30.0 / DT), n))
        course[turn] = np.linspace(course[at - 1], course[min(at + leg - 1, n - 1)], turn.stop - turn.start)
    sog = lagging(order / 110.0, DT, float(rng.uniform(3.0, 15.0))) + wandering(n, DT, 0.08, 4.0, rng)
    signals = {
        "sog": sog,
        "rpm": np.stack([order + rng.normal(0.0, 4.0, n) for _ in range(engines)]),
        "heading": course + 3.0 * np.sin(2 * np.pi * np.arange(n) * DT / 6.0),
        "over_ground": np.zeros(n, dtype=bool),
    }
    for spoil in troubles:
        spoil(signals, rng)
    return Track(signals["sog"], signals["rpm"], signals["heading"] % 360.0, DT, signals["over_ground"])


def in_pieces(track: Track, edges: Iterable[int]) -> list[Stretch]:
    finder = SteadyFinder(LIMITS, track.dt_s)
    found = []
    for a, b in itertools.pairwise([0, *edges, track.sog_kn.size]):
        found += finder.push(track.part(a, b))
    return found + finder.finish()


def hold(seconds: float, rpm: float, seed: int, noise_kn: float = 0.06) -> tuple[np.ndarray, np.ndarray]:
    """Speed and rpm of a boat that settled long ago."""
    n, rng = round(seconds / DT), np.random.default_rng(seed)
    return rpm / 110.0 + wandering(n, DT, noise_kn, 4.0, rng), np.full(n, rpm) + rng.normal(0.0, 3.0, n)


def recording(*parts: tuple[np.ndarray, np.ndarray], heading_deg: float = 75.0) -> Track:
    sog, rpm = (np.concatenate(p) for p in zip(*parts, strict=True))
    return Track(sog, rpm[None, :], np.full(sog.size, heading_deg), DT)


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    troubles=st.lists(st.sampled_from(TROUBLES), max_size=4, unique=True),
    engines=st.integers(1, 3),
    data=st.data(),
)
def test_the_answer_does_not_depend_on_how_the_recording_is_handed_over(
    seed: int, troubles: list[Trouble], engines: int, data: st.DataObject
) -> None:
    track = ladder(seed, troubles, engines)
    n = track.sog_kn.size
    whole = find_steady(track, LIMITS)
    edges = data.draw(st.lists(st.integers(0, n), max_size=30).map(sorted))
    assert in_pieces(track, edges) == whole
    assert in_pieces(track, range(1, n)) == whole


@pytest.mark.parametrize("trouble", TROUBLES, ids=lambda spoil: spoil.__name__)
def test_each_trouble_alone_gives_the_same_answer_sample_by_sample_and_ordered_stretches(trouble: Trouble) -> None:
    track = ladder(17, [trouble])
    found = find_steady(track, LIMITS)
    assert in_pieces(track, range(1, track.sog_kn.size)) == found
    assert all(a.stop <= b.start for a, b in itertools.pairwise(found))
    assert all(s.accepted == (s.reason == "") for s in found)
    assert any(s.accepted for s in found) == (trouble is not lying_still)


@pytest.mark.parametrize("every", [2, 4, 8, 20])
def test_a_coarser_grid_gives_the_same_answer_sample_by_sample_too(every: int) -> None:
    fine = ladder(21, hold_s=150.0)
    track = Track(fine.sog_kn[::every], fine.rpm[:, ::every], fine.heading_true_deg[::every], DT * every)
    found = find_steady(track, LIMITS)
    assert in_pieces(track, range(1, track.sog_kn.size)) == found
    assert sum(s.accepted for s in found) >= 6


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.1, 0.9))
def test_what_was_final_stays_when_the_recording_goes_on(seed: int, share: float) -> None:
    track = ladder(seed)
    so_far = round(share * track.sog_kn.size)
    final = SteadyFinder(LIMITS, DT).push(track.part(0, so_far))
    assert find_steady(track, LIMITS)[: len(final)] == final


def test_a_run_is_final_within_a_minute_of_the_throttle_that_ended_it() -> None:
    track = ladder(3)
    finder = SteadyFinder(LIMITS, DT)
    waits = []
    for i in range(track.sog_kn.size):
        waits += [(i - s.stop) * DT for s in finder.push(track.part(i, i + 1)) if s.accepted]
    assert len(waits) >= 4
    # the hold of the same rpm on the way back belongs to the same episode, and is over a leg later
    assert np.median(waits) < 90.0 + 60.0
    assert min(waits) < 60.0


def test_a_look_ahead_of_time_says_what_an_end_would_give_and_changes_nothing() -> None:
    track = ladder(5)
    cut = track.sog_kn.size // 2
    finder = SteadyFinder(LIMITS, DT)
    found = finder.push(track.part(0, cut))
    assert found + finder.peek() == find_steady(track.part(0, cut), LIMITS)
    found += finder.push(track.part(cut, track.sog_kn.size))
    assert found + finder.finish() == find_steady(track, LIMITS)


@pytest.mark.parametrize("state", ["under way", "moored", "switched off"])
def test_a_day_without_any_change_is_kept_two_hours_long_at_most(state: str) -> None:
    hour = round(3600.0 / DT)
    rng = np.random.default_rng(4)
    noise = np.tile(wandering(hour, DT, 0.05, 4.0, rng), 1)
    sog = {"under way": 20.0 + noise, "moored": np.abs(noise), "switched off": np.full(hour, np.nan)}[state]
    rpm = {
        "under way": 2500.0 + rng.normal(0, 3, hour),
        "moored": np.zeros(hour),
        "switched off": np.full(hour, np.nan),
    }
    part = Track(sog, rpm[state][None, :], np.full(hour, 75.0), DT)
    finder = SteadyFinder(LIMITS, DT)
    most, found = 0, []
    for _ in range(24):
        found += finder.push(part)
        most = max(most, finder.held)
    found += finder.finish()
    assert most * DT <= LONGEST_EPISODE_S + 3600.0 + 120.0
    if state == "under way":
        assert len(found) == 12
        assert all(s.accepted for s in found)
        assert sum(s.stop - s.start for s in found) * DT > 24 * 3600.0 - 12 * 60.0
    if state == "moored":
        assert found
        assert {s.reason.split(":")[0] for s in found} == {"lying still"}


def test_an_engine_that_vanishes_for_good_costs_nothing_but_the_moment() -> None:
    sog, rpm = hold(600.0, 2500.0, 1)
    other = rpm.copy()
    other[rpm.size // 2 :] = np.nan
    found = find_steady(Track(sog, np.stack([rpm, other]), np.full(sog.size, 75.0), DT), LIMITS)
    accepted = [s for s in found if s.accepted]
    assert len(accepted) == 2
    assert accepted[0].stop <= rpm.size // 2 <= accepted[1].start
    assert sum(s.stop - s.start for s in accepted) * DT > 540.0


def test_without_rpm_speed_alone_is_believed_only_while_no_rpm_was_ever_seen() -> None:
    sog, rpm = hold(600.0, 2500.0, 2)
    half = rpm.size // 2
    for silent, believed in ((slice(0, half), True), (slice(half, None), False)):
        told = rpm.copy()
        told[silent] = np.nan
        found = find_steady(Track(sog, told[None, :], np.full(sog.size, 75.0), DT), LIMITS)
        inside = [s for s in found if (s.start < half) == (silent.stop == half)]
        assert [s.accepted for s in inside] == [believed]
        if not believed:
            assert "no engine speed" in inside[0].reason


def test_a_course_over_ground_loses_more_before_a_turn_only_where_it_is_one() -> None:
    n = round(400.0 / DT)
    sog, rpm = hold(400.0, 2500.0, 3)
    heading = np.concatenate(
        [np.full(n // 2, 10.0), np.linspace(10.0, 190.0, n // 4), np.full(n - n // 2 - n // 4, 190.0)]
    )
    stops = {}
    for name, over_ground in (
        ("heading", np.zeros(n, dtype=bool)),
        ("course before the turn", np.arange(n) < n // 2),
        ("course long before the turn", np.arange(n) < n // 4),
    ):
        found = find_steady(Track(sog, rpm[None, :], heading, DT, over_ground), LIMITS)
        stops[name] = next(s.stop for s in found if s.accepted)
    assert stops["heading"] == stops["course long before the turn"]
    assert (stops["heading"] - stops["course before the turn"]) * DT == pytest.approx(9.0, abs=0.5)


def test_a_calm_beginning_does_not_refuse_rougher_holds_after_it() -> None:
    accepted = 0
    for seed in range(8):
        parts = [hold(120.0, 900.0 + 300.0 * i, 100 * seed + i, noise_kn=0.03) for i in range(3)]
        parts += [hold(120.0, 2000.0 + 300.0 * i, 100 * seed + 10 + i, noise_kn=0.15) for i in range(4)]
        accepted += sum(s.accepted for s in find_steady(recording(*parts), LIMITS))
    # a few of the rough holds drift by chance as far as the limits allow
    assert accepted >= 0.9 * 8 * 7


def test_a_rough_beginning_lets_no_later_transient_in() -> None:
    rough = [hold(120.0, 1000.0 + 400.0 * i, i, noise_kn=0.2) for i in range(3)]
    n = round(240.0 / DT)
    rpm = np.full(n, 3000.0) + np.random.default_rng(8).normal(0.0, 3.0, n)
    speed = lagging(np.full(n, 3000.0 / 110.0), DT, 15.0)
    speed -= (3000.0 - 1800.0) / 110.0 * np.exp(-np.arange(n) * DT / 15.0)
    quiet = speed + wandering(n, DT, 0.03, 4.0, np.random.default_rng(9))
    track = recording(*rough, (quiet, rpm))
    begin = track.sog_kn.size - n
    (late,) = [s for s in find_steady(track, LIMITS) if s.accepted and s.start >= begin]
    unsettled = np.abs(speed[late.start - begin : late.stop - begin] - 3000.0 / 110.0) > 0.005 * 3000.0 / 110.0
    assert unsettled.sum() * DT <= 3.0


def test_a_long_hold_loses_its_approach_like_a_short_one() -> None:
    n = round(5400.0 / DT)
    final = 20.0
    speed = final - 8.0 * np.exp(-np.arange(n) * DT / 20.0)
    sog = speed + wandering(n, DT, 0.08, 4.0, np.random.default_rng(10))
    before = hold(120.0, 1300.0, 11)
    track = recording(before, (sog, np.full(n, 2200.0) + np.random.default_rng(12).normal(0.0, 3.0, n)))
    begin = before[0].size
    late = [s for s in find_steady(track, LIMITS) if s.accepted and s.start >= begin]
    assert sum(s.stop - s.start for s in late) * DT > 4800.0
    first = late[0].start - begin
    assert abs(speed[first] - final) < 0.1


def test_bad_use_is_refused_in_words() -> None:
    track = ladder(1)
    finder = SteadyFinder(LIMITS, DT)
    finder.push(track)
    with pytest.raises(TrialCaptureError, match="do not go on"):
        finder.push(ladder(1, engines=1))
    with pytest.raises(TrialCaptureError, match="do not go on"):
        SteadyFinder(LIMITS, 0.5).push(track)
    finder.finish()
    assert finder.finish() == []
    with pytest.raises(TrialCaptureError, match="finished"):
        finder.push(track)


@pytest.mark.parametrize("grid_hz", [0.5, 1.0, 4.0, 10.0, 25.0])
def test_blocks_of_a_grid_are_the_same_in_pieces(grid_hz: float) -> None:
    config = Config(
        engine=(Engine(id="p", rated_rpm=3000), Engine(id="s", rated_rpm=3000)), samples=Samples(grid_hz=grid_hz)
    )
    rng = np.random.default_rng(6)
    n = 2003
    values = {
        name: rng.uniform(0.0, 359.0, n) for name in ("sog_kn", "rpm_p", "rpm_s", "heading_true_deg", "cog_true_deg")
    }
    values["heading_true_deg"][500:900] = np.nan
    values["sog_kn"][100:120] = np.nan
    table = pa.table({name: pa.array(v, from_pandas=True) for name, v in values.items()})
    whole = BlockMeans(config)
    track = whole.push(table)
    pieces = BlockMeans(config)
    edges = [0, *sorted(rng.integers(0, n, 40)), n]
    parts = [pieces.push(table.slice(a, b - a)) for a, b in itertools.pairwise(int(e) for e in edges)]
    for name in ("sog_kn", "heading_true_deg", "over_ground"):
        np.testing.assert_array_equal(np.concatenate([getattr(p, name) for p in parts]), getattr(track, name))
    np.testing.assert_array_equal(np.concatenate([p.rpm for p in parts], axis=1), track.rpm)
    b = whole.rows
    assert track.dt_s == pytest.approx(b / grid_hz)
    assert track.sog_kn.size == n // b
    known = np.isfinite(track.sog_kn)
    expected = [values["sog_kn"][i : i + b].mean() for i in range(0, n // b * b, b)]
    np.testing.assert_allclose(track.sog_kn[known], np.array(expected)[known], rtol=1e-12)
    assert not known[100 // b]


def test_samples_in_pieces_of_any_size_give_the_stretches_of_the_whole_in_rows() -> None:
    config = Config(engine=(Engine(id="p", rated_rpm=3000),))
    track, rows = ladder(9, engines=1), 2
    values = {"sog_kn": track.sog_kn, "rpm_p": track.rpm[0], "heading_true_deg": track.heading_true_deg}
    table = pa.table(
        {**{name: np.repeat(v, rows) for name, v in values.items()}, "cog_true_deg": np.zeros(rows * track.sog_kn.size)}
    )
    # at 10 Hz two rows make a block of 0.2 s
    expected = find_steady(Track(track.sog_kn, track.rpm, track.heading_true_deg, 0.2), limits_of(config))
    edges = [0, *sorted(np.random.default_rng(2).integers(0, table.num_rows, 50).tolist()), table.num_rows]
    finder = SegmentFinder(config)
    found = [s for a, b in itertools.pairwise(edges) for s in finder.push(table.slice(a, b - a))]
    assert [*found, *finder.peek()] == [*found, *finder.finish()]
    finder = SegmentFinder(config)
    found = [*finder.push(table), *finder.finish()]
    assert [(s.start, s.stop, s.accepted, s.reason) for s in found] == [
        (s.start * rows, s.stop * rows, s.accepted, s.reason) for s in expected
    ]
    again = SegmentFinder(config)
    assert [
        s for a, b in itertools.pairwise(edges) for s in again.push(table.slice(a, b - a))
    ] + again.finish() == found
    assert any(s.accepted for s in found)
