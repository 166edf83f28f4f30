"""What every drawing shares: paper, ink, thinning, and the way to inline SVG.

The SVG is written here and not by a plotting library: a library costs a second or two of computing for every report
and the drawings are few and of one kind. Text stays text, so a figure can be read aloud, searched and copied. Ids are
unique to their figure, because all figures stand in one page. Nothing depends on the clock, on chance or on a person's
settings: equal input gives equal bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from trialcapture.report.columns import Floats
from trialcapture.report.panels import Panel
from trialcapture.report.sheet import INK, Sheet

__all__ = ["INK", "Drawing", "Panel", "Sheet", "draw", "draw_series", "envelope", "shorten"]

QUIET = "#46535e"
PAPER = "#ffffff"
PETROL = "#004c5a"
RUST = "#8f3300"
OCHRE = "#624700"
PLUM = "#6a1f5c"
TINT = "#e3eef0"
WARN_TINT = "#f6e7de"

ENGINE_STYLES = ((PETROL, ""), (RUST, "6 2.5"), (PLUM, "2.5 1.8"), (OCHRE, "7 2 2 2"))
"""Colour and dash of each engine's line: told apart without colour too."""

COMPACT = (372, 230)
WIDE = (960, 404)
TALL = (372, 560)


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished figure.

    Attributes:
        key: Short name, unique in the page.
        svg: Inline SVG for a desktop column or paper.
        narrow_svg: The same figure drawn for a phone, "" where one drawing serves both.
        alt: What a person who cannot see it is told.
        caption: What stands under it.
    """

    key: str
    svg: str
    alt: str
    caption: str
    narrow_svg: str = ""


def draw(
    key: str, size: tuple[int, int], paint: Callable[[Sheet], None], *, label: str, font_size: float = 11, own: str = ""
) -> str:
    """Paint a figure and return it as inline SVG.

    Args:
        key: Prefix of every id in the drawing.
        size: Width and height in CSS pixels at natural size.
        paint: Draws on the sheet it is given.
        label: The text alternative.
        font_size: In the same pixels.
        own: Definitions that what is painted refers to.
    """
    sheet = Sheet(key, *size, font_size)
    paint(sheet)
    return sheet.svg(label, own=own)


def envelope(t: Floats, values: Floats, bins: int) -> tuple[Floats, Floats]:
    """Thin a long series to what so many columns of ink can show, without losing a peak.

    Each bin of equal duration keeps its least and its greatest value at the times they occurred; a bin without
    values becomes a gap.

    Args:
        t: Ascending times, shape (n,), any unit.
        values: Shape (n,), NaN where missing.
        bins: Columns of ink.

    Returns:
        Times and values, at most 2 · bins long plus one per gap.
    """
    if len(t) <= 2 * bins:
        return t, values
    width = (t[-1] - t[0]) / bins or 1.0
    bin_of = np.minimum(((t - t[0]) / width).astype(np.int64), bins - 1)
    known = np.flatnonzero(np.isfinite(values))
    if not len(known):
        return np.empty(0), np.empty(0)
    held, inside = values[known], bin_of[known]
    first = np.flatnonzero(np.diff(inside, prepend=-1))
    counts = np.diff(first, append=len(held))
    ends = []
    for extreme in (np.minimum, np.maximum):
        at = np.flatnonzero(held == np.repeat(extreme.reduceat(held, first), counts))
        # of equal extremes in a bin the first
        ends.append(at[np.flatnonzero(np.diff(inside[at], prepend=-1))])
    kept = known[np.unique(np.concatenate(ends))]
    jump = np.flatnonzero(np.diff(bin_of[kept]) > 1)
    middle = (t[kept[jump]] + t[kept[jump + 1]]) / 2
    return np.insert(t[kept], jump + 1, middle), np.insert(values[kept], jump + 1, np.nan)


def shorten(name: str, letters: int = 24) -> str:
    """Return a name that fits beside an axis, its middle left out where it is long."""
    half = (letters - 1) // 2
    return name if len(name) <= letters else f"{name[:half]}…{name[-half:]}"


def draw_series(
    panel: Panel, t: Floats, values: Floats, bins: int, colour: str, dash: str = "", label: str = ""
) -> None:
    """Draw a long series thinned to its envelope."""
    x, y = envelope(t, values, bins)
    panel.line(x, y, colour, dash=dash, width=1.1, label=label)
