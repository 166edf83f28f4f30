"""What every drawing shares: paper, ink, thinning, and the way from a matplotlib figure to inline SVG.

Text stays text, so a figure can be read aloud, searched and copied. Ids are made unique to their figure, because
all figures stand in one page. Nothing here depends on the clock, on chance or on a person's matplotlib settings:
equal input gives equal bytes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
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
    (PETROL, "-"), (RUST, (0, (6, 2.5))), (PLUM, (0, (2.5, 1.8))), (OCHRE, (0, (7, 2, 2, 2))),
)  # fmt: skip
"""Colour and dash of each engine's line: told apart without colour too."""

COMPACT = (372, 230)
WIDE = (960, 404)
TALL = (372, 560)

HALO = "halo"
"""Group id of a text around which the paper is kept free."""


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


def _settings(font_size: float) -> Any:
    """Return what makes matplotlib's settings ours, whatever a person's own are."""
    import matplotlib as mpl  # noqa: PLC0415 - a quarter of a second that only drawing should pay

    ours: dict[str, Any] = {
        "svg.fonttype": "none", "svg.hashsalt": "trialcapture", "font.family": ["sans-serif"],
        "font.sans-serif": ["DejaVu Sans"], "font.size": font_size, "text.color": INK, "text.usetex": False,
        "text.parse_math": False, "axes.edgecolor": INK, "axes.linewidth": 0.8, "axes.spines.top": False,
        "axes.spines.right": False, "axes.titley": 1.0, "lines.linewidth": 1.4, "legend.frameon": False,
        "legend.fontsize": font_size - 1.5, "legend.borderaxespad": 0, "path.simplify": False,
    }  # fmt: skip
    keep_out = {"backend", "backend_fallback", "interactive", "toolbar", "timezone", "datapath"}
    usual = {k: v for k, v in mpl.rcParamsDefault.items() if k not in keep_out and not k.startswith(("webagg", "tk"))}
    # a person's settings are nearly always the usual ones, and each one set anew is checked anew
    return {k: v for k, v in usual.items() if k not in ours and mpl.rcParams[k] != v} | ours


def draw(key: str, size: tuple[int, int], paint: Callable[[Any], None], *, label: str, font_size: float = 11) -> str:
    """Paint a figure and return it as inline SVG.

    Args:
        key: Prefix of every id in the drawing.
        size: Width and height in CSS pixels at natural size.
        paint: Draws on the `matplotlib.figure.Figure` it is given, where a point is a pixel.
        label: The text alternative.
        font_size: In the same pixels.
    """
    import matplotlib as mpl  # noqa: PLC0415
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    with mpl.rc_context(_settings(font_size)):
        figure = Figure(figsize=(size[0] / 72, size[1] / 72), dpi=72, frameon=False)
        canvas: Any = FigureCanvasSVG(figure)
        paint(figure)
        out = io.StringIO()
        canvas.print_svg(out, metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    return _inline(out.getvalue(), key, size, label)


_LEFT_OUT = (
    (re.compile(r"<(?:metadata>.*?</metadata>|!--.*?-->|style[^>]*>.*?</style>)\s*", re.DOTALL), ""),
    (re.compile(r"<(?:/?svg|\?xml|!DOCTYPE)[^>]*>"), ""),
    (re.compile(rf'<g id="(?!{HALO}")[^"]*"'), "<g"),
    (re.compile(r' transform="rotate\(-?0 [^"]*\)"'), ""),
    (re.compile(r"font-family: [^;\"]*;? ?"), ""),
    (re.compile(r"\n\s+"), "\n"),
)
"""What is left out and what stays in its place; each begins with letters of its own, because a search for any of
them at once would look at every letter six times."""
_PLACES = re.compile(r' (?:d|x|y|transform)="[^"]*"')
_FINER = re.compile(r"(?<=\.\d)\d+")


def _inline(svg: str, key: str, size: tuple[int, int], label: str) -> str:
    for pattern, left in _LEFT_OUT:
        svg = pattern.sub(left, svg)
    svg = svg.replace(f'id="{HALO}"', f'stroke="{PAPER}" stroke-width="4.5" paint-order="stroke"')
    # a tenth of a pixel is finer than a twentieth of a millimetre in print; the rest is weight
    svg = _PLACES.sub(_coarser, svg)
    for name in (' id="', "url(#", ' xlink:href="#'):
        svg = svg.replace(name, f"{name}{key}-")
    # drawn with one font's measures everywhere, shown in the reader's own; some versions name it in shorthand
    svg = svg.replace("'DejaVu Sans'", "system-ui")
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="0 0 {size[0]} {size[1]}" role="img" aria-label="{escape(label)}" '
        f'font-family="system-ui, sans-serif">'
    )
    return f"{head}{svg.strip()}</svg>"


def _coarser(place: re.Match[str]) -> str:
    return _FINER.sub("", place[0]).replace("\n", "").replace("M ", "M").replace("L ", "L")


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
    axes: Any, t: Floats, values: Floats, bins: int, colour: str, dash: Any = "-", label: str | None = None
) -> None:
    """Draw a long series thinned to its envelope."""
    x, y = envelope(t, values, bins)
    axes.plot(x, y, color=colour, ls=dash, lw=1.1, label=label, zorder=2)
    # a line through one reading has no length
    known = np.pad(np.isfinite(y), 1)
    alone = known[1:-1] & ~known[:-2] & ~known[2:]
    if alone.any():
        axes.plot(x[alone], y[alone], ".", color=colour, ms=2.5, zorder=2)


def write_names(axes: Any, names: Sequence[tuple[float, float, str]], **look: Any) -> None:
    """Write names of one look as one artist, not cut off at the edges of the axes.

    Args:
        axes: Where.
        names: Place across, place upwards and what stands there, in the axes' units or those of a ``transform``.
        look: Properties of `matplotlib.text.Text`.
    """
    from matplotlib.text import Text  # noqa: PLC0415

    from trialcapture.report.figures_names import Names  # noqa: PLC0415

    if names:
        pen = Text(**({"transform": axes.transData} | look))
        pen.set_figure(axes.figure)
        axes.figure.add_artist(Names(names, pen))


def draw_boxes(
    axes: Any, spans: Sequence[tuple[float, float]], low: float, high: float, fill: str, **look: Any
) -> None:
    """Fill boxes between pairs of x and two heights, as one path: an artist for each costs more than all the ink."""
    draw_shapes(axes, [((a, low), (a, high), (b, high), (b, low)) for a, b in spans], fill, **look)


def draw_shapes(axes: Any, corners: Sequence[Any], fill: str, **look: Any) -> None:
    """Fill polygons of equally many corners, given as (x, y) in the data's units, as one path."""
    from matplotlib.patches import PathPatch  # noqa: PLC0415
    from matplotlib.path import Path  # noqa: PLC0415

    if not len(corners):
        return
    shape = Path.make_compound_path_from_polys(np.asarray(corners, dtype=np.float64))
    axes.add_artist(PathPatch(shape, **({"fc": fill, "ec": "none", "lw": 0, "zorder": 0.5} | look)))
