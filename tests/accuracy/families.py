"""Fault families: which faults are tried, on which trials, and by what they must be named.

A family's trials are fixed beforehand: trial n runs base n mod the number of bases with seed `FIRST_SEED` + n.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from trialcapture.rehearse.faults import FAULTS, Fault
from trialcapture.rehearse.scenarios import SCENARIOS

FIRST_SEED = 301
SEEDS = 20


@dataclass(frozen=True)
class Base:
    """A trial without faults: a scenario, short or of a length [h]; `setup` are faults that its twin has too."""

    scenario: str
    hours: float | None = None
    setup: tuple[str, ...] = ()


@dataclass(frozen=True)
class Family:
    """Trials with one kind of fault.

    Attributes:
        name: Of the family.
        faults: Names from `FAULTS`.
        bases: What it is tried on, in turn.
        kinds: Kinds of `data_health` of which an item must be there that the twin has not; empty where nothing
            need be named.
        words: Else, or besides, any of these words in a warning that the twin has not.
        shows: Columns of legs that must have values in every leg.
    """

    name: str
    faults: tuple[str, ...]
    bases: tuple[Base, ...]
    kinds: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    shows: tuple[str, ...] = ()


TWIN, SEDGE, TERN = Base("twin-planing"), Base("displacement"), Base("small-petrol")
COARSE = Base("coarse-1hz")
ALL = (TERN, SEDGE, TWIN)
SMALL = (TERN, SEDGE)
LONG = (Base("small-petrol", 0.62), Base("displacement", 0.75))

ORDINARY_SECOND_RECEIVER = Fault(
    "ordinary-second-receiver", "a second receiver of the common kind, as right as the first", "other receiver",
    beside={"rate_hz": 1.0, "velocity_sd_kn": 0.12, "position_sd_m": 2.5, "latency_s": 0.25, "sog_decimals": 1,
            "minute_decimals": 4, "forward_m": 1.5},
)  # fmt: skip

_RECEIVER = ("disagreements",)
_CLOCK = ("clock_steps", "restarts")

FAMILIES: tuple[Family, ...] = (
    *(
        Family(name, (name,), ALL, _RECEIVER)
        for name in (
            "other-receiver-3kn-high", "other-receiver-3kn-high-covers-more", "other-receiver-3kn-high-first",
            "other-receiver-10pct-high", "other-receiver-10pct-high-covers-more", "other-receiver-10pct-high-first",
            "speed-5pct-high", "speed-high-in-one-band",
        )
    ),
    *(
        Family(name, (name,), LONG, ("stuck", "disagreements"))
        for name in ("frozen-both", "frozen-speed", "frozen-position")
    ),
    Family("speed-spikes", ("speed-spikes",), ALL, ("spikes",)),
    Family("position-jumps", ("position-jumps",), ALL, ("spikes", "disagreements")),
    Family("heavy-smoothing", ("heavy-smoothing",), ALL),
    Family("rpm-minus-5", ("rpm-minus-5",), ALL, ("spikes", "rejected")),
    Family("rpm-far-too-high", ("rpm-far-too-high",), ALL, ("spikes", "rejected")),
    Family("rpm-silences", ("rpm-silences",), ALL),
    Family("rpm-to-10", ("rpm-to-10",), (SEDGE, TWIN), ("readings_rounded_to",)),
    Family("rpm-to-50", ("rpm-to-50",), ALL, ("readings_rounded_to",)),
    Family("rpm-stuck", ("rpm-stuck",), LONG, ("stuck",)),
    Family("log-engines-swapped", ("log-engines-swapped",), (TWIN, Base("clock-zone"), Base("midnight")),
           ("disagreements",), ("swapped", "mixed up", "the other way round")),
    Family("fuel-whole-litres", ("fuel-whole-litres",), ALL, ("readings_rounded_to",)),
    Family("fuel-half-litres", ("fuel-half-litres",), ALL, ("readings_rounded_to",)),
    Family("fuel-whole-gallons", ("fuel-whole-gallons",), ALL, ("readings_rounded_to",)),
    Family("speed-whole-knots", ("speed-whole-knots",), ALL, ("readings_rounded_to",)),
    Family("speed-tenths", ("speed-tenths",), ALL, ("readings_rounded_to",)),
    Family("log-cells-on-change", ("log-cells-on-change",), ALL),
    Family("log-rows-on-change", ("log-rows-on-change",), ALL),
    Family("instruments-on-change", ("instruments-on-change",), ALL),
    *(
        Family(name, (name,), ALL, _CLOCK)
        for name in (
            "log-clock-set-back-120s", "log-clock-set-back-40s", "log-clock-set-back-10s", "log-clock-set-on-25s",
            "log-clock-set-on-1h", "log-restarts",
        )
    ),
    Family("log-pauses", ("log-pauses",), ALL, ("holes", "restarts")),
    Family("log-newest-first", ("log-newest-first",), ALL, (), ("newest", "last row", "backwards")),
    Family("log-rows-repeated", ("log-rows-repeated",), ALL, ("rejected",), ("repeated", "twice")),
    Family("log-clock-drifts", ("log-clock-drifts",), ALL),
    Family("motion-clock-second-order", ("no-bus-rpm",),
           tuple(replace(base, setup=("trim-overshoots",)) for base in ALL)),
    Family("motion-clock", ("no-bus-rpm",), ALL),
    *(
        Family(name, (name,), ALL, _CLOCK)
        for name in (
            "time-steps-back-1h", "time-steps-back-30s", "time-steps-on-1s", "time-steps-on-1h",
            "time-steps-after-silence", "time-free-running-unmarked", "time-leap-seconds",
        )
    ),
    Family("time-free-running", ("time-free-running",), ALL),
    Family("dates-an-epoch-off", ("dates-an-epoch-off",), ALL, ("clock_steps", "rejected"), ("1024", "epoch")),
    Family("dates-out-of-range", ("dates-out-of-range",), ALL, ("clock_steps", "rejected")),
    Family("dates-from-zda-only", ("dates-from-zda-only",), ALL),
    Family("variation-999", ("variation-999",), ALL, ("rejected",)),
    Family("mode-unknown", ("mode-unknown",), ALL, ("rejected",)),
    Family("rpm-four-fields", ("rpm-four-fields",), (TERN, TWIN)),
    Family("rpm-trailing-comma", ("rpm-trailing-comma",), (TERN, TWIN)),
    Family("rpm-in-pcdin", ("rpm-in-pcdin",), ALL),
    Family("rpm-in-mxpgn", ("rpm-in-mxpgn",), ALL),
    Family("wind-in-mda", ("wind-in-mda",), (SEDGE, TWIN), shows=("wind_speed_true_kn_mean",)),
    Family("fuel-in-xdr", ("fuel-in-xdr",), ALL, shows=("fuel_l_per_h_mean",)),
    Family("fuel-in-xdr-capital-i", ("fuel-in-xdr-capital-i",), ALL, shows=("fuel_l_per_h_mean",)),
    Family("depth-bad-four-times", ("depth-bad-four-times",), ALL),
    Family("no-heading", ("no-heading",), ALL),
    Family("no-rpm", ("no-rpm",), (*ALL, Base("no-engine-log"))),
    Family("no-rpm-lying-still", ("no-rpm", "lies-still-in-current"), ALL),
    Family("second-order-hull", ("trim-overshoots",), ALL),
    Family("throttle-hunts", ("throttle-hunts",), ALL),
    Family("throttle-hunts-widely", ("throttle-hunts-widely",), ALL),
    Family("all-up-then-all-down", ("all-up-then-all-down",), ALL),
    Family("up-then-down-in-growing-tide", ("all-up-then-all-down", "tide-grows"), ALL),
    Family("tide-grows", ("tide-grows",), ALL),
    Family("lies-still-in-current", ("lies-still-in-current",), ALL),
    Family("lies-still-in-strong-current", ("lies-still-in-strong-current",), ALL),
    Family("up-then-down-lying-still", ("all-up-then-all-down", "lies-still-in-current", "tide-grows"), ALL),
    Family("wakes", ("wakes",), ALL),
    Family("full-throttle-one-way", ("full-throttle-one-way",), ALL),
    Family("slowest-step-one-way", ("slowest-step-one-way",), ALL),
)  # fmt: skip


def trial(family: Family, n: int) -> tuple[Base, int]:
    """Return the base and the seed of the family's nth trial."""
    return family.bases[n % len(family.bases)], FIRST_SEED + n


def faults_that_fit(base: Base) -> list[str]:
    """Return every fault that a base can have."""
    return [name for name, fault in FAULTS.items() if not fault.misfit(SCENARIOS[base.scenario])]
