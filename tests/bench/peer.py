"""What a competent pandas user does with the same session in a notebook, as a script.

    python tests/bench/peer.py SESSION --into FOLDER

pynmea2 parses each line, the rows become data frames, GNSS time places every sentence, `merge_asof` joins the
channels, one 10 Hz grid holds them, a rolling standard deviation finds the steady stretches, and a group-by makes the
band table. It shares no code with the program.
"""

from __future__ import annotations

import argparse
import re
import tomllib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pynmea2

STEP = "100ms"
RPM_SD, SOG_SD_KN, WINDOW = 0.015, 0.25, 300
TAG = re.compile(r"\\s:(\w+),c:(\d+),r:\d+\*\w\w\\(.*)")

Row = tuple[Any, ...]


def rmc(m: Any) -> Row:
    when = datetime.combine(m.datestamp, m.timestamp)
    if m.status != "A":
        return when, None, None, None, None
    return when, m.latitude, m.longitude, m.spd_over_grnd, m.true_course


def xdr(m: Any) -> Row:
    told = {t.id: t.value for t in (m.get_transducer(i) for i in range(m.num_transducers))}
    return told.get("PITCH"), told.get("ROLL")


READERS: dict[str, tuple[tuple[str, ...], Callable[[Any], Row]]] = {
    "RMC": (("utc", "lat", "lon", "sog", "cog"), rmc),
    "GGA": (
        ("quality", "satellites", "hdop", "altitude"),
        lambda m: (m.gps_qual, m.num_sats, m.horizontal_dil, m.altitude),
    ),
    "VTG": (("vtg_sog", "vtg_cog"), lambda m: (m.spd_over_grnd_kts, m.true_track)),
    "HDT": (("heading",), lambda m: (m.heading,)),
    "DPT": (("below", "offset"), lambda m: (m.depth, m.offset)),
    "MWV": (("awa", "aws"), lambda m: (m.wind_angle, m.wind_speed)),
    "MWD": (("twd", "tws"), lambda m: (m.direction_true, m.wind_speed_knots)),
    "VHW": (("stw",), lambda m: (m.water_speed_knots,)),
    "RPM": (("engine", "rpm"), lambda m: (m.engine_no, m.speed)),
    "XDR": (("pitch", "roll"), xdr),
    "ROT": (("rot",), lambda m: (m.rate_of_turn,)),
    "MTW": (("water",), lambda m: (m.temperature,)),
}
"""By sentence type: columns, and what reads them from a message. Values are gathered in one list a column: a
dictionary a row takes a quarter more time and twice the memory."""


def read_log(path: Path) -> tuple[dict[str, pd.DataFrame], int]:
    """Parse a log line by line; return a frame a sentence type, and how many lines were no good."""
    lists: dict[str, tuple[list[Any], ...]] = {
        name: tuple([] for _ in range(len(columns) + 2)) for name, (columns, _) in READERS.items()
    }
    bad = 0
    with path.open(encoding="ascii", errors="replace") as file:
        for line in file:
            found = TAG.match(line)
            if found is None:
                bad += 1
                continue
            source, wall_ms, sentence = found.groups()
            try:
                message = pynmea2.parse(sentence, check=True)
                name = message.sentence_type if isinstance(message, pynmea2.TalkerSentence) else ""
                if name not in READERS:
                    continue
                row = (source, int(wall_ms), *READERS[name][1](message))
            except (pynmea2.ParseError, AttributeError, TypeError, ValueError, IndexError):
                bad += 1
                continue
            for column, value in zip(lists[name], row, strict=True):
                column.append(value)
    frames = {}
    for name, columns in lists.items():
        if not columns[0]:
            continue
        frame = pd.DataFrame(dict(zip(("source", "received", *READERS[name][0]), columns, strict=True)))
        frame["received"] = pd.to_datetime(frame["received"], unit="ms", utc=True).dt.as_unit("ns")
        for column in frame.columns.difference(["source", "received", "utc"]):
            frame[column] = pd.to_numeric(frame[column], errors="coerce")
        frames[name] = frame
    return frames, bad


