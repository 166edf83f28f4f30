"""A session with nothing but a CAN log becomes a band table; frames are packed by the published field layouts.

Layouts: parameter groups 126992, 127250, 127488, 127489, 129025, 129026 as the open canboat database states them.
"""

from __future__ import annotations

import gzip
import json
import math
import struct
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

import pytest

from tests.nmea_builders import journal_line, sentence
from tests.numbers import process_numbers
from trialcapture.archive.collect import collect
from trialcapture.archive.session import create_session
from trialcapture.config import load_config

START_S = 1_790_000_000
SPEED_KN = {1200: 8.0, 2000: 15.0, 2800: 24.0}
FUEL_L_PER_H = {1200: 20.0, 2000: 60.0, 2800: 110.0}
CURRENT_KN, CURRENT_DEG = 1.0, 30.0
CONFIG = """
[boat]
name = "Test Hull"
[fuel]
capacity_l = 800
[[engine]]
id = "main"
rated_rpm = 3000
nmea_instance = 0
"""


def frame(t_s: float, pgn: int, data: bytes, source: int = 16) -> bytes:
    return b"(%.6f) can0 %08X#%s\n" % (START_S + t_s, (2 << 26) | (pgn << 8) | source, data.hex().upper().encode())


def fast(t_s: float, pgn: int, data: bytes, counter: int) -> Iterator[bytes]:
    yield frame(t_s, pgn, bytes([counter % 8 << 5, len(data)]) + data[:6])
    for i, at in enumerate(range(6, len(data), 7), start=1):
        yield frame(t_s + i * 1e-4, pgn, (bytes([counter % 8 << 5 | i]) + data[at : at + 7]).ljust(8, b"\xff"))


@cache
def bus() -> tuple[bytes, ...]:
    """Every frame of the trial, in order."""
    return tuple(frames())


def frames() -> Iterator[bytes]:
    t, lat, lon, speed = 0, 51.0, -8.0, 8.0
    for rpm, wanted in SPEED_KN.items():
        for heading in (70.0, 250.0):
            for _ in range(120):
                speed += (wanted - speed) * (1 - math.exp(-1 / 6))
                north = speed * math.cos(math.radians(heading)) + CURRENT_KN * math.cos(math.radians(CURRENT_DEG))
                east = speed * math.sin(math.radians(heading)) + CURRENT_KN * math.sin(math.radians(CURRENT_DEG))
                lat += north / 216_000
                lon += east / 216_000 / math.cos(math.radians(lat))
                sog, cog = math.hypot(north, east) * 1852 / 3600, math.atan2(east, north) % (2 * math.pi)
                days, second = divmod(START_S + t, 86_400)
                yield frame(t + 0.05, 126992, struct.pack("<BBHI", 255, 0xF0, days, second * 10_000))
                yield frame(t + 0.06, 129025, struct.pack("<ii", round(lat * 1e7), round(lon * 1e7)))
                yield frame(
                    t + 0.07, 129026, struct.pack("<BBHHH", 255, 0xFC, round(cog * 1e4), round(sog * 100), 65535)
                )
                yield frame(
                    t + 0.08, 127250, struct.pack("<BHhhB", 255, round(math.radians(heading) * 1e4), 32767, 32767, 0xFC)
                )
                yield frame(t + 0.09, 127488, struct.pack("<BHHbH", 0, rpm * 4, 65535, 127, 65535))
                fuel = struct.pack("<BHHHhhIHHBHHbb", 0, 65535, 65535, 35315, 32767, round(FUEL_L_PER_H[rpm] * 10),
                                   2**32 - 1, 65535, 65535, 255, 0, 0, 127, 127)  # fmt: skip
                yield from fast(t + 0.1, 127489, fuel, t)
                t += 1


