"""Our steady-state detector beside the published ones: ``python -m tests.bench.detectors --seeds 20``.

Prints Markdown: one table over all labelled tracks, one over rehearsed trials, then both condition by condition.
``--tune`` chooses the settings of the published detectors anew, on seeds that are never compared.
"""

from __future__ import annotations

import argparse

from tests.bench.detectors.compare import (
    GRIDS,
    HEAD,
    TRAINING_SEEDS,
    TUNED,
    compare,
    detectors,
    published,
    row,
    training_cases,
    tune,
)
from tests.bench.detectors.rehearsals import SCENARIOS, make_rehearsal
from tests.bench.detectors.score import FALSE_S, WANTED_S, Score, cost, score
from tests.bench.detectors.tracks import CONDITIONS, make_track


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=20, help="labelled tracks of each condition")
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--rehearsals", type=int, default=1, help="rehearsed trials of each scenario")
    parser.add_argument("--tune", action="store_true", help="tune the published detectors and stop")
    arguments = parser.parse_args()
    if arguments.tune:
        cases = training_cases()
        for name in GRIDS:
            before = sum((score(case, published(name, TUNED[name])(case)) for case in cases), Score())
            settings, price = tune(name, cases)
            print(f"{name}: cost {cost(before):.3f} -> {price:.3f}: {settings}", flush=True)
        return
    seeds = range(arguments.first, arguments.first + arguments.seeds)
    tracks = compare(make_track(condition, seed) for condition in CONDITIONS for seed in seeds)
    trials = range(arguments.first, arguments.first + arguments.rehearsals)
    rehearsed = compare(make_rehearsal(scenario, seed) for scenario in SCENARIOS for seed in trials)
    print(f"{len(CONDITIONS)} conditions, {len(seeds)} labelled tracks each (seeds {seeds.start} to {seeds.stop - 1}).")
    tuned = f"seeds {TRAINING_SEEDS.start} to {TRAINING_SEEDS.stop - 1} of the same conditions"
    print(f"The published detectors are tuned on {tuned} (--tune), never on what is compared; ours has its defaults.")
    print(f"Missed: true stretches of {WANTED_S:g} s and more without an accepted one.")
    print(f"False: accepted stretches with more than {FALSE_S:g} s outside the one true stretch they belong to.\n")
    _print_all("detector, labelled tracks", tracks)
    if rehearsed:
        print(
            f"\n{len(SCENARIOS)} rehearsed scenarios, {len(trials)} trial(s) each, written, processed and read back.\n"
        )
        _print_all("detector, rehearsed trials", rehearsed)
    for title, scores in (("condition, detector", tracks), ("scenario, detector", rehearsed)):
        if scores:
            print("\n" + HEAD.format(title))
            for (condition, name), value in scores.items():
                print(row(f"{condition}, {name}", value))


def _print_all(title: str, scores: dict[tuple[str, str], Score]) -> None:
    print(HEAD.format(title))
    for name in detectors():
        print(row(name, sum((value for (_, of), value in scores.items() if of == name), Score())))


if __name__ == "__main__":
    main()