def place(frames: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Put every frame on GNSS time in place; return the fixes of the faster receiver."""
    fixes = frames["RMC"]
    fixes = fixes[fixes["source"] == fixes["source"].value_counts().index[0]].copy()
    fixes["utc"] = pd.to_datetime(fixes["utc"], utc=True, errors="coerce").dt.as_unit("ns")
    late = fixes["received"] - fixes["utc"]
    # a damaged date or time that passes the checksum
    fixes = fixes[(late - late.median()).abs() < pd.Timedelta("2s")]
    fixes = fixes.sort_values("utc").drop_duplicates("utc")
    fixes["late"] = (fixes["received"] - fixes["utc"]).dt.total_seconds()
    clock = fixes.set_index("received")["late"].sort_index().rolling("60s").min().reset_index()
    clock["late"] = pd.to_timedelta(clock["late"], unit="s").dt.as_unit("ns")
    for name, frame in frames.items():
        if name == "RMC":
            continue
        joined = pd.merge_asof(frame.sort_values("received"), clock, on="received", direction="nearest")
        joined["utc"] = joined["received"] - joined["late"]
        frames[name] = joined.dropna(subset="utc").sort_values("utc")
    return fixes


def on_grid(frame: pd.DataFrame, columns: list[str], grid: pd.DatetimeIndex, limit_s: float) -> pd.DataFrame:
    """Interpolate a frame in time to the grid, gaps longer than the limit left empty."""
    values = frame.set_index("utc")[columns].dropna()
    values = values[~values.index.duplicated()]
    whole = values.reindex(values.index.union(grid)).interpolate("time", limit_area="inside").reindex(grid)
    edges = pd.DataFrame({"utc": grid})
    seen = pd.DataFrame({"utc": values.index, "at": values.index})
    before = pd.merge_asof(edges, seen, on="utc")["at"]
    after = pd.merge_asof(edges, seen, on="utc", direction="forward")["at"]
    whole[((after - before) > pd.Timedelta(seconds=limit_s)).to_numpy()] = np.nan
    return whole


def read_engine_log(path: Path, engines: list[str], grid: pd.DataFrame) -> pd.DataFrame:
    """Read an engine log and set its clock by the rpm seen on the network."""
    log = pd.read_csv(path)
    log["utc"] = pd.to_datetime(log["Time"], utc=True).dt.as_unit("ns")
    log = log.drop(columns="Time").dropna(subset="utc").sort_values("utc")
    log = log.set_index("utc").resample(STEP).mean().interpolate(limit=20)
    name = next(c for c in log.columns if c.lower().startswith("engine speed") and engines[0] in c)
    ours = grid[f"rpm_{engines[0]}"].resample("1s").mean().interpolate().ffill().bfill()
    theirs = log[name].resample("1s").mean().interpolate().ffill().bfill()
    size = 1 << (len(ours) + len(theirs)).bit_length()
    spectrum = np.fft.rfft(ours - ours.mean(), size) * np.conj(np.fft.rfft(theirs - theirs.mean(), size))
    match = np.fft.irfft(spectrum, size)
    lag = int(match.argmax())
    lag = lag - size if lag > size // 2 else lag
    log.index = log.index + (ours.index[0] - theirs.index[0]) + pd.Timedelta(seconds=lag)
    return log


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("session", type=Path)
    parser.add_argument("--into", type=Path, required=True)
    arguments = parser.parse_args()
    arguments.into.mkdir(parents=True, exist_ok=True)
    settings = tomllib.loads((arguments.session / "session.toml").read_text())
    engines = [engine["id"] for engine in settings["engine"]]
    numbers = {engine["nmea_instance"]: engine["id"] for engine in settings["engine"]}

    frames, bad = read_log(arguments.session / "raw" / "nmea.log")
    fixes = place(frames)
    grid = pd.date_range(fixes["utc"].iloc[0].ceil(STEP), fixes["utc"].iloc[-1].floor(STEP), freq=STEP, unit="ns")
    samples = on_grid(fixes, ["lat", "lon", "sog"], grid, 3.0)
    samples["fix"] = grid.isin(fixes.loc[fixes["sog"].notna(), "utc"])
    for name, columns, limit_s in (
        ("DPT", ["below", "offset"], 10.0),
        ("VHW", ["stw"], 5.0),
        ("MWV", ["aws"], 5.0),
        ("MWD", ["tws"], 5.0),
        ("XDR", ["pitch", "roll"], 2.0),
        ("ROT", ["rot"], 2.0),
        ("MTW", ["water"], 120.0),
    ):
        if name in frames:
            samples = samples.join(on_grid(frames[name], columns, grid, limit_s))
    samples.index.name = "utc"
    angles = [("HDT", "heading"), ("MWV", "awa"), ("MWD", "twd")]
    nearest = samples.reset_index()
    nearest = pd.merge_asof(nearest, fixes[["utc", "cog"]].dropna(), on="utc", tolerance=pd.Timedelta("1s"))
    for name, column in angles:
        if name in frames:
            part = frames[name][["utc", column]].dropna()
            nearest = pd.merge_asof(nearest, part, on="utc", tolerance=pd.Timedelta("1s"))
    samples = nearest.set_index("utc")
    for number, engine in numbers.items():
        part = frames["RPM"][frames["RPM"]["engine"] == number]
        samples[f"rpm_{engine}"] = on_grid(part, ["rpm"], grid, 2.5)["rpm"]
    logs = [read_engine_log(p, engines, samples) for p in sorted((arguments.session / "raw" / "engine").glob("*.csv"))]
    if logs:
        log = pd.concat(logs).sort_index().reset_index()
        samples = pd.merge_asof(samples.reset_index(), log, on="utc", tolerance=pd.Timedelta("500ms")).set_index("utc")

    rpm = samples[[f"rpm_{engine}" for engine in engines]].mean(axis=1)
    rolling_rpm, rolling_sog = rpm.rolling(WINDOW, center=True), samples["sog"].rolling(WINDOW, center=True)
    samples["steady"] = (rolling_rpm.std() < RPM_SD * rolling_rpm.mean()) & (rolling_sog.std() < SOG_SD_KN)
    steps = np.array(settings["bands"]["steps_rpm"])
    samples["band"] = pd.cut(rpm, [0, *((steps[1:] + steps[:-1]) / 2), np.inf], labels=steps).astype(float)
    steady = samples[samples["steady"]]
    wanted = [
        "sog",
        *(c for c in ("stw", "heading") if c in samples),
        *(c for c in samples if c.startswith("Fuel rate")),
    ]
    bands = steady.groupby("band")[wanted].agg(["mean", "std", "count"])
    bands.columns = [" ".join(parts) for parts in bands.columns]
    samples.to_parquet(arguments.into / "samples.parquet")
    bands.to_parquet(arguments.into / "bands.parquet")
    print(f"{sum(map(len, frames.values()))} sentences, {bad} bad lines, {len(samples)} rows")
    print(bands["sog mean"].round(2).to_string())


if __name__ == "__main__":
    main()
