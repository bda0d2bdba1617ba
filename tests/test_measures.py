# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures against tracks whose bleed, levels and rings are constructed."""

import json
import math
from dataclasses import asdict

import numpy as np
import pytest

from dsp.hits.hitmap import HitMap, Ring
from dsp.measures import compare, decibels, gaps, measure
from dsp.ringing import fit_decay

RATE = 48_000


def hit_map(onset, end, ghost, frames, *, rate=RATE, rings=()):
    count = len(onset)
    return HitMap(
        rate=rate,
        frames=frames,
        onset=np.array(onset, dtype=np.int64),
        end=np.array(end, dtype=np.int64),
        peak_dbfs=np.zeros(count),
        strength_db=np.zeros(count),
        velocity=np.full(count, 127),
        ghost=np.array(ghost, dtype=bool),
        fundamental_hz=math.nan,
        bleed_dbfs=-math.inf,
        rings=rings,
    )


def pulses(levels_db, ghosts, spacing_s=0.5, rate=RATE):
    """One-sample strokes at known levels, silence between."""
    spacing = round(spacing_s * rate)
    samples = np.zeros((spacing * (len(levels_db) + 1), 1))
    onset = spacing * (1 + np.arange(len(levels_db))) - spacing // 2
    samples[onset, 0] = 10 ** (np.array(levels_db) / 20)
    return samples, hit_map(onset, onset + 4800, ghosts, len(samples), rate=rate)


