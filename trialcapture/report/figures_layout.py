"""Where the axes of a figure stand: margins worked out from the letters in them, so that no text is measured twice.

Matplotlib's own layout measures every text and draws the figure once more to do so. Titles, ticks and legends here
are of known font and number of letters, which is enough.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

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
        legend: Whether the lines are named above the axes.
    """

    axes: Any
    title: str
    share: float = 1.0
    y_ticks: Ticks | None = None
    legend: bool = False


def new_axes(figure: Any) -> Any:
    """Add axes whose place is given later, by `lay_out`."""
    axes = figure.add_axes((0, 0, 1, 1), label=str(len(figure.axes)))
    axes.patch.set_visible(False)
    return axes


def words_width(text: str, size: float) -> float:
    """Return the room a text may need [px], whatever font the reader has."""
    return WIDEST_LETTER * size * len(text)


def nice_ticks(low: float, high: float, most: float) -> Ticks:
    """Return round values within limits, at most so many steps apart, and their names with a true minus sign."""
    from matplotlib.ticker import MaxNLocator  # noqa: PLC0415

    if not (np.isfinite(high - low) and high > low):
        return [], []
    found = MaxNLocator(max(int(most), 1), steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
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
    legends = [_legend_shape(r, full_width - 70, font) if r.legend else (0, True) for r in rows]
    heads = [
        (font + 9 if row.title else 5) + (0 if beside else 1.35 * tick * -(-len(_names(row)) // columns))
        for row, (columns, beside) in zip(rows, legends, strict=True)
    ]
    foot = _TICK + _PAD + tick + 3 + (font + 5 if x_label else 0)
    feet = [10.0] * (len(rows) - 1) + [foot]
    free = (full_height - sum(heads) - sum(feet)) / sum(row.share for row in rows)
    tall = [free * row.share for row in rows]
    y_ticks = [
        row.y_ticks or nice_ticks(*row.axes.get_ylim(), float(np.clip(height / (2.2 * font), 2, 8)))
        for row, height in zip(rows, tall, strict=True)
    ]
    left = max([words_width(name, tick) for _, names in y_ticks for name in names] or [0.0]) + _PAD + 1
    x_ticks = x_ticks or _fitting_ticks(x_limits, full_width - left - 8, tick)
    width = full_width - left - _overhang(x_ticks, x_limits, full_width - left, tick)
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
        _set_ticks(row.axes.yaxis, y_ticks[i])
        last = i == len(rows) - 1
        _set_ticks(row.axes.xaxis, x_ticks if last else (x_ticks[0], [""] * len(x_ticks[0])))
        columns, beside = legends[i]
        lines = 0 if beside else -(-len(_names(row)) // columns)
        if row.title:
            row.axes.set_title(row.title, pad=8 + 1.35 * tick * lines)
        if columns:
            row.axes.legend(
                loc="lower right" if beside else "lower left",
                bbox_to_anchor=((1.0 if beside else 0.0), 1 + 4 / tall[i]), ncols=columns, handlelength=_SAMPLE,
                handletextpad=0.5, columnspacing=0.9, borderpad=0, labelspacing=0.3,
            )  # fmt: skip
        top += tall[i] + feet[i]
    if x_label:
        figure.text(
            (left + width / 2) / full_width, 1 - (top - foot + _TICK + _PAD + tick + 5) / full_height, x_label,
            ha="center", va="top",
        )  # fmt: skip


def _names(row: Row) -> list[str]:
    return [name for line in row.axes.lines if not (name := str(line.get_label())).startswith("_")]


def _legend_shape(row: Row, width: float, font: float) -> tuple[int, bool]:
    """Return the columns of a legend above axes, 0 for none, and whether it has room beside the title."""
    names, small = _names(row), font - 1.5
    if not names:
        return 0, True
    entry = max(words_width(name, small) for name in names) + (_SAMPLE + 0.5 + 0.9) * small
    columns = int(np.clip(width // entry, 1, len(names)))
    return columns, columns == len(names) and columns * entry + words_width(row.title, font) < width


def _set_ticks(axis: Any, ticks: Ticks) -> None:
    from matplotlib.ticker import FixedFormatter, FixedLocator  # noqa: PLC0415

    axis.set_major_locator(FixedLocator(ticks[0]))
    axis.set_major_formatter(FixedFormatter(ticks[1]))


def _fitting_ticks(limits: tuple[float, float], width: float, size: float) -> Ticks:
    for most in (9, 7, 5, 4, 3, 2, 1):
        values, names = nice_ticks(*limits, most)
        if len(names) * max([words_width(name, size) + size for name in names] or [0.0]) <= width:
            break
    return values, names


def _overhang(ticks: Ticks, limits: tuple[float, float], width: float, size: float) -> float:
    """Return the room to the right of the axes that the last name under them needs."""
    if not len(ticks[0]):
        return 4.0
    beyond = (limits[1] - ticks[0][-1]) / (limits[1] - limits[0]) * width
    return max(4.0, words_width(ticks[1][-1], size) / 2 - beyond + 2)
