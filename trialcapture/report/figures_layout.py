"""Where the axes of a figure stand: margins worked out from the letters in them, so that no text is measured twice.

Matplotlib's own layout measures every text and draws the figure once more to do so. Titles, ticks and legends here
are of known font and number of letters, which is enough.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialcapture.report.figures import INK, RULE, write_names

WIDEST_LETTER = 0.64
"""Width of a digit over the font size in the widest of the usual screen fonts, DejaVu Sans; others are narrower."""
_SAMPLE = 2.4
"""Length of the piece of line in a legend over the font size."""
_PAD, _TICK = 3.5, 4.0

Ticks = tuple[Sequence[float], Sequence[str]]


@dataclass(slots=True)
class Row:
    """One pair of axes in a column of them.

    Attributes:
        axes: Matplotlib's.
        title: What stands above.
        share: Of the height.
        y_ticks: Values and their names; None for round ones.
        rules: Which axes have lines across: "x", "y", "xy" or "".
        side: Whether the left edge is drawn.
        legend: "" for none, "above" beside or under the title, "inside" where it hides least.
    """

    axes: Any
    title: str
    share: float = 1.0
    y_ticks: Ticks | None = None
    rules: str = "y"
    side: bool = True
    legend: str = ""


def new_axes(figure: Any) -> Any:
    """Add axes whose place and ticks are given later, by `lay_out`."""
    axes = figure.add_axes((0, 0, 1, 1), label=str(len(figure.axes)))
    for part in (axes.patch, axes.xaxis, axes.yaxis):
        part.set_visible(False)
    return axes


def words_width(text: str, size: float) -> float:
    """Return the room a text may need [px], whatever font the reader has."""
    # a minus sign is a third wider than a digit
    return WIDEST_LETTER * size * (len(text) + 0.35 * text.count("−"))


def nice_ticks(low: float, high: float, most: float) -> Ticks:
    """Return round values within limits, at most so many steps apart, and their names with a true minus sign."""
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415

    if not (np.isfinite(high - low) and high > low):
        return [], []
    found: Any = MaxNLocator(max(int(most), 1), steps=[1, 2, 2.5, 5, 10], min_n_ticks=1).tick_values(low, high)
    step, slack = float(found[1] - found[0]), 1e-9 * (high - low)
    values = found[(found >= low - slack) & (found <= high + slack)].tolist()
    decimals = next((n for n in range(9) if abs(round(step, n) - step) < 1e-6 * step), 9)
    # zero has no sign
    return values, [f"{v + 0.0 if abs(v) > step / 2 else 0.0:.{decimals}f}".replace("-", "−") for v in values]


def lay_out(
    figure: Any, rows: Sequence[Row], x_label: str, x_limits: tuple[float, float], x_ticks: Ticks | None = None,
    *, true_to_shape: bool = False,
) -> None:  # fmt: skip
    """Give the axes their places, ticks, titles and legends.

    Args:
        figure: Holds them.
        rows: From top to bottom; all on one horizontal axis, named under the last.
        x_label: What stands under it.
        x_limits: Of it.
        x_ticks: Values and their names; None for round ones.
        true_to_shape: Whether a unit is as long upwards as across, in a figure of one pair of axes.
    """
    import matplotlib as mpl  # noqa: PLC0415

    font = float(mpl.rcParams["font.size"])
    tick = font - 1
    full_width, full_height = figure.get_size_inches() * 72
    legends = [_legend_shape(row, full_width - 70, font) for row in rows]
    lifts = [lines * 1.35 * (font - 1.5) for _, lines in legends]
    heads = [(font + 9 if row.title else 5) + lift for row, lift in zip(rows, lifts, strict=True)]
    foot = _TICK + _PAD + tick + 3 + (font + 5 if x_label else 0)
    feet = [10.0] * (len(rows) - 1) + [foot]
    free = (full_height - sum(heads) - sum(feet)) / sum(row.share for row in rows)
    tall = [free * row.share for row in rows]
    y_ticks = [
        row.y_ticks or _fitting_y_ticks(row, height / (2.2 * font)) for row, height in zip(rows, tall, strict=True)
    ]
    left = max([words_width(name, tick) for _, names in y_ticks for name in names] or [0.0]) + _PAD + 1
    x_ticks = x_ticks or _fitting_ticks(x_limits, full_width - left - 8, tick)
    before, beyond = _overhangs(x_ticks, x_limits, full_width - left, tick)
    left = max(left, before)
    width = full_width - left - beyond
    if true_to_shape:
        low, high = rows[0].axes.get_ylim()
        shape = (high - low) / (x_limits[1] - x_limits[0])
        width = min(width, tall[0] / shape)
        tall = [width * shape]
    top = 0.0
    for i, row in enumerate(rows):
        top += heads[i]
        row.axes.set_position(
            (left / full_width, 1 - (top + tall[i]) / full_height, width / full_width, tall[i] / full_height)
        )
        row.axes.set_xlim(x_limits)
        below = x_ticks if i == len(rows) - 1 else (x_ticks[0], [])
        _draw_ticks(row, below, y_ticks[i], tick, (width, tall[i]))
        if not row.side:
            row.axes.spines["left"].set_visible(False)
        if row.title:
            write_names(row.axes, [(0.0, 1 + (8 + lifts[i]) / tall[i], row.title)], transform=row.axes.transAxes)
        columns, lines = legends[i]
        if columns:
            where = {"loc": "lower left" if lines else "lower right", "bbox_to_anchor": (not lines, 1 + 8 / tall[i])}
            inside = {"loc": "best", "borderaxespad": 0.5}
            row.axes.legend(
                **(inside if row.legend == "inside" else where), ncols=columns, handlelength=_SAMPLE,
                handletextpad=0.5, columnspacing=0.9, borderpad=0, labelspacing=0.3,
            )  # fmt: skip
        top += tall[i] + feet[i]
    if x_label:
        last = rows[-1].axes
        depth = (_TICK + _PAD + tick + 5) / tall[-1]
        write_names(last, [(0.5, -depth, x_label)], transform=last.transAxes, ha="center", va="top")


def _legend_shape(row: Row, width: float, font: float) -> tuple[int, int]:
    """Return the columns of a legend, 0 for none, and how many lines it takes above the axes that the title leaves."""
    names, small = row.axes.get_legend_handles_labels()[1] if row.legend else [], font - 1.5
    if not names or row.legend == "inside":
        return min(len(names), 1), 0
    entry = max(words_width(name, small) for name in names) + (_SAMPLE + 0.5 + 0.9) * small
    columns = int(np.clip(width // entry, 1, len(names)))
    beside = columns == len(names) and columns * entry + words_width(row.title, font) < width
    return columns, 0 if beside else -(-len(names) // columns)


def _draw_ticks(row: Row, x_ticks: Ticks, y_ticks: Ticks, size: float, area: tuple[float, float]) -> None:
    """Draw marks, lines across and names of the ticks; ticks without names are marked only.

    A tick of matplotlib's is five artists, and all are measured to place what may stand beside them; here that place
    is known. With names as plain texts and one path for all marks a figure takes a third less time.
    """
    axes, (width, height) = row.axes, area
    mark = 0.0 if "x" in row.rules else _TICK
    if mark:
        _draw_strokes(
            axes, "x", x_ticks[0], (0.0, -mark / height), color=INK, lw=0.8, solid_capstyle="butt", clip_on=False
        )
    for axis, places in (("x", x_ticks[0]), ("y", y_ticks[0])):
        if axis in row.rules:
            _draw_strokes(axes, axis, places, (0.0, 1.0), color=RULE, lw=0.7, zorder=0.6)
    # a row that others stand under has marks without names
    under = [(place, -(mark + _PAD) / height, name) for place, name in zip(*x_ticks, strict=False)]
    beside = [(-_PAD / width, place, name) for place, name in zip(*y_ticks, strict=True)]
    write_names(axes, under, transform=axes.get_xaxis_transform(), fontsize=size, ha="center", va="top")
    write_names(axes, beside, transform=axes.get_yaxis_transform(), fontsize=size, ha="right", va="center_baseline")


def _draw_strokes(axes: Any, axis: str, places: Sequence[float], ends: tuple[float, float], **look: Any) -> None:
    """Draw equal strokes across an axis, between two shares of the length of the other, as one path."""
    if not len(places):
        return
    along, across = np.repeat(np.asarray(places, dtype=np.float64), 3), np.tile([*ends, np.nan], len(places))
    units = axes.get_xaxis_transform() if axis == "x" else axes.get_yaxis_transform()
    line = (along, across) if axis == "x" else (across, along)
    axes.plot(*line, transform=units, scalex=False, scaley=False, **look)


def _fitting_ticks(limits: tuple[float, float], width: float, size: float) -> Ticks:
    for most in (9, 7, 5, 4, 3, 2, 1):
        values, names = nice_ticks(*limits, most)
        if len(names) * max([words_width(name, size) + size for name in names] or [0.0]) <= width:
            break
    return values, names


def _fitting_y_ticks(row: Row, most: float) -> Ticks:
    low, high = row.axes.get_ylim()
    return nice_ticks(low, high, min(max(most, 2), 8))


def _overhangs(ticks: Ticks, limits: tuple[float, float], width: float, size: float) -> tuple[float, float]:
    """Return the room to the left and to the right of the axes that the first and the last name under them need."""
    if not len(ticks[0]):
        return 4.0, 4.0
    per_unit = width / (limits[1] - limits[0])
    free = (ticks[0][0] - limits[0]) * per_unit, (limits[1] - ticks[0][-1]) * per_unit
    before, beyond = (
        max(4.0, words_width(ticks[1][i], size) / 2 - room + 2) for i, room in zip((0, -1), free, strict=True)
    )
    return before, beyond
