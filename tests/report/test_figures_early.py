"""Drawings made before the reduction is known: the page is the same with them as without."""

from __future__ import annotations

import pickle
from typing import Any

import pytest

from tests.report.trial_tables import make_trial
from trialcapture.report.figures_early import EarlyFigures, draw_early, leg_places
from trialcapture.report.figures_track import track
from trialcapture.report.page import render_report


def drawn_elsewhere(trial: dict[str, Any]) -> EarlyFigures:
    """Return what another process would send."""
    made = draw_early(trial["samples"], trial["segments"], trial["clocks"])
    found: EarlyFigures = pickle.loads(pickle.dumps(made))
    return found


@pytest.mark.parametrize("lacking", [(), ("samples",), ("segments",), ("clocks",), ("samples", "segments", "clocks")])
def test_a_page_of_drawings_made_elsewhere_is_the_page_made_here(lacking: tuple[str, ...]):
    trial = make_trial() | dict.fromkeys(lacking)
    assert render_report(**trial, early=drawn_elsewhere(trial)) == render_report(**trial)


def test_the_stretches_used_are_the_legs_of_the_track():
    trial = make_trial()
    early = drawn_elsewhere(trial)
    assert early.track_legs == leg_places(trial["legs"])
    assert early.track == track(trial["samples"], trial["legs"])


def test_a_track_is_drawn_anew_where_the_reduction_has_other_legs():
    trial = make_trial()
    early = drawn_elsewhere(trial)
    trial["legs"] = trial["legs"].slice(1)
    chart = track(trial["samples"], trial["legs"])
    assert chart
    assert early.track
    assert chart.svg != early.track.svg
    page = render_report(**trial, early=early)
    assert chart.svg in page
    assert early.track.svg not in page
    assert page == render_report(**trial)
