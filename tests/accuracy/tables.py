"""Tables of trials with faults, and whether each demand is met."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np

from tests.accuracy.families import Family
from tests.accuracy.faulty import Checked, Row, Value, is_named
from trialcapture.rehearse.faults import FAULTS

INSIDE_LEAST = 0.90
FAMILY_BOUND_LEAST = 0.85
BEYOND_MOST = 0.01
BEYOND = 1.5
CLOCKS_LEAST = 0.90
CLOCK_U_MOST = 4.0
U_RATIO_MOST = 1.2
THERE_LEAST = 0.90
FUEL_MOVED_MOST_PCT = 3.0
_DRAWS = 4000


@dataclass(frozen=True)
class Pair:
    """A trial with a fault, and its twin without."""

    found: Checked
    twin: Checked


@dataclass(frozen=True)
class Shown:
    """The figures of one family; None where there is nothing to count."""

    family: Family
    trials: int
    allowed: int
    there: int
    twin_there: int
    speeds: int
    inside: float | None
    bound: float | None
    worst: float | None
    beyond: int
    fuels: int
    fuel_inside: float | None
    fuel_beyond: int
    fuel_moved_pct: float | None
    u_ratio: float | None
    clocks: int
    clocks_inside: int
    clock_worst: float | None
    logs_lost: int
    invented: int
    missing: int
    named: int | None
    empty: int
    crashes: int


def share_bound(trials: Sequence[Sequence[bool]], level: float = 0.99) -> float | None:
    """Return the one-sided upper bound of a share, resampled by trial; None without any value.

    Values of one trial share its errors, so whole trials are drawn, with replacement (the bootstrap of clusters;
    Efron & Tibshirani 1993, An Introduction to the Bootstrap, section 8).
    """
    hits = np.array([sum(t) for t in trials], dtype=float)
    counts = np.array([len(t) for t in trials], dtype=float)
    if counts.sum() == 0:
        return None
    drawn = np.random.default_rng(7).integers(0, len(trials), (_DRAWS, len(trials)))
    total = counts[drawn].sum(axis=1)
    shares = hits[drawn].sum(axis=1)[total > 0] / total[total > 0]
    return float(np.quantile(shares, level))


def measure(family: Family, pairs: Sequence[Pair]) -> Shown:
    """Return the figures of a family's trials."""
    good = [pair for pair in pairs if not pair.found.crash]
    speeds = [[row.speed for row in pair.found.rows] for pair in good]
    every = list(chain.from_iterable(speeds))
    fuels = [row.fuel for pair in good for row in pair.found.rows if row.fuel is not None]
    allowed = [(pair, rpm) for pair in good for rpm in pair.found.allowed]
    clocks = list(chain.from_iterable(pair.found.clocks for pair in good))
    needs_name = bool(family.kinds or family.words)
    return Shown(
        family,
        trials=len(pairs),
        allowed=len(allowed),
        there=sum(rpm in pair.found.there for pair, rpm in allowed),
        twin_there=sum(rpm in pair.twin.there for pair, rpm in allowed),
        speeds=len(every),
        inside=_share(every),
        bound=share_bound([[value.inside for value in trial] for trial in speeds]) if every else None,
        worst=max((value.part for value in every), default=None),
        beyond=sum(value.part > BEYOND for value in every),
        fuels=len(fuels),
        fuel_inside=_share(fuels),
        fuel_beyond=sum(value.part > BEYOND for value in fuels),
        fuel_moved_pct=_fuel_moved_pct(good),
        u_ratio=_u_ratio(family, good),
        clocks=len(clocks),
        clocks_inside=sum(abs(error) <= 2.0 * u for error, u in clocks),
        clock_worst=max((abs(error) / u for error, u in clocks), default=None),
        logs_lost=sum(pair.found.logs_lost for pair in good),
        invented=sum(len(pair.found.invented) for pair in good),
        missing=sum(len(set(pair.found.allowed) - pair.found.there) for pair in good),
        named=sum(is_named(pair.found, pair.twin, family.kinds, family.words) for pair in good) if needs_name else None,
        empty=sum(bool(pair.found.empty) for pair in good),
        crashes=len(pairs) - len(good),
    )


def _share(values: Sequence[Value]) -> float | None:
    return float(np.mean([value.inside for value in values])) if values else None


def _matched(pairs: Sequence[Pair], wanted: Callable[[Pair, float], bool]) -> list[tuple[Row, Row]]:
    """Return the bands that are in both trials of a pair, the one with the fault first."""
    out = []
    for pair in pairs:
        twins = {row.band_rpm: row for row in pair.twin.rows}
        out += [(r, twins[r.band_rpm]) for r in pair.found.rows if r.band_rpm in twins and wanted(pair, r.band_rpm)]
    return out


