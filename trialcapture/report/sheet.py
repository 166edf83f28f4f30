"""A sheet of paper with panels that share one horizontal axis: ticks, titles and legends around the data.

Margins are worked out from the letters that must stand in them, by the widest of the usual fonts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from trialcapture.report.columns import Floats
from trialcapture.report.ink import boxes, nice_ticks, path, places, strokes, words, words_width
from trialcapture.report.panels import SAMPLE_PX, Panel, Scale

INK = "#14212b"
RULE = "#c9d0d5"

_TICK, _GAP = 4.0, 3.5


@dataclass(slots=True)
class Sheet:
    """A drawing in the making.

    Attributes:
        key: Prefix of every id in it.
        width: [px].
        height: [px].
        font_px: Size of titles; ticks and legends are smaller.
        x_label: What stands under it.
        x_limits: None for what the data need.
        x_ticks: Values and their names; None for round ones.
        true_to_shape: Whether a unit is as long upwards as across.
    """

    key: str
    width: float
    height: float
    font_px: float
    x_label: str = ""
    x_limits: tuple[float, float] | None = None
    x_ticks: tuple[Sequence[float], Sequence[str]] | None = None
    true_to_shape: bool = False
    panels: list[Panel] = field(default_factory=list)
    shares: list[float] = field(default_factory=list)

    @property
    def small_px(self) -> float:
        """Size of what is said in passing."""
        return self.font_px - 1.5

    def panel(self, share: float = 1.0) -> Panel:
        """Add a panel below the others, with its share of the height."""
        made = Panel(clip=f' clip-path="url(#{self.key}-{len(self.panels)})"')
        self.panels.append(made)
        self.shares.append(share)
        return made

    def svg(self, label: str, *, own: str = "") -> str:
        """Return the finished drawing.

        Args:
            label: The text alternative.
            own: Definitions it refers to.
        """
        font, tick_px = self.font_px, self.font_px - 1
        line_px = 1.35 * self.small_px
        rows = [_legend_rows(p, self.width - 70, self.small_px, font) for p in self.panels]
        heads = [
            (font + 9 if p.title else 5) + (0 if beside else line_px * len(lines))
            for p, (lines, beside) in zip(self.panels, rows, strict=True)
        ]
        foot = _TICK + _GAP + tick_px + 3 + (font + 5 if self.x_label else 0)
        feet = [10.0] * (len(self.panels) - 1) + [foot]
        free = (self.height - sum(heads) - sum(feet)) / sum(self.shares)
        tall = [free * share for share in self.shares]
        y_limits = [_limits([y for _, y in p.seen], p.y_limits, p.air) for p in self.panels]
        named = [
            p.y_ticks or nice_ticks(*limits, float(np.clip(height / (2.2 * font), 2, 8)))
            for p, limits, height in zip(self.panels, y_limits, tall, strict=True)
        ]
        left = max([words_width(name, tick_px) for _, names in named for name in names] or [0.0]) + _GAP + 1
        x_limits = self.x_limits or _limits([x for p in self.panels for x, _ in p.seen], (None, None), 0.05)
        x_ticks = self.x_ticks or _fitting_ticks(x_limits, self.width - left - 8, tick_px)
        width = self.width - left - _overhang(x_ticks, x_limits, self.width - left, tick_px)
        if self.true_to_shape:
            shape = (y_limits[0][1] - y_limits[0][0]) / (x_limits[1] - x_limits[0])
            width = min(width, tall[0] / shape)
            tall = [width * shape]

        out, clips, top = [], [], 0.0
        for i, panel in enumerate(self.panels):
            top += heads[i]
            scale = Scale(left, top, width, tall[i], x_limits, y_limits[i])
            last = i == len(self.panels) - 1
            # Python's sort keeps the order of equal layers
            marks = sorted(panel.marks, key=lambda m: m[0])
            out += [mark(scale) for layer, mark in marks if layer < 1]
            out.append(_axes(panel, scale, named[i], x_ticks, tick_px, names_x=last))
            out += [mark(scale) for layer, mark in marks if layer >= 1]
            out.append(_frame_lines(panel, scale))
            out.append(_head(panel, scale, rows[i], font, self.small_px))
            clips.append(f'<clipPath id="{self.key}-{i}"><path d="{boxes([(left, top, width, tall[i])])}"/></clipPath>')
            top += tall[i] + feet[i]
        if self.x_label:
            below = top - foot + _TICK + _GAP + tick_px + 5
            out.append(words(self.x_label, left + width / 2, below, edge="top", size=font))
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {places(self.width, self.height)}" role="img" '
            f'aria-label="{escape(label)}" font-family="system-ui, sans-serif" fill="{INK}">'
            f"<defs>{''.join(clips)}{own}</defs>{''.join(out)}</svg>"
        )


def _limits(seen: Sequence[Floats], given: tuple[float | None, float | None], air: float) -> tuple[float, float]:
    values = np.concatenate([np.asarray(v, dtype=np.float64).ravel() for v in seen]) if seen else np.empty(0)
    values = values[np.isfinite(values)]
    low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
    pad = air * (high - low)
    least, most = given
    low = low - pad if least is None else least
    high = high + pad if most is None else most
    if not high > low:
        # nothing but one value: half a unit, or a twentieth of it, to either side
        room = max(0.05 * abs(low), 0.5)
        low, high = (low if least is not None else low - room), low + room
    return low, high


def _fitting_ticks(limits: tuple[float, float], width: float, size: float) -> tuple[list[float], list[str]]:
    for most in (9, 8, 7, 6, 5, 4, 3, 2, 1):
        values, names = nice_ticks(*limits, most)
        if len(names) * max([words_width(name, size) + size for name in names] or [0.0]) <= width:
            break
    return values, names


def _overhang(
    ticks: tuple[Sequence[float], Sequence[str]], limits: tuple[float, float], width: float, size: float
) -> float:
    """Return the room to the right of a panel that the last name under it needs."""
    if not len(ticks[0]):
        return 4.0
    beyond = (limits[1] - ticks[0][-1]) / (limits[1] - limits[0]) * width
    return max(4.0, words_width(ticks[1][-1], size) / 2 - beyond + 2)


def _axes(
    panel: Panel, s: Scale, y_ticks: tuple[Sequence[float], Sequence[str]],
    x_ticks: tuple[Sequence[float], Sequence[str]], size: float, *, names_x: bool,
) -> str:  # fmt: skip
    within = [(s.y(v), n) for v, n in zip(*y_ticks, strict=True) if s.y_limits[0] <= v <= s.y_limits[1]]
    along = [(s.x(v), n) for v, n in zip(*x_ticks, strict=True) if s.x_limits[0] <= v <= s.x_limits[1]]
    right, bottom = s.left + s.width, s.top + s.height
    rules = [(s.left, y, right, y) for y, _ in within] if "y" in panel.rules else []
    rules += [(x, s.top, x, bottom) for x, _ in along] if "x" in panel.rules else []
    out = [path(strokes(rules), stroke=RULE, width=0.7)]
    if "x" not in panel.rules or "y" not in panel.rules:
        out.append(path(strokes([(x, bottom, x, bottom + _TICK) for x, _ in along]), stroke=INK, width=0.8))
    out += [words(name, s.left - _GAP, y, anchor="end", size=size) for y, name in within]
    if names_x:
        out += [words(name, x, bottom + _TICK + _GAP, edge="top", size=size) for x, name in along]
    return "".join(out)


def _frame_lines(panel: Panel, s: Scale) -> str:
    corner = f"M{places(s.left, s.top)}v{places(s.height)}" if panel.side else f"M{places(s.left, s.top + s.height)}"
    return path(f"{corner}h{places(s.width)}", stroke=INK, width=0.8)


_Legend = tuple[list[list[tuple[str, Callable[[float, float], str]]]], bool]


def _entry_width(label: str, size: float) -> float:
    return SAMPLE_PX + 6 + words_width(label, size) + 10


def _legend_rows(panel: Panel, width: float, size: float, font: float) -> _Legend:
    """Return the rows of a legend above a panel, and whether there is one only that fits beside the title."""
    if panel.legend != "above" or not panel.labels:
        return [], True
    rows: list[list[tuple[str, Callable[[float, float], str]]]] = [[]]
    used = 0.0
    for entry in panel.labels:
        if rows[-1] and used + _entry_width(entry[0], size) > width:
            rows.append([])
            used = 0.0
        rows[-1].append(entry)
        used += _entry_width(entry[0], size)
    return rows, len(rows) == 1 and used + words_width(panel.title, font) < width


def _head(panel: Panel, s: Scale, legend: _Legend, font: float, small: float) -> str:
    line = 1.35 * small
    rows, beside = legend
    lift = 0.0 if beside else line * len(rows)
    out = [words(panel.title, s.left, s.top - 8 - lift, anchor="start", edge="", size=font)] if panel.title else []
    if panel.legend == "inside" and panel.labels:
        return "".join(out) + _inside(panel, s, small)
    for i, row in enumerate(rows):
        x = s.left if not beside else s.left + s.width - sum(_entry_width(label, small) for label, _ in row) + 10
        y = s.top - 8 - 0.36 * small - line * (len(rows) - 1 - i)
        for label, sample in row:
            out += [sample(x, y), words(label, x + SAMPLE_PX + 6, y, anchor="start", size=small)]
            x += _entry_width(label, small)
    return "".join(out)


def _inside(panel: Panel, s: Scale, size: float) -> str:
    """Return a legend in the corner where it hides least of the data."""
    line, wide = 1.35 * size, max(_entry_width(label, size) for label, _ in panel.labels)
    high = line * len(panel.labels)
    px = np.concatenate([np.asarray(s.x(x), dtype=np.float64) for x, _ in panel.seen])
    py = np.concatenate([np.asarray(s.y(y), dtype=np.float64) for _, y in panel.seen])

    def hidden(corner: tuple[float, float]) -> int:
        x, y = corner
        return int(((px > x - 4) & (px < x + wide) & (py > y - 4) & (py < y + high + 4)).sum())

    right, low = s.left + s.width - wide, s.top + s.height - high - 4
    x, y = min([(right, s.top), (s.left + 8, s.top), (right, low), (s.left + 8, low)], key=hidden)
    out = []
    for i, (label, sample) in enumerate(panel.labels):
        at = y + line * (i + 0.5)
        out += [sample(x, at), words(label, x + SAMPLE_PX + 6, at, anchor="start", size=size)]
    return "".join(out)
