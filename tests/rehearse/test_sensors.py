"""What sensors send is what the boat did, within errors of the size stated, in sentences other parsers read."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pynmea2
import pytest
from geographiclib.geodesic import Geodesic
from pynmeagps import NMEAReader

from trialcapture.rehearse.boats import OLD_SEDGE, TARN_PLOVER, Damage, Instruments, Laptop, Outage, Receiver, Wire
from trialcapture.rehearse.instruments import (
    Emission,
    angle_texts,
    clock_texts,
    finish,
    number_texts,
    observe,
    position_texts,
    receive,
)
from trialcapture.rehearse.motion import Crew, integrate, ride
from trialcapture.rehearse.scenarios import Phase
from trialcapture.rehearse.sea import Sea, correlated, low_pass
from trialcapture.rehearse.simulate import deliver, mono_us, wall_ms
from trialcapture.units import KN_M_PER_S

START_NS = 1_778_747_407 * 10**9 + 30_000_000
SEA = Sea(48.0, -8.0, current_kn=1.0, current_towards_deg=30.0)


@lru_cache(maxsize=1)
def state() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(8)
    phases = (Phase("hold", 400.0, 2000.0, heading_deg=40.0), Phase("turn", 90.0, heading_deg=220.0))
    motion = integrate(TARN_PLOVER, phases, SEA, Crew((0.001, -0.001)), rng)
    return ride(motion, TARN_PLOVER, SEA, rng)


def sent(emission: Emission, name: str) -> list[tuple[float, bytes]]:
    whole = finish(emission.bodies, emission.start)
    return [(t, s) for t, s in zip(emission.ready_s, whole, strict=True) if s[3:6] == name.encode()]


def at(name: str, t_s: np.ndarray) -> np.ndarray:
    return np.interp(t_s, state()["t_s"], state()[name])


def test_correlated_noise_has_unit_variance_and_the_memory_asked_for() -> None:
    noise = correlated(200_000, 0.1, 4.0, np.random.default_rng(1))
    assert noise.std() == pytest.approx(1.0, abs=0.04)
    lag = 40
    assert np.corrcoef(noise[:-lag], noise[lag:])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.05)
    first = [correlated(2, 0.1, 4.0, np.random.default_rng(seed))[0] for seed in range(500)]
    assert np.std(first) == pytest.approx(1.0, abs=0.1)


def test_a_low_pass_reaches_63_percent_of_a_step_after_its_time_constant() -> None:
    step = np.concatenate([np.zeros(1), np.ones(2000)])
    assert low_pass(step, 0.05, 5.0)[100] == pytest.approx(1.0 - np.exp(-1.0), abs=0.01)


def test_positions_and_velocities_belong_together() -> None:
    # the geodesic between two true positions is the integral of the true velocity; geographiclib is the reference
    s = state()
    a, b = 2000, 7000
    line = Geodesic.WGS84.Inverse(s["lat_deg"][a], s["lon_deg"][a], s["lat_deg"][b], s["lon_deg"][b])
    east, north = np.trapezoid(s["east_m_s"][a : b + 1], dx=0.05), np.trapezoid(s["north_m_s"][a : b + 1], dx=0.05)
    assert line["s12"] == pytest.approx(np.hypot(east, north), rel=1e-5)
    assert line["azi1"] % 360.0 == pytest.approx(np.degrees(np.arctan2(east, north)) % 360.0, abs=0.05)


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0])
def test_fixes_tell_the_true_velocity_within_the_stated_noise(rate_hz: float) -> None:
    receiver = Receiver(
        rate_hz=rate_hz,
        velocity_sd_kn=0.10,
        height_m=0.0,
        forward_m=0.0,
        starboard_m=0.0,
        sog_decimals=3,
        cog_decimals=3,
    )
    emission = receive(state(), receiver, START_NS, -2.4, np.random.default_rng(4))
    rows = [pynmea2.parse(s.decode().strip(), check=True) for _, s in sent(emission, "RMC")]
    t_s = np.array([(r.datetime.timestamp() - START_NS / 1e9) for r in rows])
    assert np.allclose(np.diff(t_s), 1.0 / rate_hz, atol=1e-6)
    east = np.array([r.spd_over_grnd * np.sin(np.radians(r.true_course)) for r in rows])
    error = east - at("east_m_s", t_s) / KN_M_PER_S
    assert error.std() == pytest.approx(0.10, abs=0.03)
    lag = round(receiver.velocity_memory_s * rate_hz)
    assert 0.15 < np.corrcoef(error[:-lag], error[lag:])[0, 1] < 0.6
    metres = (np.array([r.latitude for r in rows]) - at("lat_deg", t_s)) * 111_200.0
    assert np.abs(metres).max() < 5.0 * receiver.position_sd_m
    latency = np.array([t for t, _ in sent(emission, "RMC")]) - t_s
    assert receiver.latency_s <= latency.min() < receiver.latency_s + receiver.jitter_s
    assert np.median(latency) < receiver.latency_s + receiver.jitter_s


def test_every_sentence_is_read_by_two_other_parsers() -> None:
    receiver = Receiver(
        sentences=("RMC", "VTG", "GGA", "GNS"), rate_hz=1.0, outages=(Outage(0.5, 5.0), Outage(0.6, 5.0, "estimated"))
    )
    rng = np.random.default_rng(2)
    emissions = [receive(state(), receiver, START_NS, -2.4, rng)]
    for kit in (Instruments(wind_true=True), Instruments(heading="HDG", rpm_sentence="XDR", rpm_quantum=10.0)):
        emissions += observe(state(), kit, TARN_PLOVER, SEA, rng)
    names = set()
    for emission in emissions:
        for sentence in finish(emission.bodies[:400], emission.start):
            assert len(sentence) <= 82  # longest sentence, CRLF included ("NMEA Revealed")
            mine = pynmea2.parse(sentence.decode().strip(), check=True)
            other = NMEAReader.parse(sentence)
            assert mine.sentence_type == other.msgID
            names.add(mine.sentence_type)
    assert names == {
        "RMC",
        "VTG",
        "GGA",
        "GNS",
        "ZDA",
        "GLL",
        "HDT",
        "HDG",
        "DPT",
        "MWV",
        "MWD",
        "VHW",
        "RPM",
        "XDR",
        "ROT",
        "MTW",
    }


def test_outages_are_void_estimated_or_silent_and_nothing_else_is() -> None:
    end = float(state()["t_s"][-1])
    outages = (Outage(0.2, 10.0, "void"), Outage(0.4, 10.0, "estimated"), Outage(0.6, 10.0, "silent"))
    receiver = Receiver(rate_hz=1.0, outages=outages)
    emission = receive(state(), receiver, START_NS, 0.0, np.random.default_rng(1))
    seen = {}
    for _, sentence in sent(emission, "RMC"):
        fields = sentence.decode().split(",")
        seen[float(fields[1])] = (fields[2], fields[3] == "", fields[12][:1])
    kinds = [value for _, value in sorted(seen.items())]
    assert kinds.count(("V", True, "N")) == 10
    assert kinds.count(("V", False, "E")) == 10
    assert kinds.count(("A", False, "A")) == len(kinds) - 20
    assert len(kinds) == pytest.approx(end - 10.0, abs=1.5)


def test_instruments_show_the_truth_with_their_own_faults() -> None:
    kit = Instruments(log_factor=0.9, log_offset_kn=0.2, heading_error_deg=0.0, rpm_quantum=10.0)
    emissions = observe(state(), kit, TARN_PLOVER, SEA, np.random.default_rng(6))
    by_name: dict[str, list[tuple[float, list[str]]]] = {}
    for emission in emissions:
        for t, body in zip(emission.ready_s, emission.bodies, strict=True):
            by_name.setdefault(body[2:5], []).append((t, body.split(",")))
    settled = [row for row in by_name["VHW"] if 100.0 < row[0] < 380.0]
    shown = np.array([float(f[5]) for _, f in settled])
    true = at("stw_kn", np.array([t for t, _ in settled]))
    assert np.mean(shown - (0.9 * true + 0.2)) == pytest.approx(0.0, abs=0.03)
    heading = np.array([(t, float(f[1])) for t, f in by_name["HDT"]])
    off = (heading[:, 1] - np.degrees(at("heading_rad", heading[:, 0] - kit.latency_s)) + 180.0) % 360.0 - 180.0
    assert np.abs(off).mean() < 0.5
    rpm = np.array([float(f[3]) for _, f in by_name["RPM"]])
    assert np.all(rpm % 10.0 == 0.0)
    numbers = {f[2] for _, f in by_name["RPM"]}
    assert numbers == {"1", "2"}  # odd to starboard, even to port (IEC 61162-1 by way of "NMEA Revealed")


def test_apparent_wind_is_the_difference_of_wind_and_way() -> None:
    emissions = observe(state(), Instruments(), TARN_PLOVER, SEA, np.random.default_rng(6))
    rows = [(t, b.split(",")) for e in emissions for t, b in zip(e.ready_s, e.bodies, strict=True) if b[2:5] == "MWV"]
    t_s = np.array([t for t, _ in rows]) - 0.06
    angle, speed = np.radians([float(f[1]) for _, f in rows]), np.array([float(f[3]) for _, f in rows])
    heading = at("heading_rad", t_s)
    # air felt plus way over ground gives the wind back
    east = -speed * np.sin(heading + angle) + at("east_m_s", t_s) / KN_M_PER_S
    north = -speed * np.cos(heading + angle) + at("north_m_s", t_s) / KN_M_PER_S
    wind_e, wind_n = at("wind_e_m_s", t_s) / KN_M_PER_S, at("wind_n_m_s", t_s) / KN_M_PER_S
    assert np.mean(east - wind_e) == pytest.approx(0.0, abs=0.4)
    assert np.mean(north - wind_n) == pytest.approx(0.0, abs=0.4)


def test_a_slow_line_delays_by_its_characters_and_queues() -> None:
    bodies = ["IIMTW,15.0,C"] * 40
    emission = Emission("bus", np.zeros(40), bodies)
    quiet = Laptop(drift_ppm=0.0, stall_share=0.0)
    table, _ = deliver([emission], [Wire("bus", 4800, 0.0)], Damage(), quiet, START_NS, 100.0, np.random.default_rng(1))
    first_byte = table["t_s"].to_numpy()
    length = len(finish(bodies[:1])[0])
    # ten bits a character: 4800 baud carries 480 characters a second
    assert np.median(np.diff(first_byte)) == pytest.approx(length / 480.0, rel=0.05)
    assert first_byte[-1] == pytest.approx(39 * length / 480.0 + 1 / 480.0, abs=0.02)


def test_clocks_drift_and_step_but_monotonic_time_never_does() -> None:
    t_s = np.linspace(0.0, 1000.0, 5001)
    laptop = Laptop(wall_error_s=2.0, drift_ppm=50.0, steps=((0.5, -3600.0),))
    mono, wall = mono_us(t_s, laptop), wall_ms(t_s, laptop, START_NS, 1000.0)
    assert np.all(np.diff(mono) > 0)
    assert mono[-1] == pytest.approx(1000.05e6, abs=2)
    assert wall[0] - START_NS // 10**6 == 2000
    assert wall[-1] - wall[0] == pytest.approx((1000.05 - 3600.0) * 1000.0, abs=2)


def test_damage_is_done_in_the_shares_asked_for_and_undamaged_lines_survive_it() -> None:
    bodies = [f"IIRPM,E,1,{k},,A" for k in range(20_000)]
    emission = Emission("bus", np.arange(20_000) * 0.01, bodies)
    damage = Damage(flipped=0.01, dropped=0.01, cut=0.01, glued=0.01, noise=0.01)
    table, counts = deliver([emission], [Wire("bus")], damage, Laptop(), START_NS, 1e9, np.random.default_rng(9))
    for kind in ("flipped", "dropped", "cut", "glued", "noise"):
        assert counts[kind] == pytest.approx(200, abs=60)
    pieces = table["bytes"].to_pylist()
    whole = {p.split(b"\r")[0] for p in pieces}
    intact = [s for s in finish(bodies) if s[:-2] in whole]
    spoilt = counts["flipped"] + counts["dropped"] + counts["cut"]
    assert len(intact) >= 20_000 - spoilt - counts["glued"] - counts["noise"]
    assert len(set(pieces)) > len(intact)  # and what was spoilt is there too


def test_rounding_never_makes_an_impossible_field() -> None:
    assert position_texts(np.array([59.9999999999, -0.5]), 3, "NS") == ["6000.000,N", "0030.000,S"]
    assert angle_texts(np.array([359.96, -0.04, np.nan]), 1) == ["0.0", "0.0", ""]
    assert number_texts(np.array([-0.001, np.nan]), 1) == ["0.0", ""]
    assert (
        clock_texts(np.array([START_NS, START_NS // 86_400_000_000_000 * 86_400_000_000_000 - 1]), 2)[1] == "235959.99"
    )


def test_a_compass_sends_magnetic_headings_with_the_variation_of_the_place() -> None:
    sea = replace(SEA, variation_deg=11.8)
    emissions = observe(
        state(),
        Instruments(heading="HDG", heading_error_deg=0.0),
        OLD_SEDGE_ON_THE_YACHT,
        sea,
        np.random.default_rng(6),
    )
    bodies = next(e for e in emissions if e.bodies[0].startswith("HCHDG"))
    fields = [b.split(",") for b in bodies.bodies]
    true = (np.array([float(f[1]) for f in fields]) + 11.8) % 360.0
    off = (true - np.degrees(at("heading_rad", bodies.ready_s - 0.06)) + 180.0) % 360.0 - 180.0
    assert {(f[4], f[5]) for f in fields} == {("11.8", "E")}
    assert np.abs(off).mean() < 0.5


OLD_SEDGE_ON_THE_YACHT = replace(TARN_PLOVER, name=OLD_SEDGE.name)