def _u_ratio(family: Family, pairs: Sequence[Pair]) -> float | None:
    """Return the median u of bands no fault touches over that of the twins'; None for other boats and seas."""
    if any(FAULTS[name].touches == "boat" for name in family.faults):
        return None
    both = _matched(pairs, lambda pair, rpm: rpm not in pair.found.touched)
    if not both:
        return None
    return float(np.median([r.speed.u for r, _ in both]) / np.median([t.speed.u for _, t in both]))


def _fuel_moved_pct(pairs: Sequence[Pair]) -> float | None:
    """Return the farthest that any band's fuel lies from that of the same trial without the fault [%]."""
    both = [(r.fuel, t.fuel) for r, t in _matched(pairs, lambda *_: True) if r.fuel and t.fuel]
    return max((abs(100.0 * (r.error - t.error) / t.truth) for r, t in both), default=None)


def family_table(shown: Sequence[Shown]) -> str:
    """Return the table of all families in Markdown."""
    head = (
        "| family | trials | bands allowed | there (twin) | inside ± | 99 % bound | worst error / ± | beyond 1.5 ± "
        "| fuel inside ± (beyond 1.5 ±) | fuel moved at most | u untouched / twin | log clocks in 2u, worst / u "
        "| invented | missing | named | crashes |"
    )
    rows = [head, "|---" * head.count(" | ") + "|---|"]
    for s in shown:
        clock = f"{s.clocks_inside} of {s.clocks}, {s.clock_worst:.1f}" if s.clock_worst is not None else "-"
        clock += f", {s.logs_lost} lost" if s.logs_lost else ""
        empty = f", {s.empty} without {', '.join(s.family.shows)}" if s.empty else ""
        rows.append(
            f"| {s.family.name} | {s.trials} | {s.allowed} | {_pct(_ratio(s.there, s.allowed))}"
            f" ({_pct(_ratio(s.twin_there, s.allowed))}) | {_pct(s.inside)} | {_pct(s.bound)} | {_number(s.worst)}"
            f" | {s.beyond} of {s.speeds} | {_pct(s.fuel_inside)} ({s.fuel_beyond} of {s.fuels})"
            f" | {'-' if s.fuel_moved_pct is None else f'{s.fuel_moved_pct:.1f} %'} | {_number(s.u_ratio)} | {clock}"
            f" | {s.invented} | {s.missing}{empty}"
            f" | {'-' if s.named is None else f'{s.named} of {s.trials - s.crashes}'} | {s.crashes} |"
        )
    return "\n".join(rows)


