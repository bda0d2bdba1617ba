# SPDX-License-Identifier: GPL-3.0-or-later
"""The drum alone, learned from strokes in bleed."""

import numpy as np
import pytest

from dsp.bleed.drum import lower_hull


def hull_twin(y):
    """Largest convex function under y: at each place the lowest of all chords, then no rising."""
    n = len(y)
    lowest = y.astype(float).copy()
    for k in range(n):
        for i in range(k + 1):
            for j in range(k, n):
                if i < j:
                    lowest[k] = min(lowest[k], y[i] + (y[j] - y[i]) * (k - i) / (j - i))
    return np.minimum.accumulate(lowest)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("slope", [-3.0, 0.0, 2.0])
def test_lower_hull_equals_its_twin(slope, seed):
    y = slope * np.arange(25) + np.random.default_rng(seed).normal(0, 8, 25)
    np.testing.assert_allclose(lower_hull(y), hull_twin(y), atol=1e-9)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_lower_hull_of_a_few_points(count):
    y = np.array([0.0, -1.0, -5.0])[:count]
    np.testing.assert_allclose(lower_hull(y), hull_twin(y), atol=1e-12)


def test_lower_hull_leaves_a_plain_decay_and_drops_what_bleed_adds():
    decay = -60.0 + 60.0 * np.exp(-np.arange(200) / 60.0)
    np.testing.assert_allclose(lower_hull(decay), decay, atol=1e-9)
    louder = decay.copy()
    louder[80:110] += 12.0
    hull = lower_hull(louder)
    assert (hull <= decay + 1.0).all()
    assert (np.diff(hull) <= 1e-12).all()
    assert (np.diff(hull, 2) >= -1e-9).all()
