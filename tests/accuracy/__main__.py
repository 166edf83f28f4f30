"""The command line: ``python -m tests.accuracy``; see ``--help``.

Without an option it runs each scenario with each seed and prints one line a scenario. ``--coverage 800`` runs so many
trials in which every effect is drawn, and checks how often the printed ± holds the truth, over all and by the levels
of each effect; ``--by-scenario 200`` so many short trials over all scenarios. ``--faults`` runs every fault family,
``--pairs 20`` faults drawn in pairs, ``--clean 100`` trials without faults; ``--manoeuvres 20`` so many seeds of
accelerations, stops and turns; ``--compare 340`` so many comparisons of two trials; ``--out FILE`` keeps those tables,
and those of ``--coverage``, as sections of a file.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from tests.accuracy import comparisons, coverage, manoeuvres, tables
from tests.accuracy.effects import FIRST_SEED
from tests.accuracy.families import FAMILIES, ORDINARY_SECOND_RECEIVER, SEEDS, Base, Family, faults_that_fit, trial
from tests.accuracy.faulty import Checked
from tests.accuracy.faulty import run as run_faulty
from tests.accuracy.trials import Outcome, coverage_table, line, run, run_coverage
from trialcapture.rehearse.faults import FAULTS, conflicts
from trialcapture.rehearse.scenarios import SCENARIOS

Task = tuple[Base, int, tuple[str, ...], tuple[str, ...]]


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--other-seeds", type=int, default=0, metavar="N", help="with --coverage or --manoeuvres: "
                        "seeds further on by N, for whoever changes the program and needs trials it was not changed "
                        "on")  # fmt: skip
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--details", action="store_true", help="print every band that is missing, invented or wrong")
    parser.add_argument("--coverage", type=int, metavar="TRIALS", help="run so many trials in which every effect is "
                        "drawn, and check how often the printed ± holds; 800 take seven minutes")  # fmt: skip
    parser.add_argument("--keep", type=Path, metavar="FILE", help="with --coverage: write every value as JSON lines")
    parser.add_argument("--by-scenario", type=int, metavar="TRIALS", help="run so many short trials and tell coverage")
    parser.add_argument("--full", action="store_true", help="with --by-scenario: trials of full length")
    parser.add_argument("--tables", action="store_true", help="tables of accuracy of tests/RESULTS.md: three seeds a "
                        "scenario, 200 short trials by scenario, 20 seeds for the detectors; an hour")  # fmt: skip
    parser.add_argument(
        "--faults", action="store_true", help="run every fault family and check each demand; over half an hour"
    )
    parser.add_argument(
        "--family", action="append", choices=[f.name for f in FAMILIES], help="with --faults: only this"
    )
    parser.add_argument("--pairs", type=int, metavar="SEEDS", help="run so many trials with two faults drawn at random")
    parser.add_argument("--clean", type=int, metavar="TRIALS", help="run so many trials without faults")
    parser.add_argument("--manoeuvres", type=int, metavar="SEEDS", help="run so many seeds of accelerations, stops and "
                        "turns at 1, 5 and 10 Hz; 20 take ten minutes")  # fmt: skip
    parser.add_argument("--compare", type=int, metavar="COMPARISONS", help="compare so many pairs of trials without a "
                        "change, and a quarter as many of each other kind: how often a difference is called real; "
                        "340 take ten minutes")  # fmt: skip
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the tables of these into FILE too")
    arguments = parser.parse_args()
    scenarios = arguments.scenario or list(SCENARIOS)
    if arguments.tables:
        _print_tables(arguments.jobs)
        return
    if arguments.faults or arguments.family or arguments.pairs or arguments.clean:
        _run_faulty(arguments)
        return
    if arguments.coverage:
        _run_effects(arguments)
        return
    if arguments.manoeuvres:
        first = manoeuvres.FIRST_SEED + arguments.other_seeds
        driven = manoeuvres.run_all(arguments.manoeuvres, arguments.jobs, first)
        further = f" --other-seeds {arguments.other_seeds}" if arguments.other_seeds else ""
        _tell(arguments.out, "manoeuvres", f"--manoeuvres {arguments.manoeuvres}{further}", manoeuvres.report(driven))
        if arguments.details:
            manoeuvres.details(driven)
        return
    if arguments.compare:
        _run_comparisons(arguments)
        return
    if arguments.by_scenario:
        outcomes = run_coverage(arguments.by_scenario, arguments.first, scenarios, arguments.jobs, full=arguments.full)
        print(coverage_table(outcomes))
        for o in outcomes if arguments.details else []:
            _print_details(o)
        return
    for scenario in scenarios:
        seeds = range(arguments.first, arguments.first + arguments.seeds)
        with ProcessPoolExecutor(arguments.jobs) as pool:
            outcomes = list(pool.map(run, [scenario] * len(seeds), seeds))
        print(line(outcomes), flush=True)
        for o in outcomes if arguments.details else []:
            _print_details(o)


def _run_effects(arguments: argparse.Namespace) -> None:
    found = coverage.run_all(arguments.coverage, arguments.jobs, FIRST_SEED + arguments.other_seeds)
    met, told = tables.demand_table(coverage.demands(found)), coverage.oracle_line(found)
    text = f"{met}\n\n{told}\n\n{coverage.factor_table(found)}"
    further = f" --other-seeds {arguments.other_seeds}" if arguments.other_seeds else ""
    _tell(arguments.out, "coverage", f"--coverage {arguments.coverage}{further}", text)
    if arguments.keep is not None:
        arguments.keep.write_text(coverage.as_json(found), encoding="utf-8")
    if arguments.details:
        coverage.details(found)


def _run_comparisons(arguments: argparse.Namespace) -> None:
    found = comparisons.run_all(arguments.compare, arguments.jobs, comparisons.FIRST_SEED + arguments.other_seeds)
    text = f"{tables.demand_table(comparisons.demands(found))}\n\n{comparisons.level_table(found)}"
    further = f" --other-seeds {arguments.other_seeds}" if arguments.other_seeds else ""
    _tell(arguments.out, "comparisons", f"--compare {arguments.compare}{further}", text)


def _run_faulty(arguments: argparse.Namespace) -> None:
    jobs = arguments.jobs
    if arguments.faults or arguments.family:
        chosen = [f for f in FAMILIES if not arguments.family or f.name in arguments.family]
        by_family = run_families(chosen, arguments.seeds, jobs)
        shown = [tables.measure(family, pairs) for family, pairs in by_family]
        every = [pair for _, pairs in by_family for pair in pairs]
        text = f"{tables.demand_table(tables.demands(shown, every))}\n\n{tables.family_table(shown)}"
        _tell(arguments.out, "faults", f"--faults --seeds {arguments.seeds}", text)
        for pair in every if arguments.details else []:
            print_faulty(pair.found, pair.twin)
    if arguments.pairs:
        found = run_tasks(draw_pairs(arguments.pairs), jobs)
        _tell(arguments.out, "pairs", f"--pairs {arguments.pairs}", tables.pair_table(found))
        for checked in found if arguments.details else []:
            print_faulty(checked, None)
    if arguments.clean:
        found = run_tasks(clean_tasks(arguments.clean), jobs)
        _tell(arguments.out, "clean", f"--clean {arguments.clean}", tables.clean_table(found))


def run_families(families: Sequence[Family], seeds: int, jobs: int) -> list[tuple[Family, list[tables.Pair]]]:
    """Run the trials of each family, and their twins without the faults, each twin once."""
    wanted = [(family, *trial(family, n)) for family in families for n in range(seeds)]
    with_fault = [(base, seed, family.faults, family.shows) for family, base, seed in wanted]
    twins = list(dict.fromkeys((base, seed, (), ()) for _, base, seed in wanted))
    found = run_tasks([*twins, *with_fault], jobs)
    twin_of = {(c.base, c.seed): c for c in found[: len(twins)]}
    pairs = [tables.Pair(c, twin_of[c.base, c.seed]) for c in found[len(twins) :]]
    return [(family, pairs[n * seeds : (n + 1) * seeds]) for n, family in enumerate(families)]


def run_tasks(tasks: Sequence[Task], jobs: int) -> list[Checked]:
    """Run trials side by side and return them in order; how far it is goes to standard error."""
    found = []
    with ProcessPoolExecutor(jobs) as pool:
        for n, checked in enumerate(pool.map(run_faulty, *zip(*tasks, strict=True)), start=1):
            found.append(checked)
            if n % 20 == 0 or n == len(tasks):
                print(f"{n} of {len(tasks)} trials", file=sys.stderr, flush=True)
    return found


def draw_pairs(count: int, first: int = 701) -> list[Task]:
    """Return trials with two faults each, drawn by seed from all that fit the scenario and each other."""
    tasks: list[Task] = []
    for seed in range(first, first + count):
        rng = np.random.default_rng(seed)
        base = Base(str(rng.choice(["small-petrol", "displacement", "twin-planing", "coarse-1hz", "current-abeam"])))
        names = faults_that_fit(base)
        while True:
            one, other = (str(name) for name in rng.choice(names, 2, replace=False))
            if fit_together(base, one, other):
                break
        tasks.append((base, seed, (one, other), ()))
    return tasks


def fit_together(base: Base, one: str, other: str) -> bool:
    """Return whether both faults can be had in one trial."""
    if conflicts(FAULTS[one], FAULTS[other]):
        return False
    return not FAULTS[other].misfit(FAULTS[one].applied(SCENARIOS[base.scenario]))


def clean_tasks(count: int, first: int = 901) -> list[Task]:
    """Return trials without faults: every scenario in turn, each second round with another receiver as right."""
    names = list(SCENARIOS)
    tasks: list[Task] = []
    for n in range(count):
        lap, at = divmod(n, len(names))
        beside = (ORDINARY_SECOND_RECEIVER.name,) if lap % 2 and names[at] != "coarse-1hz" else ()
        tasks.append((Base(names[at]), first + lap, beside, ()))
    return tasks


def print_faulty(found: Checked, twin: Checked | None) -> None:
    """Print what is wrong with one trial, if anything is."""
    wrong = [
        (r.band_rpm, r.ways, round(r.speed.error, 3), round(r.speed.half, 3)) for r in found.rows if not r.speed.inside
    ]
    fuel = [(r.band_rpm, round(100 * r.fuel.error / r.fuel.truth, 2), round(100 * r.fuel.half / r.fuel.truth, 2))
            for r in found.rows if r.fuel is not None and not r.fuel.inside]  # fmt: skip
    missing = sorted(set(found.allowed) - found.there)
    if wrong or fuel or missing or found.invented or found.crash:
        print(f"  {' + '.join(found.faults)}: {found.base.scenario} seed {found.seed}", end=": ")
        print(f"wrong {wrong}, fuel % {fuel}, missing {missing}, invented {found.invented}", end="")
        print(f", twin {sorted(twin.there)}" if twin else "")
        if found.crash:
            print(f"    {found.crash}")


def _tell(out: Path | None, section: str, options: str, text: str) -> None:
    print(f"\n{text}\n", flush=True)
    if out is not None:
        write_section(out, section, f"`python -m tests.accuracy {options}`\n\n{text}")


def write_section(out: Path, section: str, text: str) -> None:
    """Put a text between the marks of a section in a file, which are added at its end where they are not there."""
    begin, end = f"<!-- {section} -->", f"<!-- end of {section} -->"
    whole = out.read_text(encoding="utf-8") if out.exists() else ""
    if begin not in whole:
        whole += f"\n{begin}\n{end}\n"
    before, _, rest = whole.partition(begin)
    after = rest.partition(end)[2]
    out.write_text(f"{before}{begin}\n{text}\n{end}{after}", encoding="utf-8")


def _print_tables(jobs: int) -> None:
    """Print every table of the Accuracy section, by the commands that make each alone."""
    for command in (
        ["tests.accuracy", "--seeds", "3", "--jobs", str(jobs)],
        ["tests.accuracy", "--by-scenario", "200", "--jobs", str(jobs)],
        ["tests.bench.detectors", "--seeds", "20"],
    ):
        print(f"\n$ python -m {' '.join(command)}\n", flush=True)
        subprocess.run([sys.executable, "-m", *command], check=True)


def _print_details(o: Outcome) -> None:
    wrong = [r for r in o.readings["speed"] if abs(r.z) > 2.0 or abs(r.error) > 0.15]
    late = [round(v, 1) for v in o.overlap_s if v > 3]
    if o.bands_missing or o.bands_invented or wrong or late or o.logs_lost:
        print(f"  {o.scenario} seed {o.seed}: missing {o.bands_missing}, invented {o.bands_invented}, wrong", end=" ")
        print([(r.band_rpm, round(r.error, 3), round(r.u, 3), r.ways) for r in wrong], end=" ")
        print(f"overlaps {late}, logs lost {o.logs_lost}")


if __name__ == "__main__":
    main()
