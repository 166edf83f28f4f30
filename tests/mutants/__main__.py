"""``python -m tests.mutants``: change the product one decision at a time; exit 1 when no test notices one.

python -m tests.mutants                     all, two at a time
python -m tests.mutants --only WORDS ...    those whose name or file has one of these words
python -m tests.mutants --list              name them, run nothing
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.mutants.changing import Mutant
from tests.mutants.drawn import draw
from tests.mutants.equivalent import equivalent_reasons
from tests.mutants.named import named_mutants
from tests.mutants.running import Outcome, run_mutants

ROOT = Path(__file__).parents[2]
_MOST_EQUIVALENT = 0.15


def main() -> int:
    """Run what is asked for and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=2, help="mutants at a time (2)")
    parser.add_argument(
        "--only", nargs="+", default=[], metavar="WORDS", help="those with one of these in name or file"
    )
    parser.add_argument("--kind", choices=("named", "drawn", "all"), default="all")
    parser.add_argument("--list", action="store_true", help="name them and run nothing")
    chosen = parser.parse_args()

    named = named_mutants(ROOT) if chosen.kind != "drawn" else []
    drawn = draw(ROOT) if chosen.kind != "named" else []
    reasons = equivalent_reasons(drawn)
    if drawn and len(reasons) > _MOST_EQUIVALENT * len(drawn):
        print(f"{len(reasons)} of {len(drawn)} drawn mutants are called equivalent: more than {_MOST_EQUIVALENT:.0%}")
        return 1
    mutants = [m for m in [*named, *drawn] if _is_wanted(m, chosen.only)]
    if chosen.list:
        for mutant in mutants:
            print(f"{_title(mutant)}{'  [equivalent: ' + reasons[mutant.name] + ']' if mutant.name in reasons else ''}")
        return 0
    began = time.monotonic()
    counts: Counter[str] = Counter()
    survived: list[Outcome] = []
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        to_run = [m for m in mutants if m.name not in reasons]
        for outcome in run_mutants(ROOT, to_run, Path(folder), chosen.jobs):
            counts[outcome.verdict] += 1
            print(f"{outcome.verdict:8} {outcome.seconds:5.0f} s  {_title(outcome.mutant)}  {outcome.by}", flush=True)
            if outcome.verdict in ("survived", "error"):
                survived.append(outcome)
    for mutant in (m for m in mutants if m.name in reasons):
        counts["equivalent"] += 1
        print(f"equivalent        {_title(mutant)}  {reasons[mutant.name]}")
    minutes = (time.monotonic() - began) / 60.0
    print(f"{len(mutants)} mutants in {minutes:.1f} min: " + ", ".join(f"{n} {v}" for v, n in sorted(counts.items())))
    return 1 if survived else 0


def _is_wanted(mutant: Mutant, words: list[str]) -> bool:
    return not words or any(w in f"{mutant.name} {mutant.path} {mutant.decision}" for w in words)


def _title(mutant: Mutant) -> str:
    short = [" ".join(text.split())[:70] for text in (mutant.before, mutant.after)]
    return f"{mutant.name}: {mutant.path}:{mutant.line}: {short[0]} -> {short[1]}"


if __name__ == "__main__":
    sys.exit(main())
