# SPDX-License-Identifier: GPL-3.0-or-later
"""Rises of energy."""

import numpy as np

from dsp.hits.rises import mean_rise


def test_the_mean_rise_of_a_frame_counts_bands_that_fall_as_still():
    rises = np.random.default_rng(3).normal(0, 10, (400, 5))
    twin = [sum(max(band, 0.0) for band in frame) / 5 for frame in rises]
    np.testing.assert_allclose(mean_rise(rises), twin, rtol=1e-12)
    np.testing.assert_array_equal(mean_rise(np.full((3, 5), -2.0)), 0.0)
