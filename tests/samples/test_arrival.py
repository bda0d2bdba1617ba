# SPDX-License-Identifier: GPL-3.0-or-later
"""Arrivals of single strokes, to the sample."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.samples.arrival import place_arrivals
from tests.open_takes import needed
from tests.samples import recordings

RATE = recordings.RATE


@pytest.mark.parametrize("snare", ["snare soft", "snare generic"])
def test_every_clean_stroke_of_a_recording_is_placed_within_one_sample(snare):
    needed.recordings()
    made, found = recordings.recording(snare), recordings.survey(snare)
    clean = found.onset[found.stage > 0]
    true = np.array([recordings.nearest(made, at).arrival["close"] for at in clean])
    assert len(clean) >= 35
    assert np.abs(clean - true).max() <= 1
    assert np.mean(clean == true) >= 0.9


def placed(sound, near, levels):
    return place_arrivals(sound, np.array(near), np.array(levels, dtype=float), RATE)


def test_a_stroke_out_of_digital_silence_starts_where_silence_ends():
    sound = np.zeros(RATE)
    sound[20_000:34_400] = recordings.stroke(np.random.default_rng(0))
    assert placed(sound, [20_030], [-20.0]).tolist() == [20_000]


@pytest.mark.parametrize("off", [-60, 0, 60])
def test_hum_and_noise_before_a_stroke_do_not_matter(off):
    rng = np.random.default_rng(3)
    time = np.arange(RATE) / RATE
    sound = 0.01 * np.sin(2 * np.pi * 50 * time) + 1e-4 * rng.standard_normal(RATE)
    sound[20_000:34_400] += recordings.stroke(rng)
    assert abs(placed(sound, [20_000 + off], [-20.0])[0] - 20_000) <= 1


def test_a_soft_start_under_the_noise_is_read_off_louder_strokes():
    rng = np.random.default_rng(5)
    slow = np.minimum(np.arange(14_400) / 40, 1.0) ** 2 * recordings.stroke(rng)
    levels = np.array([0.0, -4.0, -8.0, -12.0, -16.0, -20.0, -24.0, -28.0])
    sound = 1e-4 * rng.standard_normal(RATE * 8)
    true = 10_000 + 40_000 * np.arange(8)
    for at, level in zip(true, levels, strict=True):
        sound[at : at + 14_400] += 10 ** (level / 20) * slow
    alone = np.array([placed(sound, [at], [-20.0])[0] for at in true])
    together = placed(sound, true, levels)
    assert (alone - true)[-1] >= 4  # what noise hides
    assert np.abs(together - together[0] - (true - true[0])).max() <= 1


def test_where_nothing_starts_the_given_place_stays():
    noise = 1e-3 * np.random.default_rng(1).standard_normal(RATE)
    assert placed(noise, [20_000], [-60.0]).tolist() == [20_000]
    assert placed(np.zeros(RATE), [5], [-300.0]).tolist() == [5]
