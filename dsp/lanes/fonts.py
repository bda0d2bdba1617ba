# SPDX-License-Identifier: GPL-3.0-or-later
"""The two faces of the picture, and how wide words are in them."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

DPI = 100


@lru_cache(maxsize=1024)
def _advance(file: str, character: str) -> float:
    """How far a character moves what follows it, in sizes of the face."""
    from matplotlib.font_manager import get_font
    from matplotlib.ft2font import LoadFlags

    face = get_font(file)
    return float(face.load_char(ord(character), LoadFlags.NO_SCALE).horiAdvance / face.units_per_EM)


class Fonts:
    """The two faces of the picture, from matplotlib's own files: the same on every machine."""

    def __init__(self) -> None:
        from matplotlib import get_data_path

        folder = Path(get_data_path()) / "fonts" / "ttf"
        self._files = (folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf")

    def properties(self, size: float, bold: bool) -> Any:
        """The face at a size in points."""
        from matplotlib.font_manager import FontProperties

        return FontProperties(fname=str(self._files[bold]), size=size)

    def _face(self, bold: bool) -> Any:
        from matplotlib.font_manager import get_font

        return get_font(str(self._files[bold]))

    def known(self, words: str) -> str:
        """The words on one line, each character that the face lacks as a box."""
        face = self._face(False)
        flat = " ".join(words.split())
        return "".join(c if face.get_char_index(ord(c)) else "\N{WHITE SQUARE}" for c in flat)

    def width(self, words: str, size: float, bold: bool) -> float:
        """Pixels the words take."""
        from matplotlib.ft2font import LoadFlags

        face = self._face(bold)
        face.set_size(size, DPI)
        face.set_text(
            self.known(words), 0.0, LoadFlags.NO_HINTING
        )  # quicker; the width is the same
        return float(face.get_width_height()[0]) / 64

    def fits(self, words: str, width: float, size: float, bold: bool) -> bool:
        """Whether the words take at most `width` pixels."""
        file = str(self._files[bold])
        about = sum(_advance(file, character) for character in self.known(words)) * size * DPI / 72
        # Laying words out takes long. Ink reaches less than two sizes beyond the advances.
        return about < width - 2 * size or self.width(words, size, bold) <= width

    def wrap(self, words: str, width: float, size: float, bold: bool, most: int) -> list[str]:
        """Break words into at most `most` lines no wider than `width`; `…` marks what is left."""
        lines: list[str] = []
        for word in self.known(words).split():
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and self.fits(longer, width, size, bold):
                lines[-1] = longer
            else:
                lines.append(word)
        cut = len(lines) > most
        lines = [self.fit(line, width, size, bold) for line in lines[:most]]
        if cut and lines and not lines[-1].endswith("…"):
            lines[-1] = self.fit(f"{lines[-1]} …", width, size, bold)
        return lines

    def fit(self, line: str, width: float, size: float, bold: bool) -> str:
        """The line, shortened with `…` where it is wider than `width`."""
        if self.fits(line, width, size, bold):
            return line
        while line and not self.fits(f"{line}…", width, size, bold):
            line = line[:-1]
        return f"{line.rstrip(' …')}…"