def as_shown(line: bytes) -> bytes:
    """The same frame as ``candump -ta`` shows it on a screen (can-utils)."""
    stamp, channel, rest = line.split(maxsplit=2)
    identifier, data = rest.strip().split(b"#")
    octets = b" ".join(data[at : at + 2] for at in range(0, len(data), 2))
    return b" %s  %s  %s   [%d]  %s\n" % (stamp, channel, identifier, len(data) // 2, octets)


def test_a_can_log_recorded_elsewhere_is_collected_and_processed(tmp_path: Path) -> None:
    lines = bus()
    config = tmp_path / "boat.toml"
    config.write_text(CONFIG)
    half = len(lines) // 2
    (tmp_path / "first.log").write_bytes(b"".join(lines[:half]))
    (tmp_path / "second.gz").write_bytes(gzip.compress(b"".join(map(as_shown, lines[half:]))))
    logs = [tmp_path / "first.log", tmp_path / "second.gz"]
    session = tmp_path / "session"
    collect(logs, [], load_config(CONFIG), session, created="2026-09-21T14:13:20Z", config_text=CONFIG)
    bands = process_numbers(session)["bands"].to_pylist()
    assert [row["ways"] for row in bands] == [2, 2, 2]
    assert [row["speed_kn"] for row in bands] == pytest.approx(list(SPEED_KN.values()), abs=0.05)
    assert [row["fuel_l_per_h"] for row in bands] == pytest.approx(list(FUEL_L_PER_H.values()), rel=0.005)


@pytest.mark.parametrize("with_epoch", [True, False])
def test_a_can_log_alone_gives_speed_without_current_and_fuel(tmp_path: Path, with_epoch: bool) -> None:
    session = tmp_path / "session"
    create_session(session, load_config(CONFIG), made_by="test", created="2026-09-21T14:13:20Z", config_text=CONFIG)
    (session / "raw" / "can.log").write_bytes(b"".join(bus()))
    if with_epoch:
        note = {"t": "2026-09-21T14:13:20Z", "kind": "start", "epoch_wall_ns": START_S * 10**9}
        (session / "raw" / "notes.jsonl").write_text(json.dumps(note) + "\n")
    bands = {row["band_rpm"]: row for row in process_numbers(session)["bands"].to_pylist()}
    assert sorted(bands) == pytest.approx(sorted(SPEED_KN), abs=1.0)
    for (_, row), rpm in zip(sorted(bands.items()), sorted(SPEED_KN), strict=True):
        assert row["ways"] == 2
        assert row["speed_kn"] == pytest.approx(SPEED_KN[rpm], abs=0.05)
        assert row["fuel_l_per_h"] == pytest.approx(FUEL_L_PER_H[rpm], rel=0.005)
        assert row["current_kn"] == pytest.approx(CURRENT_KN, abs=0.05)


def carried(lines: Sequence[bytes], way: str) -> bytes:
    """The same traffic inside sentences, as a gateway sends it; fast packets whole in PCDIN, frame by frame in PGN."""
    made, open_bytes = [], b""
    for line in lines:
        stamp, _, rest = line.split()
        identifier, data = rest.split(b"#")
        ident, payload = int(identifier, 16), bytes.fromhex(data.decode())
        pgn, address = ident >> 8 & 0x3FFFF, ident & 0xFF
        if way == "MXPGN":
            body = f"MXPGN,{pgn:06X},{2 << 12 | len(payload) << 8 | address:04X},{payload[::-1].hex().upper()}"
        else:
            if pgn == 127489:
                open_bytes = (open_bytes if payload[0] & 0x1F else b"") + payload[1 + (payload[0] & 0x1F == 0) :]
                if len(open_bytes) < 26:
                    continue
                payload = open_bytes[:26]
            body = f"PCDIN,{pgn:06X},00000000,{address:02X},{payload.hex().upper()}"
        t_us = round((float(stamp.strip(b"()")) - START_S) * 1e6)
        text = sentence(body)
        is_journal = way != "plain PCDIN"
        made.append(
            journal_line(text, source="gw", mono_us=t_us, wall_ms=START_S * 1000 + t_us // 1000) if is_journal else text
        )
    return b"".join(made)


@pytest.mark.parametrize("way", ["PCDIN", "MXPGN", "plain PCDIN"])
def test_the_same_bus_inside_sentences_gives_the_same_bands(tmp_path: Path, way: str) -> None:
    session = tmp_path / "session"
    create_session(session, load_config(CONFIG), made_by="test", created="2026-09-21T14:13:20Z", config_text=CONFIG)
    (session / "raw" / "nmea.log").write_bytes(carried(bus(), way))
    result = process_numbers(session)
    bands = {row["band_rpm"]: row for row in result["bands"].to_pylist()}
    assert sorted(bands) == pytest.approx(sorted(SPEED_KN), abs=1.0)
    for (_, row), rpm in zip(sorted(bands.items()), sorted(SPEED_KN), strict=True):
        assert row["ways"] == 2
        assert row["speed_kn"] == pytest.approx(SPEED_KN[rpm], abs=0.05)
        assert row["fuel_l_per_h"] == pytest.approx(FUEL_L_PER_H[rpm], rel=0.005)
    assert not any(
        "not recorded" in warning["text"] for warning in result["summary"]["warnings"] if "rpm" in warning["text"]
    )
