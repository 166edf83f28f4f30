"""One trial with faults, processed as a user would and held against its truth."""

from __future__ import annotations

import json
import shutil
import tempfile
import traceback
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from tests.accuracy.families import ORDINARY_SECOND_RECEIVER, Base
from trialcapture.pipeline import process
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import truth_path, write_session

COVERAGE = 2.0
"""Of the printed ±, where a table does not state a factor of its own."""
FUEL_ONLY = ("fuel", "log", "log clock")
"""What faults may touch without touching any band's speed."""


@dataclass(frozen=True)
class Value:
    """A printed value beside its truth: error, standard uncertainty and half the printed interval."""

    error: float
    u: float
    half: float
    truth: float

    @property
    def inside(self) -> bool:
        return abs(self.error) <= self.half

    @property
    def part(self) -> float:
        """Size of the error as a part of the printed ±."""
        return abs(self.error) / self.half


@dataclass(frozen=True)
class Row:
    """A band as printed, beside the band it is of."""

    band_rpm: float
    ways: int
    speed: Value
    fuel: Value | None
    economy: Value | None


@dataclass
class Checked:
    """What one processed trial shows against its truth.

    Attributes:
        base, seed, faults: Which trial.
        crash: The last lines of what went wrong, "" for a trial that was processed.
        bands: True bands.
        allowed: Those with a leg that the faults leave sound.
        touched: Those with a leg that a fault acts in.
        rows: The bands there.
        invented: What the table calls bands that are none.
        clocks: Of each piece of each engine log: error and standard uncertainty [s].
        logs_lost: Logs without a clock.
        health: Items by kind.
        warnings: Their texts.
        empty: Columns of legs without a value somewhere, of those asked for.
    """

    base: Base
    seed: int
    faults: tuple[str, ...]
    crash: str = ""
    bands: tuple[float, ...] = ()
    allowed: tuple[float, ...] = ()
    touched: tuple[float, ...] = ()
    rows: list[Row] = field(default_factory=list)
    invented: list[str] = field(default_factory=list)
    clocks: list[tuple[float, float]] = field(default_factory=list)
    logs_lost: int = 0
    health: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    empty: tuple[str, ...] = ()
    top_speed: Any = None

    @property
    def there(self) -> set[float]:
        return {row.band_rpm for row in self.rows}


def run(base: Base, seed: int, faults: tuple[str, ...] = (), shows: tuple[str, ...] = ()) -> Checked:
    """Simulate, process and compare one trial; whatever it raises becomes its `crash`."""
    checked = Checked(base, seed, faults)
    root = Path(tempfile.mkdtemp(prefix="trial-"))
    try:
        wanted = [
            ORDINARY_SECOND_RECEIVER if name == ORDINARY_SECOND_RECEIVER.name else name
            for name in (*base.setup, *faults)
        ]
        trial = simulate(base.scenario, seed, short=base.hours is None, hours=base.hours, errors=True, faults=wanted)
        session = write_session(trial, root / "session").folder
        result = process(session)
        truth = json.loads(truth_path(session).read_text(encoding="utf-8"))
        compare(checked, result, truth, shows)
    except Exception:  # noqa: BLE001  a crash of any kind is what is counted here
        checked.crash = "".join(traceback.format_exc().splitlines(keepends=True)[-8:])
    finally:
        shutil.rmtree(root, ignore_errors=True)
    return checked


