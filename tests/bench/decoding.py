"""Decoding NMEA 0183 beside pynmea2 with attribute access, on a journal and on a plain log of the same sentences.

    python -m tests.bench.decoding

pynmea2 reads what `decode_nmea` makes columns of: it parses each sentence with its checksum, and the attributes
of its fields are read once. Of a journal line the TAG block is only cut off for it, while `decode_nmea` checks and
reads it. Both run in turns in one thread, each round on other lines; the medians of the rounds are printed.
"""

from __future__ import annotations

import argparse
import re
import statistics
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pynmea2

from trialcapture.archive.raw import read_blocks
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session

_PLACE = ("timestamp", "latitude", "longitude")
ATTRIBUTES: dict[str, tuple[str, ...]] = {
    "RMC": (*_PLACE, "status", "spd_over_grnd", "true_course", "datestamp", "mag_variation", "mag_var_dir",
            "mode_indicator"),
    "GGA": (*_PLACE, "gps_qual", "num_sats", "horizontal_dil", "altitude", "geo_sep"),
    "GLL": (*_PLACE, "status", "faa_mode"),
    "VTG": ("true_track", "mag_track", "spd_over_grnd_kts", "faa_mode"),
    "ZDA": ("timestamp", "day", "month", "year"),
    "HDT": ("heading",),
    "RPM": ("source", "engine_no", "speed", "pitch", "status"),
    "ROT": ("rate_of_turn", "status"),
    "VHW": ("heading_true", "heading_magnetic", "water_speed_knots"),
    "MWV": ("wind_angle", "reference", "wind_speed", "wind_speed_units", "status"),
    "DPT": ("depth", "offset"),
    "MTW": ("temperature",),
}  # fmt: skip
PEER_LINES = 5_000


def read_by_pynmea2(lines: list[str]) -> int:
    """Parse sentences and read their attributes; return how many there were."""
    count = 0
    for line in lines:
        try:
            message = pynmea2.parse(line[line.rfind("\\") + 1 :], check=True)
        except pynmea2.ParseError:
            continue
        kind = getattr(message, "sentence_type", "")
        if kind == "XDR":
            for nth in range(message.num_transducers):
                group = message.get_transducer(nth)
                _ = group.type, float(group.value), group.units, group.id
        else:
            for name in ATTRIBUTES.get(kind, ()):
                getattr(message, name)
        count += 1
    return count


def took_s(run: Callable[[], object]) -> float:
    """Processor time of one call, so that what else the machine does counts as little as it can."""
    before = time.process_time()
    run()
    return time.process_time() - before


def compare(path: Path, block_bytes: int, rounds: int) -> tuple[float, float, float]:
    """Return the ratio of the two, MB/s of `decode_nmea`, and its working memory as multiples of the block."""
    blocks = list(read_blocks(path, block_bytes))
    lines = b"".join(block for _, block in blocks).decode("latin-1").splitlines()
    ratios, speeds = [], []
    for nth in range(rounds):
        ours = took_s(lambda: [decode_nmea(block, source="x", first_line=first) for first, block in blocks])
        at = nth * PEER_LINES % max(len(lines) - PEER_LINES, 1)
        some = lines[at : at + PEER_LINES]
        theirs = took_s(lambda some=some: read_by_pynmea2(some))
        ratios.append((theirs / len(some)) / (ours / len(lines)))
        speeds.append(sum(len(block) for _, block in blocks) / ours / 1e6)
    tracemalloc.start()
    decode_nmea(blocks[0][1], source="x")
    peak = tracemalloc.get_traced_memory()[1] / len(blocks[0][1])
    tracemalloc.stop()
    return statistics.median(ratios), statistics.median(speeds), peak


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=1.0, help="length of the simulated session")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--blocks", type=float, nargs="+", default=[1, 2, 4, 8, 16], help="sizes of a block [MiB]")
    arguments = parser.parse_args()
    print(f"{'':10}{'block MiB':>10}{'times pynmea2':>15}{'MB/s':>8}{'memory/block':>14}")
    with tempfile.TemporaryDirectory() as scratch:
        write_session(simulate("twin-planing", 5, hours=arguments.hours), Path(scratch) / "session")
        journal = Path(scratch) / "session" / "raw" / "nmea.log"
        plain = Path(scratch) / "plain.log"
        plain.write_bytes(re.sub(rb"(?m)^\\[^\\\n]*\\", b"", journal.read_bytes()))
        for name, path in (("journal", journal), ("plain log", plain)):
            for size in arguments.blocks:
                ratio, speed, memory = compare(path, int(size * (1 << 20)), arguments.rounds)
                print(f"{name:10}{size:>10g}{ratio:>15.1f}{speed:>8.0f}{memory:>14.1f}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
