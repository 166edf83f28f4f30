"""How close the whole program comes to the truth of simulated trials, sound ones and ones with faults.

``trials``      sound trials: scenarios against their truth, and how often the stated ±2u holds it
``families``    which faults are tried, on which trials, and what must come of it
``faulty``      one trial with faults beside its twin without
``tables``      the tables and whether each demand is met

``python -m tests.accuracy --help`` names the commands.
"""

from tests.accuracy.trials import QUANTITIES, Coverage, Outcome, Reading, cover, run_coverage

__all__ = ["QUANTITIES", "Coverage", "Outcome", "Reading", "cover", "run_coverage"]
