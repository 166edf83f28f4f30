"""A recording is cut at changes no steady stretch reaches across, however it is handed over."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.prepare.steady.criteria import LONGEST_EPISODE_S, EpisodeCutter, Track

DT = 0.25


def seconds(s: float) -> int:
    return round(s / DT)


def boat(sog: np.ndarray, *rpm: np.ndarray) -> Track:
    return Track(sog, np.array(rpm).reshape(len(rpm), sog.size), np.zeros(sog.size), DT)


def cuts_of(track: Track, edges: tuple[int, ...] = ()) -> list[int]:
    cutter = EpisodeCutter(track.dt_s, track.rpm.shape[0])
    pieces = pairwise([0, *edges, track.sog_kn.size])
    return [cut for a, b in pieces for cut in cutter.push(track.part(a, b))]


def test_a_throttle_moved_at_once_is_cut_where_it_jumped() -> None:
    rpm = np.repeat([1000.0, 1500.0, 1450.0], seconds(100.0))
    rpm[seconds(50.0)] = 4000.0
    # neither a spike nor a nudge of a few percent is a moved throttle
    assert cuts_of(boat(np.full(rpm.size, 8.0), rpm)) == [seconds(100.0)]


def test_a_slow_throttle_is_measured_again_from_where_it_is() -> None:
    rpm = np.concatenate([np.full(400, 1000.0), np.linspace(1000.0, 3000.0, seconds(40.0)), np.full(400, 3000.0)])
    found = cuts_of(boat(np.full(rpm.size, 8.0), rpm))
    assert len(found) > 3
    assert min(np.diff(found)) * DT >= 2.0
    assert 400 < found[0] < found[-1] < 400 + seconds(40.0)


@pytest.mark.parametrize("engines", [1, 2])
def test_speed_is_watched_only_while_no_engine_is_there(engines: int) -> None:
    sog = np.repeat([5.0, 15.0, 5.0, 15.0], seconds(100.0))
    rpm = np.full(sog.size, 2000.0)
    rpm[: seconds(150.0)] = np.nan
    assert cuts_of(boat(sog, *[rpm] * engines)) == [seconds(100.0), seconds(150.0)]


def test_a_signal_is_lost_from_its_last_sample_once_it_is_silent_for_long() -> None:
    sog, rpm = np.full(seconds(600.0), 8.0), np.full(seconds(600.0), 2000.0)
    sog[seconds(100.0) : seconds(150.0)] = np.nan
    sog[seconds(300.0) : seconds(370.0)] = np.nan
    rpm[seconds(200.0) : seconds(215.0)] = np.nan
    rpm[seconds(500.0) :] = np.nan
    assert cuts_of(boat(sog, rpm)) == [seconds(300.0), seconds(370.0), seconds(500.0)]


def test_nothing_but_time_cuts_after_two_hours() -> None:
    sog = np.full(seconds(2.6 * LONGEST_EPISODE_S), 8.0)
    assert cuts_of(boat(sog, np.full(sog.size, 2000.0))) == [seconds(LONGEST_EPISODE_S), seconds(2 * LONGEST_EPISODE_S)]


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_cuts_do_not_depend_on_the_pieces(data: st.DataObject) -> None:
    n = data.draw(st.integers(1, 1200))
    value = st.one_of(st.just(float("nan")), st.floats(0, 3000, width=16))
    signals = [np.repeat(data.draw(st.lists(value, min_size=40, max_size=60)), 30)[:n] for _ in range(3)]
    track = boat(signals[0] / 100.0, *signals[1:])
    edges = data.draw(st.lists(st.integers(0, n), max_size=20).map(sorted))
    found = cuts_of(track)
    assert cuts_of(track, tuple(edges)) == found
    assert cuts_of(track, tuple(range(1, n))) == found
    assert found == sorted(set(found))
