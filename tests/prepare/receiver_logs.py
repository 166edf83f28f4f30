"""Logs of a receiver whose clock is set while a boat runs, as journals, with a wall clock only, and plain."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from tests.nmea_builders import journal_line, sentence, tag_block
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.prepare.clocks.downsampled_index import index_block, join_indexes
from trialcapture.prepare.clocks.utc_assignment import UtcAssignment, assign_utc, find_utc_assignment
from trialcapture.prepare.data_health import DataHealth

START_S = datetime(2026, 5, 14, 9, 0, 0, tzinfo=UTC).timestamp()
Floats = npt.NDArray[np.float64]


def place(along_m: float) -> str:
    """A place on a course due north, with five decimals of a minute (18 mm)."""
    minutes = 18.0 + along_m / 1852.0
    return f"48{minutes:08.5f},N,00754.32429,W"


def clock(utc_s: float) -> str:
    """Time of day with hundredths, as receivers print it."""
    at = datetime.fromtimestamp(round(utc_s * 100) / 100, UTC)
    return f"{at:%H%M%S}.{at.microsecond // 10_000:02d}"


def rmc(utc_s: float, along_m: float, speed_m_per_s: float, *, fixed: bool = True, talker: str = "GP") -> bytes:
    """Position, speed and date."""
    fix = place(along_m) if fixed else ",,,"
    day = f"{datetime.fromtimestamp(utc_s, UTC):%d%m%y}"
    status, mode = ("A", "A") if fixed else ("V", "N")
    return sentence(f"{talker}RMC,{clock(utc_s)},{status},{fix},{speed_m_per_s * 3.6 / 1.852:.2f},0.0,{day},,,{mode}")


def gga(utc_s: float, along_m: float, *, fixed: bool = True, talker: str = "GP") -> bytes:
    """Position without a date."""
    return sentence(f"{talker}GGA,{clock(utc_s)},{place(along_m)},{int(fixed)},12,1.1,3.4,M,48.2,M,,")


def zda(utc_s: float, talker: str = "GP") -> bytes:
    """Time and date alone."""
    return sentence(f"{talker}ZDA,{clock(utc_s)},{datetime.fromtimestamp(utc_s, UTC):%d,%m,%Y},00,00")


@dataclass(frozen=True)
class Recording:
    """What happened while a boat ran north at an even speed; seconds count from the start.

    Attributes:
        kind: ``journal`` (both receipt clocks), ``wall`` (the wall clock) or ``plain`` (no stamp).
        seconds: How long it was.
        steps: How far the receiver's clock is set at which second [s].
        wall_steps: The same of the computer's wall clock.
        second: The same of a second receiver; None where there is none.
        fixed: Whether the receiver has a fix in a second.
        silent: From and to which second it sends nothing.
        frozen: From and to which second it tells one time.
        is_lost: Whether it repeats all else of its sentences then, too.
        has_zda: Whether it sends ZDA.
        speed_m_per_s: Of the boat.
        seed: Of the delays.
    """

    kind: str
    seconds: int = 600
    steps: Mapping[int, float] = field(default_factory=dict)
    wall_steps: Mapping[int, float] = field(default_factory=dict)
    second: Mapping[int, float] | None = None
    fixed: Callable[[int], bool] = lambda _: True
    silent: Sequence[tuple[int, int]] = ()
    frozen: Sequence[tuple[int, int]] = ()
    is_lost: bool = True
    has_zda: bool = False
    speed_m_per_s: float = 8.0
    seed: int = 1

    def sent(self) -> list[tuple[float, float, str, bytes, float]]:
        """When each sentence was received, its UTC in truth, its source, its bytes, and the wall clock's error [s]."""
        return self._sent

    @cached_property
    def _sent(self) -> list[tuple[float, float, str, bytes, float]]:
        rng = np.random.default_rng(self.seed)
        out: list[tuple[float, float, str, bytes, float]] = []
        ahead = ahead_2 = wall = 0.0
        for i in range(self.seconds):
            ahead += self.steps.get(i, 0.0)
            wall += self.wall_steps.get(i, 0.0)
            delays = 0.12 + 0.02 * np.arange(3) + rng.exponential(0.01, 3)
            along = self.speed_m_per_s * i
            if not any(a <= i < b for a, b in self.silent):
                since = next((a for a, b in self.frozen if a <= i < b), i)
                told, fixed = START_S + since + ahead, self.fixed(i)
                along = self.speed_m_per_s * (since if self.is_lost else i)
                lines = [rmc(told, along, self.speed_m_per_s, fixed=fixed), gga(told, along, fixed=fixed)]
                lines += [zda(told)] if self.has_zda else []
                out += [(i + d, float(i), "gps1", line, wall) for d, line in zip(delays, lines, strict=False)]
            if self.second is not None:
                ahead_2 += self.second.get(i, 0.0)
                told = START_S + i + 0.2 + ahead_2
                line = rmc(told, (i + 0.2) * self.speed_m_per_s, self.speed_m_per_s, talker="GN")
                out.append((i + 0.32 + float(rng.exponential(0.01)), i + 0.2, "gps2", line, wall))
            out += [(i + s, i + s, "hdg", sentence(f"HEHDT,{i % 360}.0,T"), wall) for s in (0.5, 0.75)]
        return sorted(out, key=lambda line: line[0])

    def written(self) -> bytes:
        """The log."""
        return self._written

    @cached_property
    def _written(self) -> bytes:
        lines = []
        for since_s, _, source, payload, wall_s in self.sent():
            wall_ms = round((START_S + since_s + wall_s) * 1000)
            if self.kind == "journal":
                lines.append(journal_line(payload, source=source, wall_ms=wall_ms, mono_us=round(since_s * 1e6)))
            elif self.kind == "wall":
                lines.append(tag_block(f"s:{source},c:{wall_ms}") + payload)
            else:
                lines.append(payload)
        return b"".join(lines)

    def errors_s(self, tables: Mapping[str, pa.Table]) -> dict[str, Floats]:
        """How far each sentence was placed from its true UTC, by talker and formatter [s]; NaN where it was not."""
        truth = {number: true for number, (_, true, _, _, _) in enumerate(self.sent())}
        found: dict[str, Floats] = {}
        for name, table in tables.items():
            t_s = np.array([np.nan if t is None else t / 1e9 for t in table["t_ns"].to_pylist()]) - START_S
            off = t_s - np.array([truth[line] for line in table["line"].to_pylist()])
            talkers = np.array(table["talker"].to_pylist())
            found |= {f"{t}{name}": off[talkers == t] for t in np.unique(talkers)}
        return found


@lru_cache(maxsize=2)
def located(data: bytes) -> tuple[dict[str, pa.Table], UtcAssignment, list[str]]:
    """Every sentence of a log with its place in time, how that was found, and warnings for people."""
    tables, _, _ = decode_nmea(data, source="log")
    placing, _, warnings, _ = find_utc_assignment(join_indexes([index_block(tables)]), {})
    return assign_utc(tables, placing, 0), placing, warnings


def health_of(data: bytes) -> DataHealth:
    """What is wrong with the clocks of a log."""
    return DataHealth().with_items(located(data)[1].items)
