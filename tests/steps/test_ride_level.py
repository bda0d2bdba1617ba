# SPDX-License-Identifier: GPL-3.0-or-later
"""ride_level: even strokes, untouched shapes, bleed that is never raised."""

import numpy as np
import pytest

from dsp.steps.keys import peaks_dbfs
from dsp.steps.ride_level import CLEAR_MS, RAMP_MS, RETURN_MS, RideLevel
from tests.steps.scenes import RATE, gain_db, scene_of, take_of, treated

TIMES = [0.0, 0.4, 0.8, 1.0, 1.5, 1.56, 2.2]
LEVELS = [-6.0, -12.0, -9.0, -27.0, -4.0, -8.0, -10.0]


@pytest.fixture
def scene():
    return scene_of(*take_of(TIMES, LEVELS, seconds=2.6, bleed_dbfs=-60.0))


def peaks(audio, hits):
    return peaks_dbfs(audio, hits.onset, hits.end)


def test_typical_is_the_median_peak_of_full_strokes_and_is_resolved(scene):
    full = peaks(scene.audio, scene.hits)[~scene.hits.ghost]
    step = RideLevel().decide(scene).step
    assert step.toward == round(float(np.median(full)), 2)
    assert step.decide(scene).curve.db.tobytes() == RideLevel().decide(scene).curve.db.tobytes()


@pytest.mark.parametrize(("share", "at_most_db"), [(100, 0.3), (0, 10)])
def test_full_share_leaves_no_spread(scene, share, at_most_db):
    out, _ = treated(RideLevel(share=share, lift_at_most=12, lower_at_most=12), scene)
    left = peaks(out, scene.hits)[~scene.hits.ghost]
    assert left.std() <= at_most_db
    if share == 0:
        assert out.tobytes() == scene.audio.tobytes()


def test_share_is_that_part_of_the_distance(scene):
    step = RideLevel(toward=-8, share=50, lift_at_most=24, lower_at_most=24)
    before = peaks(scene.audio, scene.hits)
    gains = gain_db(step.decide(scene), scene.hits.onset)
    full = ~scene.hits.ghost
    np.testing.assert_allclose(gains[full], 0.5 * (-8 - before[full]), atol=1e-9)


def test_limits_hold(scene):
    db = RideLevel(share=100, lift_at_most=1.5, lower_at_most=2.5).decide(scene).curve.db
    assert db.max() == 1.5
    assert db.min() == -2.5


def test_ghosts_keep_their_distance_or_ride(scene):
    ghost = int(np.flatnonzero(scene.hits.ghost)[0])
    onset = scene.hits.onset
    keep = gain_db(RideLevel(share=100).decide(scene), onset)
    nearness = (onset[ghost] - onset[ghost - 1]) / (onset[ghost + 1] - onset[ghost - 1])
    expected = keep[ghost - 1] * (1 - nearness) + keep[ghost + 1] * nearness
    assert keep[ghost] == pytest.approx(expected, abs=1e-9)
    ride = gain_db(RideLevel(share=100, ghosts="ride").decide(scene), onset)
    assert ride[ghost] == 6.0


def test_gain_is_constant_over_every_stroke_and_there_before_it(scene):
    curve = RideLevel(share=100).decide(scene).curve
    hits = scene.hits
    ramp = round((RAMP_MS + CLEAR_MS) * RATE / 1000)
    following = np.append(hits.onset[1:], 10**9)
    for onset, end, after in zip(hits.onset, hits.end, following, strict=True):
        start = max(0, onset - round(CLEAR_MS * RATE / 1000))
        body = curve.db_at(np.arange(start, min(end, after - ramp)))
        assert np.ptp(body) < 1e-12


def test_gain_is_zero_in_long_gaps(scene):
    curve = RideLevel(share=100).decide(scene).curve
    hits = scene.hits
    for end, after in zip(hits.end[:-1], hits.onset[1:], strict=True):
        quiet_from = end + round(RETURN_MS * RATE / 1000)
        quiet_to = after - round((RAMP_MS + CLEAR_MS) * RATE / 1000)
        if quiet_from < quiet_to:
            assert not curve.db_at(np.arange(quiet_from, quiet_to)).any()


def test_a_key_gives_its_strokes_not_its_levels(scene):
    keyed = scene_of(scene.audio, scene.hits, {"room": scene.audio * 0.1})
    onset = scene.hits.onset
    ours = gain_db(RideLevel().decide(keyed), onset + 200)
    theirs = gain_db(RideLevel(key="room").decide(keyed), onset + 200)
    np.testing.assert_allclose(ours, theirs, atol=0.5)
    assert dict(RideLevel(key="room").sources()) == {"room": "hits"}
    assert dict(RideLevel().sources()) == {}


def test_a_curve_has_few_points_for_each_stroke():
    # how long a four-minute take takes is in bench/results/speed.md
    times = list(np.arange(0.0, 19.0, 0.12))
    levels = list(np.random.default_rng(3).uniform(-24, -3, len(times)))
    curve = RideLevel().decide(scene_of(*take_of(times, levels, seconds=20.0))).curve
    assert len(curve.at) < 20 * len(times)
