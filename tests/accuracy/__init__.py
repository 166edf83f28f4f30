"""How close the whole program comes to the truth of simulated trials, sound ones and ones with faults.

``trials``      sound trials: scenarios against their truth, and how often the stated ±2u holds it
``effects``     trials in which every effect that makes a value uncertain is drawn
``oracle``      what would be printed by one who knows the true size of every effect
``coverage``    how often the printed ± holds the truth of those trials, and how wide it is beside the oracle's
``families``    which faults are tried, on which trials, and what must come of it
``faulty``      one trial with faults beside its twin without
``comparisons`` how often a comparison of two trials calls a difference real, with and without one
``tables``      the tables of trials with faults and whether each demand is met

``python -m tests.accuracy --help`` names the commands.
"""

from tests.accuracy.trials import QUANTITIES, Coverage, Outcome, Reading, cover, run_coverage

__all__ = ["QUANTITIES", "Coverage", "Outcome", "Reading", "cover", "run_coverage"]
