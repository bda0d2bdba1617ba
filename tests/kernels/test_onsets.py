# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of the stroke finder against slow twins."""

import numpy as np
import pytest

from dsp.kernels.onsets import band_energies, company, local_peaks, stroke_evidence
from tests.kernels.signals import BANDS, A, B, banded, noise

# band energies


@pytest.mark.parametrize(("skip", "hop", "frames"), [(0, 24, 30), (100, 24, 25), (7, 5, 3)])
def test_band_energies_equal_their_twin(skip, hop, frames):
    x = noise()
    out = np.full((frames, len(BANDS)), np.nan)
    band_energies(x, B, A, skip, hop, out)
    squares = banded(x, B, A)[skip : skip + frames * hop] ** 2
    twin = squares.reshape(frames, hop, len(BANDS)).mean(axis=1)
    np.testing.assert_allclose(out, twin, rtol=1e-9, atol=1e-15)


def test_band_energies_of_silence_are_zero():
    out = np.ones((5, len(BANDS)))
    band_energies(np.zeros(120), B, A, 0, 24, out)
    assert not out.any()


# peaks


@pytest.mark.parametrize("reach", [1, 3, 20])
@pytest.mark.parametrize("floor", [-9.0, 0.5, 99.0])
def test_local_peaks_equal_their_twin(floor, reach):
    level = np.round(noise(120), 1)  # rounded, so that there are equals
    out = np.ones(120, np.bool_)
    local_peaks(level, floor, reach, out)
    for i in range(120):
        first = max(0, i - reach)
        around = level[first : i + reach + 1]
        twin = level[i] >= floor and first + int(np.argmax(around)) == i
        assert out[i] == twin


# evidence for a stroke, and company


def evidence_twin(after, before, drum, tilt, tilts, levels, spread, cap, keep):
    """All levels and tilts at once; the first best one counts."""
    null = np.minimum((10 * np.log10(after / before)) ** 2 / (2 * spread**2), cap).sum()
    best = (-1e9, 0.0, 0.0, 0.0)
    for slope in tilts:
        for level in levels:
            stroke = drum * 10 ** ((level - slope * tilt) / 10)
            error = 10 * np.log10(after / (keep * before + stroke))
            gain = null - np.minimum(error**2 / (2 * spread**2), cap).sum()
            if gain > best[0] + 1e-9:
                best = (gain, slope, level, np.maximum(error, 0).sum())
    return best


def test_stroke_evidence_equals_its_twin_and_tells_level_and_tilt():
    rng = np.random.default_rng(3)
    drum, before = 10 ** rng.normal(0, 1, 9), 10 ** rng.normal(-3, 0.5, (12, 9))
    tilt, tilts = np.linspace(0, 4, 9), np.array([0.0, 1.0, 2.0])
    levels = np.arange(-24.0, 3.1, 3.0)
    level, slope = rng.choice(levels, 12), rng.choice(tilts, 12)
    after = before + drum * 10 ** ((level[:, None] - slope[:, None] * tilt) / 10)
    after *= 10 ** rng.normal(0, 0.02, after.shape)
    out = np.zeros((12, 4))
    strokes = drum * 10 ** ((levels[:, None] - tilts[:, None, None] * tilt) / 10)
    stroke_evidence(after, before, strokes, 4.0, 3.0, 0.9, 0.0, out)
    out[:, 1], out[:, 2] = tilts[out[:, 1].astype(int)], levels[out[:, 2].astype(int)]
    for row, a, b in zip(out, after, before, strict=True):
        twin = evidence_twin(a, b, drum, tilt, tilts, levels, 4.0, 3.0, 0.9)
        np.testing.assert_allclose(row, twin, rtol=1e-9)
    loud = level >= -6
    assert (out[loud, 1] == slope[loud]).all()
    assert (out[loud, 2] == level[loud]).all()


def company_twin(shape, position, score, asked, gap, cap, scale, alone):
    rows = []
    for i in asked:
        distance = np.minimum(np.abs(shape - shape[i]), cap).mean(axis=1)
        far = np.flatnonzero(np.abs(position - position[i]) > gap)
        nearest = far[np.argsort(distance[far], kind="stable")][:3]
        d = np.append(distance[nearest], [cap] * (3 - len(nearest)))
        s = np.append(score[nearest], [score[i]] * (3 - len(nearest)))
        w = np.exp(-d / scale)
        w, s = np.append(w, np.exp(-alone / scale)), np.append(s, score[i])
        rows.append(((w * s).sum() / w.sum(), d.mean()))
    return np.array(rows)


@pytest.mark.parametrize("count", [1, 3, 40])
def test_company_equals_its_twin(count):
    rng = np.random.default_rng(4)
    shape = rng.normal(0, 5, (count, 6))
    position = np.sort(rng.integers(0, 5000, count))
    score = rng.normal(0, 4, count)
    asked = np.arange(0, count, 2)
    out = np.empty((len(asked), 2))
    shapes, scratch = np.ascontiguousarray(shape.T), np.empty(count)
    company(shapes, position, score, asked, 60, 12.0, 1.0, 3.0, scratch, out)
    want = company_twin(shape, position, score, asked, 60, 12.0, 1.0, 3.0)
    np.testing.assert_allclose(out, want, rtol=1e-9)
