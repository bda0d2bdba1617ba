# SPDX-License-Identifier: GPL-3.0-or-later
"""What steps listen to."""

from dataclasses import replace

import numpy as np
import pytest

from dsp.curves import BLOCK
from dsp.filters import band_pass, high_pass, low_pass
from dsp.steps.keys import (
    bleed_peaks_dbfs,
    filtered,
    peaks_dbfs,
    sound_of,
    spans_heard,
    strokes_of,
)
from tests.kernels.test_zero_phase import run
from tests.steps.scenes import RATE, scene_of, take_of

JUST = 1.0001 * 10 ** (-10 / 20)  # a sample later its envelope has fallen under −10 dBFS
SECTIONS = [high_pass(120, RATE), low_pass(3000, RATE)]


def noise(frames, channels=1):
    return np.random.default_rng(6).standard_normal((frames, channels)) * 0.1


def test_a_key_without_filter_is_the_sound_itself():
    x = noise(100)
    assert filtered(x, RATE, []) is x


def test_a_filtered_key_is_the_whole_take_filtered_both_ways():
    x = noise(2 * BLOCK + 100, channels=2)
    reach = sum(section.ring_out for section in SECTIONS)
    expected = np.zeros(len(x))
    for channel in range(2):
        y = np.pad(x[:, channel], reach)
        for section in SECTIONS:
            y = run(y, [section])[0]
        expected = np.maximum(expected, np.abs(y[reach:-reach]))
    np.testing.assert_allclose(filtered(x, RATE, SECTIONS)[:, 0], expected, atol=1e-7)


def test_a_filtered_key_stays_in_its_place():
    x = np.zeros((BLOCK + 5000, 1))
    x[BLOCK - 3] = 1.0
    level = filtered(x, RATE, [band_pass(540, RATE, 2.0)])[:, 0]
    assert np.argmax(level) == BLOCK - 3
    around = level[BLOCK - 3 - 900 : BLOCK - 3 + 901]
    np.testing.assert_allclose(around, around[::-1], atol=1e-9)


def test_keys_name_strokes_and_sounds():
    audio, hits = take_of([0.1], [-6], seconds=0.5)
    other = 0.5 * audio
    scene = scene_of(audio, hits, {"room": other})
    assert strokes_of(scene, "hits") is hits
    assert strokes_of(scene, "own") is hits
    assert strokes_of(scene, "room").onset[0] > hits.onset[0]
    keyed = replace(scene, hits=strokes_of(scene, "room"))
    assert strokes_of(keyed, "own") is hits
    assert sound_of(scene, "hits") is audio
    assert sound_of(scene, "own") is audio
    assert sound_of(scene, "room") is other


def test_peaks_are_sample_peaks_of_any_channel_within_the_take():
    x = np.zeros((1000, 2))
    x[500, 1] = -0.5
    x[600, 0] = 0.25
    found = peaks_dbfs(x, np.array([-50, 500, 501, 990]), np.array([501, 501, 700, 2000]))
    np.testing.assert_allclose(found[:3], [-6.0206, -6.0206, -12.0412], atol=1e-4)
    assert found[3] == -np.inf


def test_bleed_is_measured_between_strokes_only():
    audio, hits = take_of([0.3, 0.9], [-6, -6], seconds=1.5, bleed_dbfs=-40)
    hits = replace(hits, end=hits.onset + round(0.36 * RATE))
    found = bleed_peaks_dbfs(audio, hits)
    # 0 to 0.3, 0.66 to 0.9, 1.26 to 1.5: six, four and four pieces of 50 ms
    assert len(found) == 14
    np.testing.assert_allclose(found, -40, atol=0.1)


def test_more_spans_than_first_room_are_all_found():
    x = np.zeros((5000 * 300, 1))
    x[::300] = JUST
    starts, stops = spans_heard(x, RATE, -10, -10, hold_ms=1)
    assert starts.tolist() == list(range(0, len(x), 300))
    assert (stops - starts == 1 + 48).all()


@pytest.mark.parametrize("hold_ms", [0, 4, 20])
def test_holding_bridges_what_is_shorter(hold_ms):
    x = np.zeros((RATE, 1))
    x[[1000, 1000 + round(0.015 * RATE)]] = JUST
    starts, stops = spans_heard(x, RATE, -10, -10, hold_ms)
    assert len(starts) == (1 if hold_ms == 20 else 2)
    assert stops[-1] == 1000 + round(0.015 * RATE) + 1 + round(hold_ms * RATE / 1000)
