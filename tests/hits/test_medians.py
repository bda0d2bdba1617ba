# SPDX-License-Identifier: GPL-3.0-or-later
"""Medians in which some values count for more than others."""

import numpy as np
import pytest

from dsp.hits.medians import weighted_median


@pytest.mark.parametrize("rows", [1, 2, 3, 8, 15])
@pytest.mark.parametrize("each", [True, False])
def test_a_whole_weight_counts_a_value_so_many_times(rows, each):
    rng = np.random.default_rng(rows)
    values = rng.standard_normal((rows, 40))
    weight = rng.integers(1, 6, (rows, 40 if each else 1))
    found = weighted_median(values, weight.astype(np.float64))
    times = np.broadcast_to(weight, values.shape)
    for column in range(40):
        twin = np.median(np.repeat(values[:, column], times[:, column]))
        assert found[column] == pytest.approx(twin, abs=1e-12)


def test_the_other_polarity_has_the_other_sign_and_the_scale_of_weights_is_free():
    rng = np.random.default_rng(2)
    values, weight = rng.standard_normal((6, 9)), rng.uniform(0.1, 2.0, (6, 1))
    found = weighted_median(values, weight)
    np.testing.assert_allclose(weighted_median(-values, weight), -found, atol=1e-12)
    np.testing.assert_allclose(weighted_median(values, 1e-9 * weight), found, atol=1e-12)
