# SPDX-License-Identifier: GPL-3.0-or-later
"""Flat tops, against a slow and obvious count."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.audio import SampleFormat, clipping, read_track, write_track


def naive(samples, full_scale):
    count = 0
    for channel in samples.T:
        start = 0
        while start < len(channel):
            end = start
            while end < len(channel) and channel[end] == channel[start]:
                end += 1
            if end - start >= 3 and abs(channel[start]) >= full_scale:
                count += end - start
            start = end
    return count


@pytest.mark.parametrize("block", [1, 2, 3, 7, 100, 65536])
@pytest.mark.parametrize("seed", range(4))
def test_count_equals_the_obvious_one(monkeypatch, block, seed):
    monkeypatch.setattr(clipping, "_BLOCK", block)
    samples = np.random.default_rng(seed).choice([-1.0, 0.5, 1.0, 1.5], (200, 2))
    assert clipping.count_clipped(samples, 1.0) == naive(samples, 1.0) > 0


@pytest.mark.parametrize("length", [1, 2, 3])
def test_short_takes(length):
    assert clipping.count_clipped(np.ones((length, 1)), 1.0) == (3 if length == 3 else 0)


@pytest.mark.parametrize(
    ("subtype", "top"), [("pcm16", 1 - 2**-15), ("pcm24", 1 - 2**-23), ("float32", 1.0)]
)
def test_clipped_input_is_reported(tmp_path, subtype, top):
    samples = np.zeros((100, 1))
    samples[10:12] = top  # two are none
    samples[20:25], samples[40:43] = top, -1.0
    samples[60:70] = top * 0.99
    path = tmp_path / "a.wav"
    report = write_track(path, samples, 48000, SampleFormat("wav", subtype))
    assert report.clipped == 0
    assert read_track(path).clipped == 8


def test_a_float_file_above_full_scale_is_not_clipped(tmp_path):
    samples = 2.0 * np.sin(np.arange(500.0))[:, None]
    write_track(tmp_path / "a.wav", samples, 48000, SampleFormat("wav", "float64"))
    assert read_track(tmp_path / "a.wav").clipped == 0
