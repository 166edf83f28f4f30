"""A receiver's speed is held against its positions and against other receivers: what is wrong is found, no more.

The boat and her receivers are invented: she goes to and fro at several speeds. A speed that is wrong on purpose has
its size from the test; noise is that of ordinary receivers (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest

from trialcapture.prepare.channels.made_good import (
    PIECE_S,
    Errors,
    LegError,
    Position,
    Velocity,
    check_legs,
    difference_of_speeds,
    error_of_leg,
    errors_of_speed,
    fit_errors,
    jumps_of,
)
from trialcapture.prepare.channels.receiver_choice import Screen, Void, compare_receivers, find_stuck, find_stuck_rpm
from trialcapture.prepare.channels.series import Candidate
from trialcapture.units import KN_M_PER_S

T0 = 1_790_000_000_000_000_000
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Trip:
    """True motion once a second: speed [kn], course [deg], metres north and east."""

    sog_kn: Floats
    cog_deg: Floats
    north_m: Floats
    east_m: Floats

    @property
    def t_ns(self) -> npt.NDArray[np.int64]:
        return T0 + np.arange(self.sog_kn.size, dtype=np.int64) * 1_000_000_000


def trip(speeds_kn: tuple[float, ...] = (6.0, 9.0, 14.0, 20.0, 26.0), leg_s: int = 90) -> Trip:
    """Run each speed there and back, with turns of half a minute between."""
    sog: list[float] = [0.0] * 60
    cog: list[float] = [70.0] * 60
    for speed in speeds_kn:
        for course in (70.0, 250.0):
            sog += np.linspace(sog[-1], speed, 30).tolist() + [speed] * leg_s
            cog += np.linspace(cog[-1], course, 30).tolist() + [course] * leg_s
    v, way = np.array(sog) * KN_M_PER_S, np.radians(cog)

    def run(part: Floats) -> Floats:
        return np.append(0.0, np.cumsum(0.5 * (part[1:] + part[:-1])))

    return Trip(np.array(sog), np.array(cog), run(v * np.cos(way)), run(v * np.sin(way)))


def ar1(n: int, sd: float, memory_s: float, rng: np.random.Generator) -> Floats:
    phi = np.exp(-1.0 / memory_s)
    out = np.empty(n)
    out[0] = rng.standard_normal()
    for i in range(1, n):
        out[i] = phi * out[i - 1] + np.sqrt(1 - phi**2) * rng.standard_normal()
    return sd * out


def velocity(of: Trip, seed: int = 1, sd_kn: float = 0.1, bias_kn: float = 0.0) -> Velocity:
    rng = np.random.default_rng(seed)
    sog = np.maximum(of.sog_kn + ar1(of.sog_kn.size, sd_kn, 4.0, rng) + bias_kn, 0.0)
    return Velocity(of.t_ns, sog, of.cog_deg % 360.0)


def position(of: Trip, seed: int = 2, sd_m: float = 2.0, lon: float = 9.0) -> Position:
    rng = np.random.default_rng(seed)
    north = of.north_m + ar1(of.north_m.size, sd_m, 60.0, rng)
    east = of.east_m + ar1(of.east_m.size, sd_m, 60.0, rng)
    # metres a degree of the WGS84 ellipsoid at latitude 54 (NGA, degree calculator: 111,299 and 65,578 m, from memory)
    return Position(of.t_ns, 54.0 + north / 111_299.0, (lon + east / 65_578.0 + 180.0) % 360.0 - 180.0)


def speed_of(v: Velocity, source: str, preference: int = 0) -> Candidate:
    return Candidate(source, v.t_ns, {"sog_kn": v.sog_kn, "cog_true_deg": v.cog_true_deg}, preference)


def place_of(p: Position, source: str, preference: int = 0) -> Candidate:
    return Candidate(source, p.t_ns, {"lat_deg": p.lat_deg, "lon_deg": p.lon_deg}, preference)


def wrong(v: Velocity, offset_kn: float = 0.0, share: float = 0.0) -> Velocity:
    return replace(v, sog_kn=v.sog_kn * (1.0 + share) + offset_kn)


@pytest.mark.parametrize(("offset_kn", "share"), [(0.0, 0.0), (3.0, 0.0), (0.0, 0.10), (0.0, 0.05), (-1.0, 0.03)])
@pytest.mark.parametrize("every_s", [1, 5])
def test_offset_and_share_of_a_wrong_speed_are_found_from_positions(
    offset_kn: float, share: float, every_s: int
) -> None:
    of = trip()
    p = position(of)
    p = Position(p.t_ns[::every_s], p.lat_deg[::every_s], p.lon_deg[::every_s])
    fit = fit_errors(errors_of_speed(wrong(velocity(of), offset_kn, share), p))
    assert fit is not None
    for true_kn in (6.0, 14.0, 26.0):
        shown = np.array([true_kn * (1.0 + share) + offset_kn])
        error, u = float(fit.error_kn(shown)[0]), float(fit.u_kn(shown)[0])
        assert abs(error - (shown[0] - true_kn)) < 4.0 * u + 0.02
        assert u < 0.12
    assert fit.is_real() == (offset_kn != 0.0 or share != 0.0)


def test_sound_receivers_seldom_seem_wrong() -> None:
    of = trip()
    worst = []
    for seed in range(200):
        bias = np.random.default_rng(seed).normal(0.0, 0.03)
        fit = fit_errors(errors_of_speed(velocity(of, seed, 0.14, bias), position(of, seed + 1000, 3.0)))
        assert fit is not None
        worst.append(fit.is_real())
    assert sum(worst) <= 1


def test_what_the_error_of_speed_is_does_not_depend_on_where_the_boat_is() -> None:
    of = trip()
    here = errors_of_speed(velocity(of), position(of))
    there = errors_of_speed(velocity(of), position(of, lon=179.995))
    assert np.allclose(here.error_kn, there.error_kn, atol=1e-3)


def test_positions_that_jump_aside_for_five_seconds_change_little() -> None:
    of = trip()
    p = position(of, sd_m=1.0)
    off = (np.arange(p.t_ns.size) % 70 >= 40) & (np.arange(p.t_ns.size) % 70 < 45)
    jumping = replace(p, lat_deg=p.lat_deg + np.where(off, 40.0 / 111_299.0, 0.0))
    before, after = errors_of_speed(velocity(of), p), errors_of_speed(velocity(of), jumping)
    assert np.isin(before.t_ns, after.t_ns).mean() > 0.9
    fits = fit_errors(before), fit_errors(after)
    assert fits[0] is not None
    assert fits[1] is not None
    assert not fits[1].is_real()
    assert np.median(np.abs(after.error_kn)) < 2.0 * np.median(np.abs(before.error_kn))
    assert jumps_of(velocity(of), jumping) == pytest.approx(40.0, abs=6.0)
    assert jumps_of(velocity(of), p).size == 0


def test_the_difference_of_two_speeds_is_that_of_its_blocks() -> None:
    of = trip()
    fit = fit_errors(difference_of_speeds(wrong(velocity(of, 1), share=0.1), velocity(of, 2)))
    assert fit is not None
    # shown is 1.1 times the other: more than it by a share of 1 - 1/1.1
    assert fit.share == pytest.approx(1.0 - 1.0 / 1.1, abs=0.005)
    assert fit_errors(Errors(np.arange(4.0), np.full(4, 5.0), np.zeros(4), np.zeros(4))) is None


# two receivers, A right and B wrong; B comes first, covers more, has positions or none
@pytest.mark.parametrize("error", [{"offset_kn": 3.0}, {"share": 0.10}, {"offset_kn": -1.0}, {"share": -0.05}])
@pytest.mark.parametrize("b_places", ["right", "elsewhere", "none", "stuck"])
@pytest.mark.parametrize("a_places", [True, False])
@pytest.mark.parametrize("named", [False, True])
def test_a_wrong_speed_beside_a_right_one_is_left_out(
    error: dict[str, float], b_places: str, a_places: bool, named: bool
) -> None:
    of = trip()
    a, b = speed_of(velocity(of, 5), "gps1/GP VTG", 1), speed_of(wrong(velocity(of, 6), **error), "aux/GN RMC")
    places = [place_of(position(of, 7), "gps1/GP GGA", 2)] if a_places else []
    if b_places in ("right", "elsewhere"):
        places.append(place_of(position(of, 8, lon=9.0 if b_places == "right" else -140.0), "aux/GN RMC"))
    elif b_places == "stuck" and a_places:
        p = position(of, 8)
        places.append(place_of(replace(p, lat_deg=p.lat_deg * 0 + 54.0, lon_deg=p.lon_deg * 0 + 9.0), "aux/GN RMC"))
    candidates = {"velocity": [b, a], "position": places}
    frozen = Screen(tuple(find_stuck(candidates, ())[0]))
    sound = {group: frozen.apply(group, of) for group, of in candidates.items()}
    order, screen, items = compare_receivers(sound, (b.source, a.source), "aux" if named else "")
    if not places:
        # nothing tells which is right: the first one leads, the difference is in every uncertainty
        assert order == (b.source,)
        assert [i.action for i in items] == ["in uncertainty"]
        size = 20.0 * error.get("share", 0.0) + error.get("offset_kn", 0.0)
        assert 2.0 * screen.u_kn(b.source, 20.0 + size) > abs(size)
        return
    assert order == (a.source,)
    assert screen.left_out == {b.source}
    assert screen.apply("velocity", [b, a]) == [a]
    (item,) = items
    assert item.what == "speed of aux/GN"
    assert item.action == "excluded"
    assert np.sign(item.size) == np.sign(sum(error.values()))
    assert ("the settings name it first" in item.cost) == named


def test_one_receiver_alone_whose_speed_is_high_is_corrected_by_its_positions() -> None:
    of = trip()
    rmc = speed_of(wrong(velocity(of), share=0.05), "gps1/GP RMC")
    vtg = speed_of(wrong(velocity(of), share=0.05), "gps1/GP VTG", 1)
    candidates = {"velocity": [rmc, vtg], "position": [place_of(position(of), "gps1/GP RMC")]}
    order, screen, items = compare_receivers(candidates, (rmc.source, vtg.source))
    assert order == (rmc.source, vtg.source)
    (item,) = items
    assert (item.what, item.action) == ("speed of gps1/GP", "corrected")
    for source, shown in ((rmc.source, rmc), (vtg.source, vtg)):
        (right,) = screen.apply("velocity", [shown])
        under_way = of.sog_kn > 5.0
        left = np.abs((right.values["sog_kn"] - velocity(of).sog_kn)[under_way]).max()
        assert left < 0.2
        assert 0.0 < screen.u_kn(source, 20.0) < 0.1


def test_two_sentences_of_one_receiver_that_disagree_are_two_speeds() -> None:
    of = trip()
    rmc = speed_of(velocity(of), "bus/GP RMC")
    vtg = speed_of(wrong(velocity(of), 3.0), "bus/GP VTG", 1)
    candidates = {"velocity": [vtg, rmc], "position": [place_of(position(of), "bus/GP RMC")]}
    order, screen, items = compare_receivers(candidates, (vtg.source, rmc.source))
    assert order == (rmc.source,)
    assert screen.left_out == {vtg.source}
    assert len(items) == 1


def test_a_right_receiver_is_not_outvoted_by_two_that_repeat_one_wrong_speed() -> None:
    of = trip()
    right = speed_of(velocity(of), "gps1/GP RMC")
    copies = [speed_of(wrong(velocity(of, 4), 3.0), f"bus/{talker} VTG", 1) for talker in ("II", "IN")]
    candidates = {"velocity": [*copies, right], "position": [place_of(position(of), "gps1/GP RMC")]}
    order, screen, items = compare_receivers(candidates, (copies[0].source, copies[1].source, right.source))
    assert order == (right.source,)
    assert screen.left_out == {c.source for c in copies}
    assert len(items) == 2


def test_ordinary_receivers_that_agree_are_left_as_coverage_ranks_them() -> None:
    of = trip()
    for seed in range(40):
        rng = np.random.default_rng(seed)
        one = speed_of(velocity(of, 3 * seed, 0.07, rng.normal(0, 0.03)), "gps1/GP RMC")
        other = velocity(of, 3 * seed + 1, 0.14, rng.normal(0, 0.03))
        coarse = speed_of(replace(other, sog_kn=np.round(other.sog_kn, 1)), "bus/GN RMC")
        places = [place_of(position(of, seed + 500), "gps1/GP RMC"), place_of(position(of, seed + 900), "bus/GN RMC")]
        order, screen, items = compare_receivers(
            {"velocity": [one, coarse], "position": places}, (coarse.source, one.source)
        )
        assert order == (coarse.source, one.source)
        assert screen == Screen()
        assert items == []


def leg(error_kn: float, seed: int, seconds: int = 80, sd_m: float = 2.5) -> LegError:
    of = trip((20.0,), seconds)
    part = slice(90, 90 + seconds)
    v, p = velocity(of, seed), position(of, seed + 1, sd_m)
    return error_of_leg(v.sog_kn[part] + error_kn, v.cog_true_deg[part], p.lat_deg[part], p.lon_deg[part], 1.0)


def test_legs_that_contradict_positions_are_corrected_and_others_stay() -> None:
    legs = [leg(1.5 if i in (4, 5) else 0.0, 10 * i) for i in range(12)]
    wrong_kn, u = check_legs(legs, np.zeros(12))
    assert np.flatnonzero(wrong_kn).tolist() == [4, 5]
    assert np.abs(wrong_kn[4:6] - 1.5).max() < 2.5 * u[4]
    assert 0.02 < u[4] < 0.25
    assert not u[:4].any()


def test_sound_legs_seldom_seem_wrong_even_when_they_are_few() -> None:
    found = [check_legs([leg(0.0, 1000 * t + i) for i in range(6)], np.zeros(6))[0].any() for t in range(60)]
    assert sum(found) == 0


def test_a_leg_whose_positions_go_another_way_is_neither_believed_nor_corrected() -> None:
    of = trip((20.0,), 80)
    part = slice(90, 170)
    v, p = velocity(of), position(of)
    for course_off_deg, factor in ((40.0, 1.0), (-90.0, 1.0), (180.0, 1.0), (0.0, 3.0)):
        astray = error_of_leg(
            v.sog_kn[part] * factor, v.cog_true_deg[part] + course_off_deg, p.lat_deg[part], p.lon_deg[part], 1.0
        )
        assert astray.is_another_way
        assert check_legs([astray], np.zeros(1))[0].tolist() == [0.0]
    assert not leg(1.5, 3).is_another_way


def test_a_leg_without_positions_tells_nothing() -> None:
    none = np.full(80, np.nan)
    silent = error_of_leg(np.full(80, 20.0), np.full(80, 10.0), none, none, 1.0)
    assert np.isnan(silent.error_kn)
    assert check_legs([silent], np.zeros(1))[0].tolist() == [0.0]
    assert PIECE_S < 80


FREEZE = slice(300, 900)


def frozen(values: Floats) -> Floats:
    out = values.copy()
    out[FREEZE] = values[FREEZE.start]
    return out


@pytest.mark.parametrize("what", ["both", "speed", "position"])
@pytest.mark.parametrize("beside", [False, True])
def test_a_receiver_that_freezes_for_ten_minutes_is_found(what: str, beside: bool) -> None:
    of = trip()
    v, p = velocity(of), position(of)
    if what != "position":
        v = Velocity(v.t_ns, frozen(v.sog_kn), frozen(v.cog_true_deg))
    if what != "speed":
        p = Position(p.t_ns, frozen(p.lat_deg), frozen(p.lon_deg))
    candidates = {"velocity": [speed_of(v, "gps1/GP RMC")], "position": [place_of(p, "gps1/GP RMC")]}
    if beside:
        candidates["velocity"].append(speed_of(velocity(of, 11), "bus/GN RMC"))
        candidates["position"].append(place_of(position(of, 12), "bus/GN RMC"))
    voids, items = find_stuck(candidates, ())
    assert {void.group for void in voids} == {"position", "velocity"} - (
        {"speed": {"position"}, "position": {"velocity"}}.get(what) or set()
    )
    assert {void.source for void in voids} == {"gps1/GP RMC"}
    for item in items:
        assert (item.stop_ns - item.start_ns) / 1e9 == pytest.approx(600.0, abs=3.0)
    screen = Screen(tuple(voids))
    for group, c in ((g, of) for g, members in candidates.items() for of in members):
        (left,) = screen.apply(group, [c])
        lost = c.t_ns.size - left.t_ns.size
        assert lost == (600 if c.source == "gps1/GP RMC" and any(v.group == group for v in voids) else 0)


def test_what_a_receiver_repeats_while_its_time_stands_still_is_stuck_though_it_shows_rest() -> None:
    of = trip()
    v, p = velocity(of), position(of)
    rows = frozen(np.arange(v.t_ns.size))
    held = np.flatnonzero(rows == np.bincount(rows).argmax())
    sog, cog = v.sog_kn.copy(), v.cog_true_deg.copy()
    sog[held], cog[held] = 0.0, 0.0
    still = Position(p.t_ns, frozen(p.lat_deg), frozen(p.lon_deg))
    candidates = {
        "velocity": [speed_of(Velocity(v.t_ns, sog, cog), "a/GP RMC")],
        "position": [place_of(still, "a/GP RMC")],
    }
    low, high = int(v.t_ns[held[0]]), int(v.t_ns[held[-1]])
    voids, items = find_stuck(candidates, (), {"a/GP": [(low, high, low)]})
    assert {void.group for void in voids} == {"position", "velocity"}
    assert [item.what for item in items] == ["position of a/GP", "speed over ground of a/GP"]
    # of a receiver whose readings go on meanwhile, nothing is
    moving = {"velocity": [speed_of(v, "a/GP RMC")], "position": [place_of(p, "a/GP RMC")]}
    assert find_stuck(moving, (), {"a/GP": [(low, high, low)]}) == ([], [])


@pytest.mark.parametrize("decimals", [0, 1])
def test_a_coarse_speed_a_boat_that_lies_still_and_readings_that_never_repeat_are_not_stuck(decimals: int) -> None:
    of = trip((7.0, 7.2, 12.0), 200)
    v, p = velocity(of, sd_kn=0.05), position(of, sd_m=0.8)
    still = of.sog_kn == 0.0
    v = replace(v, sog_kn=np.where(still, 0.0, np.round(v.sog_kn, decimals)))
    # a receiver that holds its position while the boat lies, to 3 decimals of a minute
    held = Position(p.t_ns, np.where(still, 54.0, np.round(p.lat_deg * 60e3) / 60e3), np.where(still, 9.0, p.lon_deg))
    assert (np.diff(v.sog_kn[100:280]) == 0.0).mean() > 0.5
    assert find_stuck({"velocity": [speed_of(v, "a/GP RMC")], "position": [place_of(held, "a/GP RMC")]}, ()) == ([], [])
    changes = np.append(True, np.diff(v.sog_kn) != 0)
    published = Velocity(v.t_ns[changes], v.sog_kn[changes], v.cog_true_deg[changes])
    candidates = {"velocity": [speed_of(published, "a/GP RMC")], "position": [place_of(held, "a/GP RMC")]}
    assert find_stuck(candidates, ()) == ([], [])


def test_a_heading_that_stands_still_while_the_boat_turns_round_is_stuck() -> None:
    of = trip()
    sound = {"velocity": [speed_of(velocity(of), "g/GP RMC")], "position": [place_of(position(of), "g/GP RMC")]}
    heading = np.round(of.cog_deg % 360.0 + np.random.default_rng(3).normal(0, 0.3, of.cog_deg.size), 1)
    right = Candidate("i/HE HDT", of.t_ns[::5], {"heading_true_deg": heading[::5]}, 0)
    assert find_stuck(sound | {"heading": [right]}, ()) == ([], [])
    stuck = replace(right, values={"heading_true_deg": frozen(heading)[::5]})
    voids, (item,) = find_stuck(sound | {"heading": [stuck]}, ())
    assert [v.group for v in voids] == ["heading"]
    assert item.what == "heading of i/HE"


def rpm_of(of: Trip, step_rpm: float) -> Candidate:
    rpm = np.round((600.0 + 70.0 * of.sog_kn) / step_rpm) * step_rpm
    return Candidate("i/II RPM", of.t_ns, {"rpm_main": rpm}, 0)


@pytest.mark.parametrize("step_rpm", [1.0, 10.0])
def test_an_engine_speed_that_stands_still_while_speeds_change_is_stuck(step_rpm: float) -> None:
    of = trip()
    sound = {"velocity": [speed_of(velocity(of), "g/GP RMC")], "position": [place_of(position(of), "g/GP RMC")]}
    right = rpm_of(of, step_rpm)
    assert find_stuck(sound | {"rpm_main": [right]}, ("main",)) == ([], [])
    stuck = replace(right, values={"rpm_main": frozen(right.values["rpm_main"])})
    voids, (item,) = find_stuck(sound | {"rpm_main": [stuck]}, ("main",))
    assert (voids[0].group, item.unit, item.what) == ("rpm_main", "rpm", "engine speed of main of i/II")


def test_an_engine_speed_that_stands_still_while_the_log_moves_is_stuck() -> None:
    of = trip((20.0, 22.0), 200)
    log = replace(rpm_of(of, 1.0), source="log/a.csv CSV")
    stuck = replace(rpm_of(of, 1.0), values={"rpm_main": frozen(log.values["rpm_main"])[: of.t_ns.size]})
    (void,), (item,) = find_stuck_rpm({"rpm_main": [stuck]}, {"rpm_main": [log]}, ("main",))
    assert void.values == {"rpm_main": item.value}
    assert find_stuck_rpm({"rpm_main": [rpm_of(of, 1.0)]}, {"rpm_main": [log]}, ("main",)) == ([], [])


def test_a_void_takes_only_readings_that_repeat_its_value() -> None:
    c = Candidate("a/GP RMC", T0 + np.arange(6) * 10**9, {"sog_kn": np.array([5.0, 6.0, 6.0, 5.9, 6.0, 6.0])}, 0)
    void = Void("velocity", c.source, T0, T0 + 5 * 10**9, {"sog_kn": 6.0})
    assert void.hits(c).tolist() == [False, True, True, False, True, False]


@pytest.mark.parametrize(
    ("before_s", "change_kn", "is_stuck"),
    [
        # five quarters of a minute of the trial tell how noisy the speed is, and it is not: a knot of change is seen
        (75, 1.6, True), (75, 0.7, False),
        # four tell too little, and eight times the usual noise of 0.3 kn are asked for
        (60, 1.6, False), (60, 3.4, True),
    ],
)  # fmt: skip
def test_a_speed_is_stuck_where_positions_show_that_it_changed(before_s: int, change_kn: float, is_stuck: bool) -> None:
    stuck_s = 60
    moved = np.repeat(np.linspace(0.0, change_kn, 4), stuck_s // 4)
    true_kn = np.concatenate([np.full(before_s, 20.0), 20.0 + moved])
    t_ns = T0 + np.arange(true_kn.size, dtype=np.int64) * 1_000_000_000
    north_m = np.concatenate([[0.0], np.cumsum(0.5 * (true_kn[1:] + true_kn[:-1]))]) * KN_M_PER_S
    shown = np.concatenate([20.0 + 0.01 * (np.arange(before_s) % 2), np.full(stuck_s, 20.0)])
    v = Velocity(t_ns, shown, np.zeros(true_kn.size))
    p = Position(t_ns, 54.0 + north_m / 111_299.0, np.full(true_kn.size, 9.0))
    voids, _ = find_stuck({"velocity": [speed_of(v, "a/GP RMC")], "position": [place_of(p, "a/GP RMC")]}, ())
    assert [void.group for void in voids] == (["velocity"] if is_stuck else [])