def _ratio(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _pct(share: float | None) -> str:
    return "-" if share is None else f"{100.0 * share:.0f} %"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def demands(shown: Sequence[Shown], pairs: Sequence[Pair]) -> list[tuple[str, bool, str]]:
    """Return each demand: what, whether it is met, and the figure that tells."""
    good = [pair.found for pair in pairs if not pair.found.crash]
    speeds = [row.speed for found in good for row in found.rows]
    fuels = [row.fuel for found in good for row in found.rows if row.fuel is not None]
    clocks = [clock for found in good for clock in found.clocks]
    inside = _share(speeds) or 0.0
    beyond = _beyond(speeds)
    fuel_beyond = _beyond(fuels)
    in_2u = float(np.mean([abs(e) <= 2.0 * u for e, u in clocks])) if clocks else 1.0
    worst = max((abs(e) / u for e, u in clocks), default=0.0)
    low = [s.family.name for s in shown if s.bound is not None and s.bound < FAMILY_BOUND_LEAST]
    few = [s.family.name for s in shown if s.allowed and s.there / s.allowed < THERE_LEAST]
    wide = [s.family.name for s in shown if s.u_ratio is not None and s.u_ratio > U_RATIO_MOST]
    unnamed = [s.family.name for s in shown if s.named is not None and s.named < s.trials - s.crashes]
    empty = [s.family.name for s in shown if s.empty]
    moved = [
        s.family.name
        for s in shown
        if any(FAULTS[name].touches == "log clock" for name in s.family.faults)
        and s.fuel_moved_pct is not None
        and s.fuel_moved_pct > FUEL_MOVED_MOST_PCT
    ]
    crashes = sum(s.crashes for s in shown)
    invented = sum(s.invented for s in shown)
    return [
        ("bands inside their printed ±, all families", inside >= INSIDE_LEAST, f"{100 * inside:.1f} %, least 90 %"),
        ("families whose 99 % bound lies below 85 %", not low, _names(low)),
        ("bands beyond 1.5 times the printed ±", beyond <= BEYOND_MOST, f"{100 * beyond:.2f} %, at most 1 %"),
        ("fuels beyond 1.5 times the printed ±", fuel_beyond <= BEYOND_MOST, f"{100 * fuel_beyond:.2f} %, at most 1 %"),
        ("log clocks inside 2u", in_2u >= CLOCKS_LEAST, f"{100 * in_2u:.1f} %, least 90 %"),
        ("worst log clock", worst <= CLOCK_U_MOST, f"{worst:.1f} u, at most 4 u"),
        ("fuel within 3 % of the unbroken log clock's", not moved, _names(moved)),
        ("invented bands", invented == 0, str(invented)),
        ("untouched bands, median u at most 1.2 times the twin's", not wide, _names(wide)),
        ("of the allowed bands at least 90 % there, each family", not few, _names(few)),
        ("every fault named", not unnamed, _names(unnamed)),
        ("every asked-for channel there", not empty, _names(empty)),
        ("crashes", crashes == 0, str(crashes)),
    ]


def _beyond(values: Sequence[Value]) -> float:
    return float(np.mean([value.part > BEYOND for value in values])) if values else 0.0


def _names(names: Sequence[str]) -> str:
    return ", ".join(names) or "none"


def demand_table(met: Sequence[tuple[str, bool, str]]) -> str:
    """Return the demands in Markdown."""
    rows = ["| demand | | found |", "|---|---|---|"]
    return "\n".join([*rows, *(f"| {what} | {'PASS' if ok else 'FAIL'} | {figure} |" for what, ok, figure in met)])


def pair_table(found: Sequence[Checked]) -> str:
    """Return one line a trial with two faults, in Markdown, and a line that sums up."""
    rows = [
        "| seed | scenario | faults | bands there of allowed | worst error / ± | invented | crash |",
        "|---" * 7 + "|",
    ]
    for c in found:
        worst = max((row.speed.part for row in c.rows), default=None)
        there = f"{len(set(c.allowed) & c.there)} of {len(c.allowed)}"
        crash = " ".join(c.crash.split())[-120:]
        rows.append(
            f"| {c.seed} | {c.base.scenario} | {' + '.join(c.faults)} | {there} | {_number(worst)}"
            f" | {len(c.invented)} | {crash} |"
        )
    speeds = [row.speed for c in found for row in c.rows]
    values = speeds + [row.fuel for c in found for row in c.rows if row.fuel is not None]
    wrong = sum(value.part > BEYOND for value in values)
    crashes, invented = sum(bool(c.crash) for c in found), sum(len(c.invented) for c in found)
    ok = not crashes and not wrong and not invented
    rows.append("")
    rows.append(
        f"{'PASS' if ok else 'FAIL'}: {len(found)} trials, {crashes} crashes, {invented} invented bands, {wrong} of "
        f"{len(values)} speeds and fuels beyond 1.5 times the printed ±, {_pct(_share(speeds))} of speeds inside."
    )
    return "\n".join(rows)


ALARMS = ("disagreements", "stuck", "spikes")


def clean_table(found: Sequence[Checked]) -> str:
    """Return what is said of trials without any fault, in Markdown."""
    rows = ["| scenario | trials | said to be wrong | of them |", "|---|---|---|---|"]
    alarmed = [c for c in found if _alarms(c)]
    by_scenario: dict[str, list[Checked]] = {}
    for c in found:
        by_scenario.setdefault(" + ".join([c.base.scenario, *c.faults]), []).append(c)
    for name, trials in by_scenario.items():
        said = [c for c in trials if _alarms(c)]
        words = "; ".join(f"seed {c.seed}: {', '.join(_alarms(c))}" for c in said)
        rows.append(f"| {name} | {len(trials)} | {len(said)} | {words} |")
    crashes = sum(bool(c.crash) for c in found)
    ok = len(alarmed) <= 0.02 * len(found) and not crashes
    rows.append("")
    rows.append(
        f"{'PASS' if ok else 'FAIL'}: nothing is said to be wrong in {len(found) - len(alarmed)} of {len(found)} "
        f"trials without faults, at least 98 % wanted; {crashes} crashes."
    )
    return "\n".join(rows)


def _alarms(c: Checked) -> list[str]:
    return [f"{kind} of {_about(item)}" for kind in ALARMS for item in c.health.get(kind, [])]


def _about(item: Mapping[str, Any]) -> str:
    return str(item.get("what", ""))
