# SPDX-License-Identifier: GPL-3.0-or-later
"""A page counted in pixels from its top left corner, drawn with matplotlib's Agg canvas.

Everything is placed straight on the figure: no axes, no layout engine, no global state of
matplotlib, so that drawing is quick, gives the same bytes each time and may run in any thread
that holds `DRAWING`. Things are painted in the order in which they are added.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from threading import RLock
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from dsp.lanes.fonts import DPI, Fonts

Values = NDArray[np.float64]

DRAWING = RLock()  # matplotlib's fonts and caches are shared between threads

PAPER = "#faf8f2"
LANE = "#fffefb"
INK = "#20272d"
SOFT = "#59636b"
HAIR = "#dcd7cb"
GUIDE = "#e9e5da"

Align = Literal["left", "center", "right"]


class Sheet:
    """One page of `width` × `height` pixels."""

    def __init__(self, width: int, height: int) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
        from matplotlib.transforms import IdentityTransform

        self.width, self.height = width, height
        self.figure = Figure(
            figsize=(width / DPI, height / DPI), dpi=DPI, facecolor=PAPER, edgecolor="none"
        )
        FigureCanvasAgg(self.figure)
        self._pixels = IdentityTransform()
        self._fonts = Fonts()
        self._order = 0

    def _add(self, artist: Any, gid: str) -> None:
        self._order += 1
        artist.set_zorder(self._order)
        if gid:
            artist.set_gid(gid)
        self.figure.add_artist(artist)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = 9,
        *,
        bold: bool = False,
        color: str = INK,
        align: Align = "left",
        middle: bool = False,
    ) -> None:
        """Write one line; `y` is its baseline, or its middle."""
        from matplotlib.text import Text

        artist = Text(
            round(x),
            round(self.height - y),
            self._fonts.known(words),
            color=color,
            fontproperties=self._fonts.properties(size, bold),
            horizontalalignment=align,
            verticalalignment="center_baseline" if middle else "baseline",
            parse_math=False,
            usetex=False,
            transform=self._pixels,
        )
        self._add(artist, "")

    def wrap(self, words: str, width: float, size: float, bold: bool, most: int) -> list[str]:
        """Break words into at most `most` lines no wider than `width`; `…` marks what is left."""
        return self._fonts.wrap(words, width, size, bold, most)

    def fit(self, words: str, width: float, size: float, bold: bool) -> str:
        """One line of words, shortened with `…` where it is wider than `width`."""
        return self._fonts.fit(self._fonts.known(words), width, size, bold)

    def lines(
        self,
        segments: Sequence[tuple[float, float, float, float]] | Values,
        color: str,
        width: float = 1,
        dashes: tuple[float, float] | None = None,
        gid: str = "",
    ) -> None:
        """Straight lines, each (x0, y0, x1, y1)."""
        from matplotlib.collections import LineCollection

        ends = np.asarray(segments, dtype=float).reshape(-1, 2, 2)
        if len(ends) == 0:
            return
        flipped = np.stack([ends[..., 0], self.height - ends[..., 1]], axis=-1)
        style: Any = "solid" if dashes is None else (0, dashes)
        artist = LineCollection(
            list(flipped),
            colors=color,
            linewidths=width * 72 / DPI,
            linestyles=[style],
            capstyle="butt",
            transform=self._pixels,
        )
        self._add(artist, gid)

    def path(self, x: Values, y: Values, color: str, width: float = 1, gid: str = "") -> None:
        """One line through all points."""
        from matplotlib.lines import Line2D

        artist = Line2D(
            x,
            self.height - y,
            color=color,
            linewidth=width * 72 / DPI,
            linestyle="-",
            marker="",
            solid_joinstyle="round",
            solid_capstyle="butt",
            transform=self._pixels,
        )
        self._add(artist, gid)

    def marks(
        self, x: Values, y: Values, shape: str, size: float, fill: str, edge: str, gid: str = ""
    ) -> None:
        """The same mark at every point; `size` in pixels."""
        from matplotlib.lines import Line2D

        artist = Line2D(
            x,
            self.height - np.asarray(y),
            linestyle="none",
            marker=shape,
            markersize=size * 72 / DPI,
            markerfacecolor=fill,
            markeredgecolor=edge,
            markeredgewidth=1.2 * 72 / DPI,
            transform=self._pixels,
        )
        self._add(artist, gid)

    def area(self, x: Values, top: Values, bottom: Values, color: str, gid: str = "") -> None:
        """What lies between two lines over the same x."""
        from matplotlib.patches import Polygon

        outline = np.concatenate(
            [np.column_stack([x, top]), np.column_stack([x[::-1], bottom[::-1]])]
        )
        outline[:, 1] = self.height - outline[:, 1]
        artist = Polygon(
            outline, closed=True, facecolor=color, edgecolor="none", transform=self._pixels
        )
        self._add(artist, gid)

    def box(self, x: float, y: float, width: float, height: float, color: str) -> None:
        """A filled rectangle; x and y are its top left corner."""
        ends = np.array([x, x + width], dtype=float)
        self.area(ends, np.full(2, float(y)), np.full(2, float(y + height)), color)

    def image(self, x: int, y: int, pixels: NDArray[np.uint8], gid: str = "") -> None:
        """An image of (rows, columns, 3), pixel for pixel; x and y are its top left corner."""
        self._order += 1
        artist = self.figure.figimage(
            pixels, x, self.height - y - len(pixels), origin="upper", zorder=self._order
        )
        artist.set_gid(gid)


def get_ready() -> None:
    """Load what pages are drawn with, so that the first one takes no longer than others."""
    from PIL import Image

    with DRAWING:
        sheet = Sheet(64, 64)
        for bold in (False, True):  # how a face fits to pixels is worked out at its first letter
            sheet.text(0, 32, "Aa", bold=bold)
        sheet.figure.canvas.draw()
    Image.preinit()


def save_png(figure: Any, path: Path) -> None:
    """Render and write: RGB, no dates, no names of software, so equal pictures are equal files."""
    from PIL import Image

    with DRAWING:
        figure.canvas.draw()
        pixels = np.ascontiguousarray(np.asarray(figure.canvas.buffer_rgba())[:, :, :3])
    with path.open("wb") as file:
        Image.fromarray(pixels).save(file, format="PNG", compress_level=4)
