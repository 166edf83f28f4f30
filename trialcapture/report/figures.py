"""What every drawing shares: paper, ink, thinning, and the way from a matplotlib figure to inline SVG.

Text stays text, so a figure can be read aloud, searched and copied. Ids are made unique to their figure, because
all figures stand in one page. Nothing here depends on the clock, on chance or on a person's matplotlib settings:
equal input gives equal bytes. Matplotlib is imported when something is drawn: a second look may draw nothing.
"""

from __future__ import annotations

import gc
import io
import re
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from trialcapture.report.format import Floats
from trialcapture.safe_text import clean_page

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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

_CSS_NAMES = {
    INK: "ink", QUIET: "quiet", RULE: "rule", PAPER: "paper", PETROL: "petrol", RUST: "rust", OCHRE: "ochre",
    PLUM: "plum", TINT: "fig-tint", WARN_TINT: "fig-warm",
}  # fmt: skip
"""Colours of the page: a figure follows them where the reader's screen is dark."""

COMPACT = (372, 230)
WIDE = (960, 404)
TALL = (372, 560)

WIDEST_LETTER = 0.64
"""Width of a digit over the font size in DejaVu Sans, the widest of the usual screen fonts (measured)."""
NS_PER_MIN = 60_000_000_000
NS_PER_DAY = 86_400_000_000_000

TOP_PX = 26
"""Height of a title above its axes."""

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
    """Return what differs from matplotlib's own defaults: a title on the left, lines across instead of a frame."""
    return {
        "svg.fonttype": "none", "svg.hashsalt": "trialcapture", "path.simplify": False,
        "font.family": ["sans-serif"], "font.sans-serif": ["DejaVu Sans"], "font.size": font_size,
        "text.color": INK, "text.usetex": False, "text.parse_math": False,
        "axes.edgecolor": INK, "axes.linewidth": 0.8, "axes.spines.top": False, "axes.spines.right": False,
        "axes.titlelocation": "left", "axes.titley": 1.0, "axes.titlepad": 8, "axes.titlesize": font_size,
        "axes.labelsize": font_size, "axes.labelcolor": INK, "axes.titlecolor": INK, "axes.axisbelow": True,
        "axes.grid": True, "axes.grid.axis": "y", "grid.color": RULE, "grid.linewidth": 0.7,
        "xtick.labelsize": font_size - 1, "ytick.labelsize": font_size - 1, "xtick.color": INK, "ytick.color": INK,
        "xtick.major.size": 4, "ytick.major.size": 0, "lines.linewidth": 1.4,
        "legend.frameon": False, "legend.fontsize": font_size - 1.5, "legend.title_fontsize": font_size,
        "legend.borderaxespad": 0, "legend.borderpad": 0, "legend.handlelength": 2.4, "legend.handletextpad": 0.5,
        "legend.columnspacing": 0.9, "legend.labelspacing": 0.3,
    }  # fmt: skip


def draw(key: str, size: tuple[int, int], paint: Callable[[Figure], None], *, label: str, font_size: float = 11) -> str:
    """Paint a figure and return it as inline SVG.

    Args:
        key: Prefix of every id in the drawing.
        size: Width and height in CSS pixels at natural size.
        paint: Draws on the figure it is given, where a point is a pixel.
        label: The text alternative.
        font_size: In the same pixels.
    """
    # here and below: half a second that a second look, which draws nothing, does without
    import matplotlib as mpl  # noqa: PLC0415
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    with mpl.rc_context(), warnings.catch_warnings():
        # whatever a person's own settings are
        mpl.rcdefaults()
        mpl.rcParams.update(_settings(font_size))
        figure = Figure(figsize=(size[0] / 72, size[1] / 72), dpi=72, frameon=False)
        canvas: Any = FigureCanvasSVG(figure)
        paint(figure)
        out = io.StringIO()
        # letters that the measuring font lacks are drawn by the reader's own
        warnings.filterwarnings("ignore", "Glyph .* missing from font", UserWarning)
        canvas.print_svg(out, metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    # a figure and its parts refer to each other: without this a dozen of them would wait in memory
    del figure, canvas
    gc.collect(1)
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
    svg = clean_page(svg)
    for pattern, left in _LEFT_OUT:
        svg = pattern.sub(left, svg)
    svg = svg.replace(f'id="{HALO}"', f'stroke="{PAPER}" stroke-width="4.5" paint-order="stroke"')
    # a tenth of a pixel is finer than a twentieth of a millimetre in print; the rest is weight
    svg = _PLACES.sub(_coarser, svg)
    for name in (' id="', "url(#", ' xlink:href="#'):
        svg = svg.replace(name, f"{name}{key}-")
    for colour, name in _CSS_NAMES.items():
        svg = svg.replace(colour, f"var(--{name}, {colour})")
    # drawn with one font's measures everywhere, shown in the reader's own; some versions name it in shorthand
    svg = svg.replace("'DejaVu Sans'", "system-ui")
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="0 0 {size[0]} {size[1]}" role="img" aria-label="{escape(clean_page(label))}" '
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
    axes: Axes, t: Floats, values: Floats, bins: int, colour: str, dash: Any = "-", label: str | None = None
) -> None:
    """Draw a long series thinned to its envelope."""
    x, y = envelope(t, values, bins)
    axes.plot(x, y, color=colour, ls=dash, lw=1.1, label=label, zorder=2)
    # a line through one reading has no length
    known = np.pad(np.isfinite(y), 1)
    alone = known[1:-1] & ~known[:-2] & ~known[2:]
    if alone.any():
        axes.plot(x[alone], y[alone], ".", color=colour, ms=2.5, zorder=2)


