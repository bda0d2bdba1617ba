# SPDX-License-Identifier: GPL-3.0-or-later
"""compress: the published curve and times through the whole step, key, link and make-up."""

import math

import numpy as np
import pytest
from pydantic import ValidationError

from dsp.hits.hitmap import HitMap
from dsp.kernels.compress import reduction
from dsp.steps.compress import Compress
from tests.steps.scenes import RATE, gain_db, scene_of, take_of, treated

NONE = np.zeros(0, np.int64)


def ms(value):
    return round(value * RATE / 1000)


def no_hits(frames, rate=RATE):
    empty = np.zeros(0)
    none = NONE, NONE, empty, empty, NONE, empty.astype(bool)
    return HitMap(rate, frames, *none, float("nan"), -90.0)


def tone(levels_dbfs, ms_each, hz=1000.0, rate=RATE):
    """Sine whose peak level steps through `levels_dbfs`; a scene without strokes."""
    each = round(ms_each * rate / 1000)
    amplitude = np.repeat(10 ** (np.array(levels_dbfs, float) / 20), each)
    audio = amplitude * np.sin(2 * np.pi * hz * np.arange(len(amplitude)) / rate)
    return scene_of(audio[:, None], no_hits(len(audio), rate))


def steady(level, ms_long, channels=1):
    audio = np.full((ms(ms_long), channels), 10 ** (level / 20))
    return scene_of(audio, no_hits(len(audio)))


@pytest.fixture
def strokes():
    return scene_of(
        *take_of([0.0, 0.45, 0.9, 1.3], [-6, -14, -8, -10], seconds=2.0, bleed_dbfs=-60.0)
    )


# Giannoulis, Massberg, Reiss, JAES 60(6), 2012: T −20 dB, R 4, W 10 dB (computed from the equation)
STATIC = {-30: -30, -25: -25, -22: -22.3375, -20: -20.9375, -18: -19.8375, -15: -18.75,
          -10: -17.5, 0: -15}  # fmt: skip


@pytest.mark.parametrize("detector", ["peak", "rms"])
@pytest.mark.parametrize(("level", "expected"), STATIC.items())
def test_static_curve(level, expected, detector):
    step = Compress(threshold=-20, ratio=4, knee=10, attack=1, release=20, detector=detector)
    decision = step.decide(steady(level, 200))
    assert level + gain_db(decision, ms(199))[0] == pytest.approx(expected, abs=0.01)


def test_static_curve_of_a_sine():
    # the peak detector lets go a little between the peaks of a wave (0.015 dB here with a release
    # of 1 s, 0.003 dB with 5 s); the mean square of a sine is 3.01 dB under its peak
    scene = tone([-10], 4000)
    step = Compress(threshold=-20, ratio=4, knee=0, attack=5, release=5000)
    assert gain_db(step.decide(scene), ms(3990))[0] == pytest.approx(-7.5, abs=0.01)
    step = step.updated(detector="rms", window=200)
    assert gain_db(step.decide(scene), ms(3990))[0] == pytest.approx(-0.75 * (10 - 3.01), abs=0.01)


@pytest.mark.parametrize(("attack", "release"), [(0.3, 40), (10, 100), (50, 500)])
def test_time_constants(attack, release):
    audio = np.full((ms(12 * attack + 5 * release), 1), 0.01)
    loud = ms(12 * attack)
    audio[:loud] = 1.0
    step = Compress(threshold=-20, ratio=4, knee=0, attack=attack, release=release)
    curve = step.decide(scene_of(audio, no_hits(len(audio)))).curve
    db = -curve.db_at(np.arange(len(audio)))[:, 0] / 15
    rise = np.interp(1 - math.exp(-1), db[:loud], np.arange(1, loud + 1))
    assert rise == pytest.approx(attack * RATE / 1000, rel=0.01)
    t = np.arange(1, len(audio) - loud + 1) * 1000 / RATE
    both = (release * np.exp(-t / release) - attack * np.exp(-t / attack)) / (release - attack)
    expected = np.interp(-math.exp(-1), -both, t)
    assert np.interp(-math.exp(-1), -db[loud:], t) == pytest.approx(expected, rel=0.01)


def test_the_curve_is_the_gain_of_every_sample_within_a_hundredth_of_a_decibel(strokes):
    step = Compress(threshold=-30, ratio=8, attack=0.5, release=30)
    curve = step.decide(strokes).curve
    every = np.empty(len(strokes.audio))
    keep = [math.exp(-1000 / (t * RATE)) for t in (0.5, 30)]
    reduction(strokes.audio[:, 0] ** 2, -30.0, 1 - 1 / 8, 6.0, *keep, np.zeros(2), every)
    assert np.abs(curve.db_at(np.arange(len(every)))[:, 0] + every).max() < 0.01
    assert len(curve.at) < len(every) / 10


