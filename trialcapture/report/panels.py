"""A panel: one pair of axes and what is drawn on it.

Marks are noted in the data's own units and put on paper last, when limits and margins are known.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from trialcapture.report.columns import Floats
from trialcapture.report.ink import boxes, circles, path, path_of, places, strokes, words

SAMPLE_PX = 26.0
"""Length of the piece of line in a legend [px]."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a panel lies on the paper [px] and the limits of its data."""

    left: float
    top: float
    width: float
    height: float
    x_limits: tuple[float, float]
    y_limits: tuple[float, float]

    def x(self, values: Any) -> Any:
        """Return horizontal places [px]."""
        low, high = self.x_limits
        return self.left + (values - low) * (self.width / (high - low))

    def y(self, values: Any) -> Any:
        """Return vertical places [px], counted downwards."""
        low, high = self.y_limits
        return self.top + (high - values) * (self.height / (high - low))


@dataclass(slots=True)
class Panel:
    """One pair of axes. Later marks of an equal layer cover earlier ones; layers below 1 lie under the rules.

    Attributes:
        title: What stands above it.
        y_limits: Least and greatest value shown; None for an end that follows the data.
        y_ticks: Values and their names; None for round ones.
        rules: Which axes have lines across: "x", "y", "xy" or "".
        side: Whether the left axis is drawn.
        legend: "" for none, "above" beside the title, "inside" in the corner that hides least.
        air: Room left beyond the data, as a share of their span.
    """

    title: str = ""
    y_limits: tuple[float | None, float | None] = (None, None)
    y_ticks: tuple[Sequence[float], Sequence[str]] | None = None
    rules: str = "y"
    side: bool = True
    legend: str = ""
    air: float = 0.05
    marks: list[tuple[float, Callable[[Scale], str]]] = field(default_factory=list)
    labels: list[tuple[str, Callable[[float, float], str]]] = field(default_factory=list)
    seen: list[tuple[Floats, Floats]] = field(default_factory=list)
    clip: str = ""

    def add(self, layer: float, mark: Callable[[Scale], str]) -> None:
        """Note a mark, to be put on paper when its scale is known."""
        self.marks.append((layer, mark))

    def line(
        self,
        x: Floats,
        y: Floats,
        colour: str,
        *,
        width: float = 1.4,
        dash: str = "",
        label: str = "",
        layer: float = 2,
    ) -> None:
        """Draw a line through points, open where either is NaN."""
        self.seen.append((x, y))
        # a round end shows a single reading between gaps, but would close the gaps of a dashed line
        more = self.clip if dash else f' stroke-linecap="round"{self.clip}'
        self.add(layer, lambda s: path(path_of(s.x(x), s.y(y)), stroke=colour, width=width, dash=dash, more=more))
        if label:
            self.labels.append(
                (label, lambda px, py: path(f"M{places(px, py)}h{SAMPLE_PX:g}", stroke=colour, width=width, dash=dash))
            )

    def band(self, x: Floats, low: Floats, high: Floats, fill: str, *, layer: float = 1) -> None:
        """Fill between two lines."""
        self.seen += [(x, low), (x, high)]
        known = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
        around, edge = np.append(x[known], x[known][::-1]), np.append(low[known], high[known][::-1])
        self.add(layer, lambda s: path(path_of(s.x(around), s.y(edge)), fill=fill, more=self.clip))

    def columns(self, spans: Sequence[tuple[float, float]], fill: str, *, layer: float = 0.5) -> None:
        """Shade the whole height of the panel between pairs of x."""
        self.add(
            layer,
            lambda s: path(
                boxes([(s.x(a), s.top, s.x(b) - s.x(a), s.height) for a, b in spans]), fill=fill, more=self.clip
            ),
        )

    def bricks(
        self, spans: Sequence[tuple[float, float]], middle: float, height: float, *, fill: str, edge: str = ""
    ) -> None:
        """Draw a lane of bars between pairs of x."""

        def mark(s: Scale) -> str:
            top, tall = s.y(middle + height / 2), s.y(middle - height / 2) - s.y(middle + height / 2)
            pieces = [(s.x(a), top, s.x(b) - s.x(a), tall) for a, b in spans]
            return path(boxes(pieces), fill=fill, stroke=edge, width=0.7, more=self.clip)

        self.add(1, mark)

    def bars(
        self, x: Floats, y: Floats, half: Floats, colour: str, *, width: float, cap: float, across: bool = False
    ) -> None:
        """Draw ± bars with caps, upright or across; none where the middle or the half is NaN."""
        known = np.isfinite(x) & np.isfinite(y) & np.isfinite(half)
        x, y, half = x[known], y[known], half[known]
        self.seen += [(x - half, y), (x + half, y)] if across else [(x, y - half), (x, y + half)]

        def mark(s: Scale) -> str:
            pieces = []
            for at, mid, reach in zip(x.tolist(), y.tolist(), half.tolist(), strict=True):
                if across:
                    low, high, level = s.x(at - reach), s.x(at + reach), s.y(mid)
                    pieces += [(low, level, high, level)]
                    pieces += [(end, level - cap, end, level + cap) for end in (low, high)]
                else:
                    low, high, level = s.y(mid - reach), s.y(mid + reach), s.x(at)
                    pieces += [(level, low, level, high)]
                    pieces += [(level - cap, end, level + cap, end) for end in (low, high)]
            return path(strokes(pieces), stroke=colour, width=width, more=self.clip)

        self.add(3, mark)

    def dots(
        self,
        x: Floats,
        y: Floats,
        diameter: float,
        *,
        fill: str,
        edge: str,
        width: float,
        label: str = "",
        layer: float = 4,
    ) -> None:
        """Draw a circle at each point."""
        self.seen.append((x, y))
        self.add(layer, lambda s: circles(s.x(x), s.y(y), diameter, fill=fill, stroke=edge, width=width))
        if label:
            self.labels.append((
                label,
                lambda px, py: circles(
                    np.array([px + SAMPLE_PX / 2]), np.array([py]), diameter, fill=fill, stroke=edge, width=width
                ),
            ))  # fmt: skip

    def ticks(
        self, x: Floats, y: Floats, reach: tuple[float, float], colour: str, *, width: float, cross: bool = False,
        label: str = "", layer: float = 3,
    ) -> None:  # fmt: skip
        """Draw a short stroke through each point, reaching (right, down) from it; a cross mirrors it as well."""
        self.seen.append((x, y))
        known = np.isfinite(x) & np.isfinite(y)
        x, y = x[known], y[known]
        ways = (1, -1) if cross else (1,)

        def at(px: float, py: float) -> list[tuple[float, float, float, float]]:
            a, b = reach
            return [(px - a, py - way * b, px + a, py + way * b) for way in ways]

        def mark(s: Scale) -> str:
            spots = zip(s.x(x).tolist(), s.y(y).tolist(), strict=True)
            return path(strokes([piece for px, py in spots for piece in at(px, py)]), stroke=colour, width=width)

        self.add(layer, mark)
        if label:
            self.labels.append(
                (label, lambda px, py: path(strokes(at(px + SAMPLE_PX / 2, py)), stroke=colour, width=width))
            )

    def upright(self, x: float, colour: str) -> None:
        """Draw a dashed line over the whole height at x."""
        self.add(
            1, lambda s: path(f"M{places(s.x(x), s.top)}v{places(s.height)}", stroke=colour, dash="4 3", more=self.clip)
        )

    def text(
        self, text: str, x: float, y: float, *, right: float = 0, up: float = 0, anchor: str = "middle",
        edge: str = "center", size: float, colour: str = "", bold: bool = False, halo: str = "", layer: float = 6,
    ) -> None:  # fmt: skip
        """Write at a point of the data, moved by so many pixels."""
        self.add(
            layer,
            lambda s: words(
                text, s.x(x) + right, s.y(y) - up, anchor=anchor, edge=edge, size=size, colour=colour, bold=bold,
                halo=halo,
            ),
        )  # fmt: skip
