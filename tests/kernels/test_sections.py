# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections in series against the difference equation."""

import numpy as np

from dsp.filters import bell, high_shelf, stack
from dsp.kernels.sections import run_cascade

SECTIONS = [bell(200, 48_000, 4, 0.9), bell(700, 48_000, -5, 2.0), high_shelf(8000, 48_000, 3)]


def cascade_twin(x, sections):
    """Each section over the whole channel, term by term."""
    for section in sections:
        y = np.zeros_like(x)
        for i in range(len(x)):
            y[i] = sum(c * x[i - k] for k, c in enumerate(section.b) if i >= k)
            y[i] -= sum(c * y[i - k] for k, c in enumerate(section.a, 1) if i >= k)
        x = y
    return x


def run(x, state=None):
    b, a, _ = stack(SECTIONS)
    state = np.zeros((2, 3, x.shape[1])) if state is None else state
    run_cascade(x, b, a, state)
    return state


def test_cascade_equals_its_twin():
    x = np.random.default_rng(3).standard_normal((500, 2))
    twin = cascade_twin(x, SECTIONS)
    run(x)
    np.testing.assert_allclose(x, twin, atol=1e-10)


def test_a_split_run_equals_the_whole():
    whole = np.random.default_rng(3).standard_normal((4000, 2))
    parts = whole.copy()
    run(whole)
    state = run(parts[:1234])
    run(parts[1234:], state)
    np.testing.assert_allclose(parts, whole, atol=1e-13)


def test_it_comes_to_rest_in_silence():
    x = np.zeros((60_000, 1))
    x[0] = 1.0
    state = run(x)
    assert not state.any()
    assert not x[-1000:].any()
    assert np.abs(x[x != 0]).min() > 1e-300  # no denormal numbers on the way
