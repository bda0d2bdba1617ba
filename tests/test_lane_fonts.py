# SPDX-License-Identifier: GPL-3.0-or-later
"""How wide words are in the picture's faces."""

import numpy as np
import pytest

from dsp.lanes.fonts import Fonts

WORDS = (
    "To", "fjord", "AVAToTe WAWAY", "…", ".", "", "fundamental 206.1 Hz, threshold −40 dBFS",
    "ğü žluťoučký 日 \N{DRUM WITH DRUMSTICKS}", "jjjjjjjjjjjjjjjjjj", "f",
    "\N{COMBINING ACUTE ACCENT}",
)  # fmt: skip


@pytest.mark.parametrize("size", [8.5, 10, 17])
@pytest.mark.parametrize("bold", [False, True])
def test_words_fit_where_their_width_says_so(size, bold):
    fonts = Fonts()
    for words in WORDS:
        taken = fonts.width(words, size, bold)
        for width in (taken - 1 / 64, *(taken + np.array([0, 0.5, 3, size, 2 * size, 300]))):
            assert fonts.fits(words, width, size, bold) == (taken <= width), (words, width)
        assert not fonts.fits(words, taken / 2 - 1, size, bold)
