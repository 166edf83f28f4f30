"""What the steps of a reduction have in common, so that tables, summary and warnings read from one place."""

from __future__ import annotations

from typing import TypedDict

from trialcapture.reduce.band_values import FuelValues
from trialcapture.reduce.bands import Band
from trialcapture.reduce.legs import IntArray, Legs
from trialcapture.reduce.pairs import Sequence
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.slow_runs import SlowRun
from trialcapture.reduce.statistics import FloatArray
from trialcapture.reduce.summary import MethodComparison
from trialcapture.reduce.vectorfit import VectorFit


class Reduction(TypedDict):
    """Everything the tables and the summary are written from; B bands, n runs."""

    legs: Legs
    band: IntArray
    bands: list[Band]
    runs: Runs
    heading_note: str
    sequences: list[Sequence]
    weights: FloatArray
    rpm: FloatArray
    rpm_u: FloatArray
    look_h: FloatArray
    slow_runs: list[SlowRun]
    fit: VectorFit
    terms: dict[str, FloatArray]
    speed_u: FloatArray
    fuel: FuelValues
    economy: FloatArray
    economy_u: FloatArray
    slip_pct: FloatArray
    froude: FloatArray
    methods: dict[int, MethodComparison]
    shows_current: bool
    """False where nothing tells the current: no engine speed, and no runs both ways."""
    flags: list[list[str]]
