"""What may be said against a row or a trial: one code, one severity, one sentence each."""

from __future__ import annotations

from typing import NamedTuple

from trialcapture.reduce.summary import Quantity, Severity, TrialWarning


class Flag(NamedTuple):
    """Severity and sentence of a code."""

    severity: Severity
    text: str


BAND_FLAGS: dict[str, Flag] = {
    "one-way": Flag(
        "yellow", "One direction only: no run the other way cancels the current; the ± holds what that costs."
    ),
    "current-unknown": Flag(
        "red", "One direction only, and no other run tells the current: the speed may be wrong by as much."
    ),
    "current-from-other-bands": Flag("info", "One direction only: the current found at the other bands was taken out."),
    "late-reciprocal": Flag("yellow", "The way back came later than the allowed gap: the current may have changed."),
    "rpm-mismatch": Flag(
        "yellow", "The runs of this band differ in rpm by more than allowed; they were brought to one rpm."
    ),
    "methods-disagree": Flag("yellow", "Pair mean and fit to all runs differ by more than their uncertainty."),
    "outlying-leg": Flag("yellow", "One run does not fit the others; the ± holds half of what it would move."),
    "third-run-advised": Flag(
        "info", "The current changed so much between the two runs that a third would have been worth its time."
    ),
    "undeclared-step": Flag("info", "Held above the highest declared step, and shown because it may be the top speed."),
    "shallow": Flag(
        "yellow",
        "Shallower than the larger of 3 √(beam x draught) and 2.75 V²/g: speed and fuel are not those of deep water.",
    ),
    "near-critical": Flag(
        "red", "Depth Froude number between 0.9 and 1.1: the water's depth governs the speed; repeat in deeper water."
    ),
    "wind": Flag("yellow", "More than a gentle breeze (Beaufort 3)."),
    "trim-unknown": Flag("yellow", "Trim was not noted on every leg."),
    "trim-differs": Flag("yellow", "Legs with different trim settings are averaged in this row."),
    "engines-differ": Flag("yellow", "Engine speeds differ by more than 1.5 %."),
    "fuel-differs": Flag("yellow", "Fuel rates of the engines differ by more than 5 % at equal rpm."),
    "no-fuel": Flag("yellow", "No fuel flow is known for this row."),
    "coarse-readings": Flag(
        "yellow", "Readings are rounded so coarsely that the economy is uncertain by more than 10 % (95 %)."
    ),
    "reviewed": Flag(
        "info", "A person changed which stretches are in this row; the automatic result stands beside it."
    ),
}
"""Codes that stand in the ``flags`` of a band."""

TRIAL_WARNINGS: dict[str, Flag] = {
    "no-bands": Flag("red", "No steady run was accepted, so there is no band."),
    "no-rpm": Flag("yellow", "Engine speed is unknown: runs are matched by speed and time, and no rpm can be given."),
    "no-heading": Flag(
        "yellow", "No heading: runs are matched by course, and a current abeam cannot be seen on one line of runs."
    ),
    "heading-not-usable": Flag("red", "The heading does not follow the course over ground; it was not used."),
    "heading-offset": Flag("yellow", "The heading is off by a constant angle; the fit took it out."),
    "no-depth": Flag("info", "No depth is known: shallow water cannot be ruled out."),
    "fuel-uncalibrated": Flag(
        "yellow", "Fuel flow is uncalibrated; its ± allows for what engine figures are usually wrong by."
    ),
    "capacity-unknown": Flag("info", "The tank capacity is not stated, so no range is given."),
    "load-incomplete": Flag("yellow", "The load sheet is not complete."),
    "sea": Flag("yellow", "The waves were higher than a speed trial of this length of boat allows, 1.5 √(L/100)."),
    "no-full-throttle": Flag("yellow", "Rated rpm was not reached."),
    "not-monotonic": Flag("yellow", "Speed or fuel does not rise with rpm throughout."),
    "no-planing-threshold": Flag("info", "A slow run shows no planing threshold:"),
    "planing-reversed": Flag(
        "yellow", "Planing ended at a higher speed than it began: the opposite is usual, so one of the two is wrong."
    ),
    "top-speed-not-claimed": Flag("yellow", "The fastest speed was not held both ways, so no top speed is claimed."),
    "drifted": Flag(
        "info",
        "A stretch at idle only moved with the current that the other runs show: she lay in neutral.",
    ),
    "tide-not-told": Flag(
        "yellow",
        "The runs back came in such an order that a steady change of the current cannot be told from speed; the ± "
        "allows for one. One step repeated both ways, straight after each other, would tell it.",
    ),
    "outside-bands": Flag("yellow", "Steady runs that belong to no declared band were left out of the table."),
    "generator": Flag("info", "A generator ran; its fuel is in the figures where it draws from the same meter."),
    "outliers-left-out": Flag(
        "info", "Samples were left out of the segments' means by Chauvenet's criterion, as the settings ask."
    ),
    "standard-errors-differ": Flag(
        "yellow",
        "Blocking gives another standard error of the mean speed than the effective sample size does, by more than a "
        "factor of two.",
    ),
    "generator-unknown": Flag(
        "info", "Nobody stated whether a generator ran; if one did, its fuel may be in the figures."
    ),
    "implausible": Flag("yellow", "A figure lies outside what is usual."),
}
"""Codes that concern the whole trial."""


def warn(code: str, where: str = "", detail: str = "", quantities: tuple[Quantity, ...] = ()) -> TrialWarning:
    """Return one entry for the warnings of a summary.

    Args:
        code: A key of `BAND_FLAGS` or `TRIAL_WARNINGS`.
        where: What it concerns, such as ``"1500, 2000 rpm"``.
        detail: A sentence with the figures, put behind the standing sentence.
        quantities: Numbers of that sentence in units that readers may want to change.
    """
    flag = BAND_FLAGS.get(code) or TRIAL_WARNINGS[code]
    return TrialWarning(code, flag.severity, f"{flag.text} {detail}".strip(), where, quantities)


def quantity(value: float, unit: str, form: str) -> Quantity:
    """Return a number with its unit as it stands in a sentence.

    Args:
        value: The number.
        unit: Its unit, "1" for a bare number, which is not written.
        form: Format of the number, such as ``".2f"``.
    """
    return Quantity(value, unit, f"{value:{form}} {unit}".removesuffix(" 1"))
