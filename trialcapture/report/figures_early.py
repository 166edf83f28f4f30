"""The drawings that need no result, so that one process can make them while another reduces the trial."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from trialcapture.buffers import table_of
from trialcapture.prepare.steady.segment_review import as_reviewed
from trialcapture.report import view
from trialcapture.report.columns import rows
from trialcapture.report.figures import Drawing
from trialcapture.report.figures_clocks import clocks_figure, onset
from trialcapture.report.figures_time import timeline
from trialcapture.report.figures_track import track
from trialcapture.report.review import starred

_LEGS = pa.schema([("segment_id", pa.int64()), ("start", pa.int64()), ("stop", pa.int64())])


@dataclass(frozen=True, slots=True)
class EarlyFigures:
    """Drawings of what was recorded and found steady; each None where there is nothing to draw. Can be pickled.

    Attributes:
        timeline: The trial against time.
        onset: The greatest rise of rpm and the speed that answers it.
        clocks: How well each source is placed on UTC.
        track: Where the boat went, with the stretches used as its legs.
        track_legs: What `leg_places` returns of those.
    """

    timeline: Drawing | None
    onset: Drawing | None
    clocks: Drawing | None
    track: Drawing | None
    track_legs: list[tuple[Any, ...]]


def draw_early(samples: pa.Table | None, segments: pa.Table | None, clocks: pa.Table | None) -> EarlyFigures:
    """Draw what needs no result.

    The reduction has the last word on which stretches are legs, but it is nearly always all that are used; where it
    is not, `leg_places` tells so.

    Args:
        samples: A row a second of the uniform grid.
        segments: Steady candidates with what people decided about them.
        clocks: How each source was placed on UTC.
    """
    stars = starred(segments)
    segments = None if segments is None else as_reviewed(segments)
    legs = table_of([s for s in rows(segments) if s.get("accepted")], _LEGS)
    return EarlyFigures(
        timeline(samples, segments, view.reason_letters(segments), stars),
        onset(samples),
        clocks_figure(clocks),
        track(samples, legs),
        leg_places(legs),
    )


def leg_places(legs: pa.Table | None) -> list[tuple[Any, ...]]:
    """Return number, begin and end of each leg in order: all that the track shows of it."""
    return [tuple(leg.get(name) for name in _LEGS.names) for leg in rows(legs)]