# IEC 61672-1:2013, table 4, time weighting F: 10 lg(1 − exp(−Tb / 125 ms)) for 4 kHz bursts
@pytest.mark.parametrize("burst_ms", [500, 200, 100, 50, 20, 10, 5, 2, 1, 0.5, 0.25])
def test_rms_detector_answers_tone_bursts_as_the_standard_asks(burst_ms):
    audio = np.zeros((ms(burst_ms) + ms(5), 1))
    n = np.arange(ms(burst_ms))
    audio[: len(n), 0] = math.sqrt(2) * np.sin(2 * np.pi * 4000 * n / RATE)  # 0 dB rms
    step = Compress(
        threshold=-60, ratio=100, knee=0, attack=0.01, release=1, detector="rms", window=125
    )
    deepest = step.decide(scene_of(audio, no_hits(len(audio)))).curve.db.min()
    level = -60 - deepest / (1 - 1 / 100)
    exact = 10 * math.log10(1 - math.exp(-burst_ms / 125))
    assert level == pytest.approx(exact, abs=0.05)


def test_lead_moves_the_gain_ahead_and_nothing_else(strokes):
    step = Compress(threshold=-24, attack=2)
    late, early = step.decide(strokes).curve, step.updated(lead=4).decide(strokes).curve
    probe = np.arange(0, len(strokes.audio) - ms(4))
    np.testing.assert_allclose(early.db_at(probe), late.db_at(probe + ms(4)), atol=1e-9)
    assert early.at[0] == 0


def test_auto_threshold_lies_under_the_typical_stroke(strokes):
    decision = Compress(attack=0.01, knee=0, ratio=100).decide(strokes)
    assert decision.step.threshold == pytest.approx(-9 - 6, abs=0.01)  # median of the four peaks
    assert -decision.curve.db.min() == pytest.approx((15 - 6) * 0.99, abs=0.05)


def test_auto_makeup_brings_the_typical_peak_back(strokes):
    out, decision = treated(Compress(makeup="auto"), strokes)
    spans = [slice(*span) for span in zip(strokes.hits.onset, strokes.hits.end, strict=True)]
    peaks = [[np.abs(x[span]).max() for span in spans] for x in (strokes.audio, out)]
    change = 20 * np.log10(np.divide(peaks[1], peaks[0]))
    assert decision.step.makeup > 0
    assert np.median(change) == pytest.approx(0, abs=0.1)


def test_hits_as_key_leave_bleed_alone():
    audio, hits = take_of([0.3], [-10], seconds=1.2, bleed_dbfs=-20)
    scene = scene_of(audio, hits)
    settings = {"threshold": -40, "release": 5}
    quiet = ms(250)
    assert gain_db(Compress(**settings).decide(scene), quiet)[0] < -5
    hit_only = Compress(**settings, key="hits").decide(scene)
    assert gain_db(hit_only, quiet)[0] == 0
    assert gain_db(hit_only, ms(310))[0] < -5


def test_another_track_as_key(strokes):
    silent = scene_of(np.zeros_like(strokes.audio), strokes.hits, {"close": strokes.audio})
    keyed = Compress(key="close", threshold=-24)
    own = Compress(threshold=-24).decide(strokes).curve
    assert keyed.decide(silent).curve.db.tobytes() == own.db.tobytes()
    assert dict(keyed.sources()) == {"close": "audio"}


def test_channels_move_together_by_the_loudest_or_the_mean():
    scene = steady(-10, 100, channels=2)
    scene.audio[:, 1] *= 0.5
    step = Compress(threshold=-20, ratio=4, knee=0, attack=0.1)
    probe = ms(99)
    loudest, mean = (
        gain_db(step.updated(link=x).decide(scene), probe) for x in ("loudest", "mean")
    )
    assert loudest[0] == pytest.approx(-7.5, abs=0.01)
    power = 10 * math.log10(0.1 * (1 + 0.25) / 2)
    assert mean[0] == pytest.approx(-0.75 * (20 + power), abs=0.01)
    out, _ = treated(step, scene)
    np.testing.assert_allclose(out[:, 1], 0.5 * out[:, 0])


def test_without_strokes_auto_says_so_and_does_nothing():
    decision = Compress().decide(tone([-20, -6], 100))
    assert decision.curve.neutral
    assert "no full stroke" in decision.notes[0]


@pytest.mark.parametrize("frames", [1, 2, 50])
def test_the_shortest_takes(frames):
    curve = Compress(threshold=-20).decide(scene_of(np.ones((frames, 1)), no_hits(frames))).curve
    assert curve.frames == frames
    assert curve.at[-1] == frames - 1


def test_memory_stays_bounded():
    # 16 bytes a point: the worst that a signal can do to quick settings is every second sample
    audio = np.random.default_rng(6).standard_normal((1 << 17, 1)) / 4
    step = Compress(threshold=-40, ratio=20, attack=0.1, release=5)
    points = len(step.decide(scene_of(audio, no_hits(len(audio)))).curve.at)
    assert points * 16 * (240 * RATE / len(audio)) < 100e6


@pytest.mark.parametrize(
    ("settings", "accepted"),
    [
        ({"window": 5}, "window with rms only"),
        ({"ratio": 0.5}, "1:1 to 100:1"),
        ({"ratio": "4 dB"}, "1:1 to 100:1"),
        ({"link": "off"}, "'loudest' or 'mean'"),
    ],
)
def test_settings_that_cannot_be_are_refused(settings, accepted):
    with pytest.raises(ValidationError, match=accepted):
        Compress(**settings)


def test_a_ratio_is_written_as_people_write_it():
    assert Compress(ratio="4:1") == Compress(ratio=4) == Compress(ratio="4")
    assert Compress(ratio=2.5).model_dump(mode="json")["ratio"] == "2.5:1"
