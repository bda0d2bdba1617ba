# SPDX-License-Identifier: GPL-3.0-or-later
"""The drum alone, learned from strokes in bleed."""

import numpy as np

from dsp.bleed.drum import DULLEST, Strokes, measure_attacks
from dsp.bleed.powers import CENTRES_HZ


def attacks(hat_db, count=24):
    """Levels of strokes in every band, each frame for itself, with a hat of that level above."""
    rng = np.random.default_rng(3)
    strength = np.concatenate([rng.uniform(-4, 0, 12), rng.uniform(-28, -14, count)])
    first = 40 * np.arange(1, len(strength) + 1)
    strokes = Strokes(first, np.append(first[1:], first[-1] + 40), strength)
    duller = 1.3 * np.minimum(strength[:, None], 0) * np.ones(len(CENTRES_HZ))
    own = np.where(CENTRES_HZ > 2500, duller, strength[:, None])
    hat = np.where(CENTRES_HZ > 2500, hat_db + rng.uniform(-1, 1, (len(strength), 1)), -200)
    levels = np.full((first[-1] + 40, len(CENTRES_HZ)), -100.0, np.float32)
    for at, level in zip(first, 10 * np.log10(10 ** (own / 10) + 10 ** (hat / 10)), strict=True):
        levels[at : at + 20] = level
    bleed = np.full_like(levels, -100.0)
    return measure_attacks(levels, bleed, strokes, 200.0).level, own, strength


def test_soft_strokes_are_as_dull_as_they_are():
    level, own, strength = attacks(-200)
    soft = strength < -14
    assert np.abs(level - own)[soft].max() < 1.5


def test_a_hat_on_every_soft_stroke_does_not_pass_for_the_drum():
    """The hat's level says nothing of the drum's; its strokes are taken to be dull."""
    level, own, strength = attacks(-20)
    soft, high = strength < -14, CENTRES_HZ > 2500
    expected = DULLEST * strength[soft][:, None]
    assert np.median(level[soft][:, high] - own[soft][:, high]) < 1
    assert np.median(level[soft][:, high] - expected) < 6
    assert np.abs(level - own)[soft][:, ~high].max() < 1.5