def compare(checked: Checked, result: Mapping[str, Any], truth: Mapping[str, Any], shows: Sequence[str] = ()) -> None:
    """Write into `checked` how the result of processing lies to the truth of the simulation."""
    told = truth.get("faults", [])
    bands = {band["band_rpm"]: band for band in truth["bands"]}
    steps = [step if step["label"].startswith("step ") else None for step in truth["steps"]]
    lost = {n for fault in told for n in fault["lost"]}
    hit = {n for fault in told if fault["touches"] not in FUEL_ONLY for n in fault["legs"]}
    of_band = {rpm: [n for n, s in enumerate(steps) if s and s["nominal_rpm"] == rpm] for rpm in bands}
    checked.bands = tuple(bands)
    checked.allowed = tuple(rpm for rpm, legs in of_band.items() if set(legs) - lost)
    checked.touched = tuple(rpm for rpm, legs in of_band.items() if set(legs) & hit)

    legs = result["legs"].to_pylist()
    for row in result["bands"].to_pylist():
        rpm = _band_of(row, legs, bands, [s for s in steps if s])
        if rpm is None:
            checked.invented.append(str(row.get("band_name") or row["band_rpm"]))
        elif row["speed_kn"] is not None:
            checked.rows.append(_row(rpm, row, bands[rpm]))
    checked.empty = tuple(name for name in shows if not legs or any(leg[name] is None for leg in legs))

    summary = result["summary"]
    for log in truth["engine_log"]:
        found = [
            c for c in summary["clocks"]
            if c["source"].startswith(f"engine log {log['file']}") and c["offset_s"] is not None
        ]  # fmt: skip
        checked.logs_lost += not found
        true = [piece["offset_s"] + wrong_s for piece in log.get("pieces", [log]) for wrong_s in _undecided_s(truth)]
        for clock in found:
            error = min((clock["offset_s"] - offset_s for offset_s in true), key=abs)
            checked.clocks.append((error, clock["offset_u_s"]))
    checked.health = summary.get("data_health", {})
    checked.warnings = [w["text"] for w in summary.get("warnings", [])]
    checked.top_speed = summary.get("top_speed")


def _undecided_s(truth: Mapping[str, Any]) -> list[float]:
    """Return by what times UTC itself cannot be told [s]: 0, and the step in the time of an only receiver.

    Which side of a step is UTC, nothing but another receiver can prove; the log must still lie right to one of them.
    """
    if len(truth["errors"]["receiver_speed_bias_kn"]) > 1:
        return [0.0]
    return [0.0, *(fault["size"] for fault in truth.get("faults", []) if fault["touches"] == "time" and fault["size"])]


def _band_of(
    row: Mapping[str, Any],
    legs: Iterable[Mapping[str, Any]],
    bands: Iterable[float],
    steps: Iterable[Mapping[str, Any]],
) -> float | None:
    """Return the true band a row is of: by its rpm, else by the time of its legs; None for an invented one."""
    if row["band_rpm"] is not None:
        nearest = min(bands, key=lambda rpm: abs(rpm - row["band_rpm"]), default=None)
        return nearest if nearest is not None and abs(nearest - row["band_rpm"]) <= max(0.04 * nearest, 30.0) else None
    name = row.get("band_name")
    overlap: dict[float, float] = {}
    for leg in legs:
        if leg["band_rpm"] is None and leg.get("band_name") == name:
            for step in steps:
                start, stop = _seconds(step["steady_start_utc"]), _seconds(step["steady_stop_utc"])
                both = min(stop, leg["stop"].timestamp()) - max(start, leg["start"].timestamp())
                if both > 0.0:
                    overlap[step["nominal_rpm"]] = overlap.get(step["nominal_rpm"], 0.0) + both
    return max(overlap, key=lambda rpm: overlap[rpm], default=None)


def _row(rpm: float, row: Mapping[str, Any], band: Mapping[str, Any]) -> Row:
    def value(column: str) -> Value | None:
        stem = column.split("_", maxsplit=1)[0]
        shown, u = row[column], row[column.replace("_", "_u_", 1)]
        if shown is None or u is None or not band[column]:
            return None
        return Value(shown - band[column], u, (row.get(f"{stem}_k") or COVERAGE) * u, band[column])

    speed = value("speed_kn")
    assert speed is not None, "a speed without an uncertainty"
    return Row(rpm, row["ways"], speed, value("fuel_l_per_h"), value("economy_nm_per_l"))


def _seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def is_named(found: Checked, twin: Checked, kinds: Sequence[str], words: Sequence[str]) -> bool:
    """Return whether a fault is named: an item or a warning that the trial without it has not."""
    for kind in kinds:
        before = {_subject(item) for item in twin.health.get(kind, [])}
        if any(_subject(item) not in before for item in found.health.get(kind, [])):
            return True
    fresh = [text.lower() for text in found.warnings if text not in twin.warnings]
    return any(word.lower() in text for word in words for text in fresh)


def _subject(item: Mapping[str, Any]) -> tuple[Any, ...]:
    """Return what an item is about, without figures that differ from trial to trial."""
    return tuple(item.get(key) for key in ("what", "against", "sentence", "field", "reason", "least_count"))
