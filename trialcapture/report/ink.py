"""Pieces of SVG: numbers, lines, marks and words as the shortest text that draws them exactly enough."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from trialcapture.report.columns import Floats

WIDEST_LETTER = 0.64
"""Width of a digit over the font size in the widest of the usual screen fonts, DejaVu Sans; others are narrower."""
_FAR = 1e5
_EDGES = {"center": 0.36, "top": 0.8, "bottom": -0.22}


def places(*values: float) -> str:
    """Return coordinates to a tenth of a pixel, which at the printed size is finer than a twentieth of a millimetre."""
    return " ".join(f"{v:.1f}".removesuffix(".0") for v in values)


def words_width(text: str, size: float) -> float:
    """Return the room a text may need [px], whatever font the reader has."""
    return WIDEST_LETTER * size * len(text)


def path_of(px: Floats, py: Floats) -> str:
    """Return path data through points, broken where either coordinate is NaN.

    Points that fall on the one before, or on the straight way between their neighbours, change nothing and are left
    out. A point between two gaps becomes a line of no length, which a round cap shows as a dot.

    Args:
        px: Shape (n,) [px].
        py: Shape (n,) [px].
    """
    known = np.isfinite(px) & np.isfinite(py)
    edges = np.flatnonzero(np.diff(known, prepend=False, append=False))
    tenths = np.rint(np.clip(np.column_stack([px, py]), -_FAR, _FAR) * 10)
    drawn = []
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        run = tenths[first:stop]
        run = run[np.append(True, np.diff(run, axis=0).any(axis=1))]
        if len(run) > 2:
            before, after = np.diff(run[:-1], axis=0), np.diff(run[1:], axis=0)
            turns = before[:, 0] * after[:, 1] != before[:, 1] * after[:, 0]
            back = (before * after).sum(axis=1) < 0
            run = run[np.concatenate([[True], turns | back, [True]])]
        data = ("%.7g %.7g " * len(run)) % tuple((run / 10).ravel().tolist())
        drawn.append("M" + (data[:-1] if len(run) > 1 else data[:-1] + "h0"))
    return "".join(drawn)


def strokes(pieces: Sequence[tuple[float, float, float, float]]) -> str:
    """Return path data of separate straight strokes, each from (x, y) to (x, y)."""
    return "".join(f"M{places(*piece)}" for piece in pieces)


def boxes(pieces: Sequence[tuple[float, float, float, float]]) -> str:
    """Return path data of rectangles, each given by left, top, width and height."""
    return "".join(f"M{places(x, y)}h{places(w)}v{places(h)}h{places(-w)}z" for x, y, w, h in pieces)


def path(data: str, *, stroke: str = "", width: float = 1.0, dash: str = "", fill: str = "none", more: str = "") -> str:
    """Return a path element, "" where there is nothing to draw."""
    if not data:
        return ""
    line = f' stroke="{stroke}" stroke-width="{width:g}"' if stroke else ""
    line += f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{data}" fill="{fill}"{line}{more}/>'


def circles(px: Floats, py: Floats, diameter: float, *, fill: str, stroke: str, width: float) -> str:
    """Return one circle for every point with both coordinates known."""
    known = np.isfinite(px) & np.isfinite(py)
    if not known.any():
        return ""
    each = "".join(
        f'<circle cx="{places(x)}" cy="{places(y)}" r="{diameter / 2:g}"/>'
        for x, y in zip(px[known].tolist(), py[known].tolist(), strict=True)
    )
    return f'<g fill="{fill}" stroke="{stroke}" stroke-width="{width:g}">{each}</g>'


def words(
    text: str, x: float, y: float, *, anchor: str = "middle", edge: str = "center", size: float, colour: str = "",
    bold: bool = False, halo: str = "",
) -> str:  # fmt: skip
    """Return a text element.

    Args:
        text: Not yet escaped.
        x: Where it is anchored [px].
        y: Where its edge is [px].
        anchor: "start", "middle" or "end".
        edge: Which of "center", "top" and "bottom" stands at ``y``; "" for the baseline.
        size: Of the font [px].
        colour: "" for that of the drawing.
        bold: Whether heavy.
        halo: Colour of the paper kept free around the letters, "" for none.
    """
    base = y + _EDGES.get(edge, 0.0) * size
    look = f' fill="{colour}"' if colour else ""
    look += ' font-weight="700"' if bold else ""
    look += f' stroke="{halo}" stroke-width="4.5" paint-order="stroke"' if halo else ""
    side = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text x="{places(x)}" y="{places(base)}" font-size="{size:.3g}"{side}{look}>{escape(text)}</text>'


def nice_ticks(low: float, high: float, most: float) -> tuple[list[float], list[str]]:
    """Return round values within limits, at most so many steps apart, and their names with a true minus sign.

    Steps are 1, 2, 2.5 or 5 times a power of ten.
    """
    span = high - low
    if not (np.isfinite(span) and span > 0):
        return [], []
    exponent = int(np.floor(np.log10(span / most)))
    lead = next(lead for lead in (1.0, 2.0, 2.5, 5.0, 10.0) if span / (lead * 10.0**exponent) <= most * (1 + 1e-9))
    step = lead * 10.0**exponent
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    decimals = max(0, -exponent - (lead == 10.0) + (lead == 2.5))
    values = [i * step for i in range(first, last + 1)]
    return values, [f"{v:.{decimals}f}".replace("-", "−") for v in values]
