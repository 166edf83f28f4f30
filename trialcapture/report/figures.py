"""What every drawing shares: paper, ink, and the way from a matplotlib figure to inline SVG.

Text stays text, so a figure can be read aloud, searched and copied. Ids are made unique to their figure, because
all figures stand in one page. Nothing here depends on the clock, on chance or on a person's matplotlib settings:
equal input gives equal bytes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialcapture.report.columns import Floats

INK = "#14212b"
QUIET = "#46535e"
RULE = "#c9d0d5"
PAPER = "#ffffff"
PETROL = "#004c5a"
RUST = "#8f3300"
OCHRE = "#624700"
PLUM = "#6a1f5c"
TINT = "#e3eef0"
WARN_TINT = "#f6e7de"

ENGINE_STYLES: tuple[tuple[str, Any], ...] = (
    (PETROL, "-"), (RUST, (0, (5, 2))), (PLUM, (0, (2, 1.5))), (OCHRE, (0, (6, 1.5, 1.5, 1.5))),
)  # fmt: skip
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


@contextmanager
def _our_style(font_size: float) -> Iterator[None]:
    import matplotlib as mpl  # noqa: PLC0415 - half a second that only drawing should pay

    ours: dict[str, Any] = {
        "svg.fonttype": "none", "svg.hashsalt": "trialcapture", "font.family": ["sans-serif"],
        "font.sans-serif": ["DejaVu Sans"], "font.size": font_size, "axes.edgecolor": INK, "axes.labelcolor": INK,
        "axes.linewidth": 0.8, "axes.spines.top": False, "axes.spines.right": False, "axes.grid": True,
        "axes.grid.axis": "y", "axes.axisbelow": True, "grid.color": RULE, "grid.linewidth": 0.7, "text.color": INK,
        "xtick.color": INK, "ytick.color": INK, "xtick.labelsize": font_size - 1, "ytick.labelsize": font_size - 1,
        "xtick.major.size": 4, "ytick.major.size": 0, "axes.titlesize": font_size, "axes.titlelocation": "left",
        "axes.titleweight": "normal", "axes.titlepad": 8, "lines.linewidth": 1.4, "figure.facecolor": PAPER,
        "legend.frameon": False, "path.simplify": True, "path.simplify_threshold": 0.3, "text.usetex": False,
        "axes.formatter.useoffset": False, "axes.formatter.limits": [-6, 7], "axes.unicode_minus": True,
        "text.parse_math": False,
    }  # fmt: skip
    keep_out = {"backend", "backend_fallback", "interactive", "toolbar", "timezone", "datapath"}
    settings: Any = {
        k: v for k, v in mpl.rcParamsDefault.items() if k not in keep_out and not k.startswith(("webagg", "tk"))
    }
    with mpl.rc_context(settings | ours):
        yield


def draw(key: str, size: tuple[int, int], paint: Callable[[Any], None], *, label: str, font_size: float = 11) -> str:
    """Paint a figure and return it as inline SVG.

    Args:
        key: Prefix of every id in the drawing.
        size: Width and height in CSS pixels at natural size.
        paint: Draws on the `matplotlib.figure.Figure` it is given.
        label: The text alternative.
        font_size: In the same pixels.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    with _our_style(font_size):
        figure = Figure(figsize=(size[0] / 72, size[1] / 72), dpi=72, layout="constrained")
        FigureCanvasSVG(figure)
        paint(figure)
        # lay it out once and draw it once: saving a figure that has a layout engine draws it twice
        engine = figure.get_layout_engine()
        if engine is not None:
            engine.execute(figure)
        figure.set_layout_engine("none")
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    return _inline(out.getvalue().decode(), key, label)


def _inline(svg: str, key: str, label: str) -> str:
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<style[^>]*>.*?</style>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r'<g id="[^"]*"', "<g", svg)
    svg = re.sub(r' transform="rotate\(-?0 [^"]*\)"', "", svg)
    # a hundredth of a pixel is finer than any printer; the rest is weight
    svg = re.sub(r' (?:d|x|y|transform)="[^"]*"', lambda m: re.sub(r"(\.\d\d)\d+", r"\1", m[0]).replace("\n", ""), svg)
    svg = re.sub(r'\bid="', f'id="{key}-', svg)
    svg = re.sub(r"url\(#", f"url(#{key}-", svg)
    svg = re.sub(r'href="#', f'href="#{key}-', svg)
    # drawn with one font's measures everywhere, shown in the reader's own
    svg = re.sub(r"'DejaVu Sans'(, sans-serif)?", "system-ui, sans-serif", svg)
    view = re.search(r'viewBox="[^"]+"', svg)
    names = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    head = f'<svg {names} {view[0] if view else ""} role="img" aria-label="{_attribute(label)}">'
    return re.sub(r"^<svg[^>]*>", lambda _: head, svg, count=1).strip()


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")


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
    # sorted by bin, then value: the first and last of each bin are its extremes
    order = known[np.lexsort((values[known], bin_of[known]))]
    first = np.flatnonzero(np.diff(bin_of[order], prepend=-1))
    last = np.append(first[1:], len(order)) - 1
    kept = np.unique(np.concatenate([order[first], order[last]]))
    jump = np.flatnonzero(np.diff(bin_of[kept]) > 1)
    middle = (t[kept[jump]] + t[kept[jump + 1]]) / 2
    return np.insert(t[kept], jump + 1, middle), np.insert(values[kept], jump + 1, np.nan)


def shorten(name: str, letters: int = 24) -> str:
    """Return a name that fits beside an axis, its middle left out where it is long."""
    half = (letters - 1) // 2
    return name if len(name) <= letters else f"{name[:half]}…{name[-half:]}"


def draw_series(
    axes: Any, t: Floats, values: Floats, bins: int, colour: str, dash: Any, label: str | None = None
) -> None:
    """Draw a long series thinned to its envelope."""
    x, y = envelope(t, values, bins)
    axes.plot(x, y, color=colour, ls=dash, lw=1.1, label=label, zorder=2)