def bottom_px(font_size: float) -> float:
    """Return the height of ticks, their names and the name of the axis, all below the axes [px]."""
    return 2.2 * font_size + 17


def _name_px(font_size: float) -> float:
    """Return how far below the axes the name of the axis begins: under ticks and their names [px]."""
    return font_size + 10.5


def new_axes(
    figure: Figure, heights: Sequence[float] = (1.0,), *, left: float = 42, right: float = 16, top: float = TOP_PX,
    gap: float = 30,
) -> list[Axes]:  # fmt: skip
    """Return axes above each other on one horizontal axis, with fixed margins.

    All figures have letters of one size, so their margins are known, and axes beside each other on the page line up.
    Matplotlib's constrained layout would measure every text twice more and take as long as the drawing itself. For the
    same reason the name of the horizontal axis has a fixed place, and upright axes are named by their title.

    Args:
        figure: Where.
        heights: Of the axes, relative to each other, from the top.
        left: Width of the names of the ticks [px].
        right: Margin on the right [px].
        top: Height of the title and what stands beside it [px].
        gap: Between axes, with the title of the lower [px].
    """
    from matplotlib import rcParams, transforms  # noqa: PLC0415

    width, height = figure.get_size_inches() * 72
    bottom = bottom_px(rcParams["font.size"])
    inner = height - top - bottom
    spacing = {
        "left": left / width, "right": 1 - right / width, "bottom": bottom / height, "top": 1 - top / height,
        "hspace": gap * len(heights) / (inner - gap * (len(heights) - 1)), "height_ratios": list(heights),
    }  # fmt: skip
    made = list(figure.subplots(len(heights), 1, sharex=True, squeeze=False, gridspec_kw=spacing)[:, 0])
    name_at = (bottom - _name_px(rcParams["font.size"])) / height
    for axes in made:
        across = transforms.blended_transform_factory(axes.transAxes, figure.transFigure)
        axes.xaxis.set_label_coords(0.5, name_at, transform=across)
        axes.yaxis.set_label_coords(0.0, 0.5)
    return made


def text_width(text: str, size: float) -> float:
    """Return the width a text may need [px], whatever font the reader has."""
    # a minus sign is a third wider than a digit
    return WIDEST_LETTER * size * (len(text) + 0.35 * text.count("−"))


def set_time_axis(axes: Axes, start_ns: int, stop_ns: int, most: int) -> None:
    """Give an axis in days since 1970 its limits, and ticks at round times of day, UTC.

    Args:
        axes: The lowest of those that share it.
        start_ns: UTC of its left end [ns].
        stop_ns: Of its right end.
        most: Ticks there is room for.
    """
    from matplotlib import dates  # noqa: PLC0415

    axes.set_xlim(start_ns / NS_PER_DAY, stop_ns / NS_PER_DAY)
    locator: Any = dates.AutoDateLocator
    formatter: Any = dates.DateFormatter
    axes.xaxis.set_major_locator(locator(tz=UTC, minticks=2, maxticks=most))
    seconds = stop_ns - start_ns < 4 * NS_PER_MIN
    axes.xaxis.set_major_formatter(formatter("%H:%M:%S" if seconds else "%H:%M", tz=UTC))
    axes.set_xlabel("Time of day, UTC")


def draw_boxes(
    axes: Axes, spans: Sequence[tuple[float, float]], low: float, high: float, fill: str, **look: Any
) -> None:
    """Fill boxes between pairs of x and two heights, as one path: an artist for each costs more than all the ink."""
    draw_shapes(axes, [((a, low), (a, high), (b, high), (b, low)) for a, b in spans], fill, **look)


def draw_shapes(axes: Axes, corners: Sequence[Any], fill: str, **look: Any) -> None:
    """Fill polygons of equally many corners, given as (x, y) in the data's units, as one path."""
    from matplotlib import patches, path  # noqa: PLC0415

    if not len(corners):
        return
    shape = path.Path.make_compound_path_from_polys(np.asarray(corners, dtype=np.float64))
    axes.add_artist(patches.PathPatch(shape, **({"fc": fill, "ec": "none", "lw": 0, "zorder": 0.5} | look)))
