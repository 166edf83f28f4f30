"""The artist that writes many names of one look into a drawing. Imports matplotlib, so only drawing imports this."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.artist import Artist
from matplotlib.backend_bases import RendererBase
from matplotlib.text import Text

Name = tuple[float, float, str]
"""Place across, place upwards and the name that stands there."""


class Names(Artist):
    """Names of one look.

    A `Text` for each takes ten times as long, nearly all of it to measure the name. How wide a name is only the
    reader's browser knows, and all stand as high above or below their places as usual letters do.

    Args:
        names: In the units of the pen's transform.
        pen: A text of this look in the figure, moved from place to place.
    """

    def __init__(self, names: Sequence[Name], pen: Text) -> None:
        super().__init__()
        self._names, self._pen = names, pen
        self.set_zorder(pen.get_zorder())

    def draw(self, renderer: RendererBase) -> None:
        """Write all names."""
        pen, look = self._pen, renderer.new_gc()
        height, up = renderer.get_canvas_width_height()[1], self._above_place(renderer)
        look.set_foreground(pen.get_color())
        renderer.open_group("names", pen.get_gid())
        for x, y, name in self._names:
            pen.set_position((x, y))
            across, upwards = pen.get_transform().transform((x, y))
            # an SVG is measured downwards
            renderer.draw_text(
                look, across, height - upwards - up, name, pen.get_fontproperties(), 0.0, ismath=False, mtext=pen
            )
        renderer.close_group("names")
        look.restore()

    def _above_place(self, renderer: RendererBase) -> float:
        """Return how far the line of writing lies above a name's place [px]."""
        pen, found = self._pen, []
        aligned = pen.get_verticalalignment()
        pen.set_text("lp")  # as high and as deep as usual letters are
        for alignment in (aligned, "baseline"):
            pen.set_verticalalignment(alignment)
            found.append(pen.get_window_extent(renderer).y0)
        pen.set_verticalalignment(aligned)
        return float(found[0] - found[1])
