# SPDX-License-Identifier: GPL-3.0-or-later
"""What a take accepts."""

import numpy as np
import pytest

from dsp.errors import AudioError, UsageError
from dsp.take import Take


@pytest.mark.parametrize("values", [[np.nan], [np.inf], [-np.inf], [np.inf, -np.inf]])
def test_the_first_value_that_is_not_finite_is_named(values):
    samples = np.zeros((100, 2))
    samples[40 : 40 + len(values), 1] = values
    with pytest.raises(AudioError, match=rf"top: {values[0]} at sample 40 of channel 2"):
        Take(48_000, {"top": samples})


def test_huge_finite_samples_are_taken():
    assert Take(48_000, {"top": np.full((10, 1), 1e308)}).frames == 10


def test_rates_shapes_and_lengths_are_checked():
    good = np.zeros((10, 1))
    for rate in (44_099, 192_001):
        with pytest.raises(UsageError, match="accepted: 44100 to 192000 Hz"):
            Take(rate, {"top": good})
    for bad in (np.zeros(10), good.astype(np.float32)):
        with pytest.raises(UsageError, match="accepted: float64 of shape"):
            Take(48_000, {"top": bad})
    with pytest.raises(AudioError, match="top 10, bottom 9"):
        Take(48_000, {"top": good, "bottom": good[:9]})
    with pytest.raises(AudioError, match="at least one frame"):
        Take(48_000, {"top": good[:0]})
    with pytest.raises(UsageError, match="at least one track"):
        Take(48_000, {})