def ringing(t60_s, level_db, *, hz=540.0, noise_db=-100.0, rate=RATE, strokes=12, channels=1):
    """Strokes of 20 ms of noise and a ring of known decay, over steady noise (RMS dBFS)."""
    rng = np.random.default_rng(3)
    spacing = round(0.8 * rate)
    frames = spacing * strokes + spacing // 2
    samples = rng.normal(0, 10 ** (noise_db / 20), frames)
    t = np.arange(round(2.0 * rate)) / rate
    ring = 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * t) * 10 ** (-3 * t / t60_s)
    onset = spacing // 4 + spacing * np.arange(strokes)
    for at in onset:
        stop = min(at + len(t), frames)
        samples[at:stop] += ring[: stop - at]
        samples[at : at + rate // 50] += rng.normal(0, 0.2, rate // 50)
    hits = hit_map(
        onset,
        np.append(onset[1:], frames),
        np.zeros(strokes),
        frames,
        rate=rate,
        rings=(Ring(hz, 1.0),),
    )
    return np.repeat(samples[:, None], channels, axis=1), hits


def test_bleed_is_the_rms_of_the_gaps():
    rng = np.random.default_rng(1)
    samples, hits = pulses([-6.0] * 6, [False] * 6)
    samples += rng.normal(0, 10 ** (-40 / 20), samples.shape)
    found = measure(samples, hits)
    assert found.bleed_rms_dbfs == pytest.approx(-40, abs=0.05)
    # Median of the largest of 960 |normal| values: erf(m/√2)^960 = 1/2, m = 3.38, 10.6 dB.
    assert found.bleed_peak_dbfs == pytest.approx(-40 + 10.6, abs=0.3)


def test_bleed_down_by_is_what_was_taken_from_the_gaps():
    rng = np.random.default_rng(1)
    samples, hits = pulses([-6.0] * 6, [False] * 6)
    samples += rng.normal(0, 0.01, samples.shape)
    after = samples.copy()
    for start, stop in zip(*gaps(hits), strict=True):
        after[start:stop] *= 10 ** (-18 / 20)
    change = compare(measure(samples, hits), measure(after, hits))
    assert change.bleed_down_db == pytest.approx(18, abs=1e-9)
    assert change.bleed_peak_down_db == pytest.approx(18, abs=1e-9)
    assert change.typical_up_db == 0


def test_gaps_leave_out_strokes_and_the_moment_before_them():
    hits = hit_map([1000, 20_000], [9000, 30_000], [False, False], 48_000)
    starts, stops = gaps(hits)
    assert starts.tolist() == [9000, 30_000]  # 1000 − 240 samples at the start are under 20 ms
    assert stops.tolist() == [20_000 - 240, 48_000]


def test_level_spread_and_ghost_distance():
    levels = [-3.0, -5.0, -9.0, -7.0, -30.0, -26.0, -28.0]
    samples, hits = pulses(levels, [False] * 4 + [True] * 3)
    found = measure(samples, hits)
    full = np.array(levels[:4])
    assert found.hits == 7
    assert found.ghosts == 3
    assert found.spread_db == pytest.approx(full.std())
    assert found.spread_90_db == pytest.approx(np.subtract(*np.percentile(full, [95, 5])))
    assert found.typical_dbfs == pytest.approx(-6)
    assert found.ghost_distance_db == pytest.approx(22)
    assert found.peak_dbfs == pytest.approx(-3)


def test_strokes_in_every_channel_count():
    samples, hits = pulses([-3.0, -5.0], [False, False])
    both = np.concatenate([samples * 0.01, -samples], axis=1)
    assert measure(both, hits).typical_dbfs == pytest.approx(-4)


def test_clipped_counts_full_scale_of_either_sign():
    samples, hits = pulses([0.0, -1.0], [False, False])
    samples[100:103] = [[1.2], [-1.0], [-0.99]]
    assert measure(samples, hits).clipped == 3


@pytest.mark.parametrize("t60_s", [0.25, 0.5, 0.9, 1.4])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_ring_decay_within_five_percent(t60_s, rate):
    samples, hits = ringing(t60_s, -18, noise_db=-60, rate=rate)
    found = measure(samples, hits).rings[0]
    assert found.t60_s == pytest.approx(t60_s, rel=0.05)
    # Mean square of a decaying sine over 60 to 200 ms after the onset.
    t = np.linspace(0.06, 0.2, 10_001)
    expected = -18 + 10 * math.log10(0.5 * np.mean(10 ** (-6 * t / t60_s)))
    assert found.level_dbfs == pytest.approx(expected, abs=0.3)


def test_bleed_does_not_lengthen_the_ring():
    samples, hits = ringing(0.35, -18, noise_db=-45)
    assert measure(samples, hits).rings[0].t60_s == pytest.approx(0.35, rel=0.05)


def test_ring_at_192_khz_in_two_channels():
    samples, hits = ringing(0.5, -18, rate=192_000, strokes=4, channels=2)
    assert measure(samples, hits).rings[0].t60_s == pytest.approx(0.5, rel=0.05)


def test_ring_before_and_after():
    samples, hits = ringing(0.8, -18)
    shorter, _ = ringing(0.4, -24)
    change = compare(measure(samples, hits), measure(shorter, hits)).rings[0]
    assert change.shorter_s == pytest.approx(0.4, abs=0.04)
    assert change.down_db == pytest.approx(change.level_before_dbfs - change.level_after_dbfs)
    assert change.down_db > 6


def test_fit_decay_is_exact_for_the_model():
    t = np.arange(130) * 0.004
    curve = 2.0 * 10 ** (-6 * t / 0.3) + 0.003
    t60, start, floor = fit_decay(curve, 0.004)
    assert t60 == pytest.approx(0.3, rel=0.01)
    assert start == pytest.approx(2.0, rel=0.02)
    assert floor == pytest.approx(0.003, rel=0.05)


def test_strokes_too_close_leave_the_ring_unmeasured():
    onset = 4800 * np.arange(1, 9)
    hits = hit_map(onset, np.append(onset[1:], 48_000), np.zeros(8), 48_000, rings=(Ring(540, 1),))
    found = measure(np.random.default_rng(0).normal(0, 0.1, (48_000, 1)), hits)
    assert found.rings[0].t60_s is None
    assert any("200 ms" in note for note in found.notes)
    assert any("no gap" in note for note in found.notes) == (len(gaps(hits)[0]) == 0)


def test_noise_alone_has_no_decay_time():
    samples, hits = ringing(0.5, -200, noise_db=-40)
    found = measure(samples, hits)
    assert found.rings[0].t60_s is None
    assert "decay time not measured" in found.rings[0].note


def test_a_decay_that_a_gain_bends_has_no_decay_time():
    samples, hits = ringing(0.8, -18)
    for onset in hits.onset:
        samples[onset + 9600 : onset + 28_800] *= 0.01
    found = measure(samples, hits).rings[0]
    assert found.t60_s is None
    assert "exponential" in found.note
    assert found.level_dbfs is not None


@pytest.mark.parametrize("frames", [1, 2, 500, 48_000])
def test_silence_without_strokes_has_no_levels(frames):
    empty = hit_map([], [], [], frames, rings=(Ring(540, 1),))
    found = measure(np.zeros((frames, 2)), empty)
    assert found.peak_dbfs is None
    assert found.bleed_rms_dbfs is None
    assert found.spread_db is None
    assert found.notes
    json.dumps(asdict(found), allow_nan=False)


def test_a_stroke_cut_by_the_end_and_one_at_the_start_count():
    samples = np.zeros((9600, 1))
    samples[0], samples[-1] = 0.5, 0.25
    found = measure(samples, hit_map([0, 9599], [4000, 9600], [False, False], 9600))
    assert found.spread_db == pytest.approx(20 * math.log10(2) / 2)


def test_muted_strokes_are_left_out_and_said():
    samples, hits = pulses([-3.0, -5.0, -400.0], [False] * 3)
    samples[hits.onset[2]] = 0
    found = measure(samples, hits)
    assert found.spread_db == pytest.approx(1.0)
    assert "strokes that are digital silence: 1" in found.notes


def test_scaling_moves_levels_only():
    samples, hits = ringing(0.5, -18, noise_db=-60, strokes=4)
    one, other = measure(samples, hits), measure(samples * 0.25, hits)
    drop = decibels(0.25)
    assert other.bleed_rms_dbfs - one.bleed_rms_dbfs == pytest.approx(drop)
    assert other.peak_dbfs - one.peak_dbfs == pytest.approx(drop)
    assert other.rings[0].level_dbfs - one.rings[0].level_dbfs == pytest.approx(drop)
    assert other.rings[0].t60_s == one.rings[0].t60_s
    assert other.spread_db == pytest.approx(one.spread_db)
