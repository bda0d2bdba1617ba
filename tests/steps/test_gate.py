# SPDX-License-Identifier: GPL-3.0-or-later
"""gate: thresholds, times and range do what their names say."""

import numpy as np
import pytest
from pydantic import ValidationError

from dsp.hits.hitmap import HitMap
from dsp.steps.gate import Gate
from tests.steps.scenes import RATE, gain_db, scene_of, take_of, treated

TIMES = [0.0, 0.45, 0.9, 1.3, 1.36]
LEVELS = [-6.0, -14.0, -26.0, -8.0, -10.0]


def ms(value):
    return round(value * RATE / 1000)


@pytest.fixture
def scene():
    return scene_of(*take_of(TIMES, LEVELS, seconds=2.2, bleed_dbfs=-60.0))


def box(levels_dbfs, ms_each, rate=RATE, ring_hz=1000.0):
    """A tone whose peak level steps through `levels_dbfs`, and an empty hit map for it."""
    each = round(ms_each * rate / 1000)
    amplitude = np.repeat(10 ** (np.array(levels_dbfs) / 20), each)
    tone = np.sin(2 * np.pi * ring_hz * np.arange(len(amplitude)) / rate)
    none = np.zeros(0, np.int64)
    empty = np.zeros(0)
    hits = HitMap(
        rate, len(tone), none, none, empty, empty, none, empty.astype(bool), float("nan"), -90.0
    )
    return (amplitude * tone)[:, None], hits


@pytest.mark.parametrize("key", ["hits", "own"])
def test_auto_thresholds_lie_between_bleed_and_softest_stroke(scene, key):
    step = Gate(key=key).decide(scene).step
    assert -60.0 < step.close_at < step.open_at < -26.0
    # 6 dB under the softest stroke and 3 dB above the bleed, to the measured peaks
    assert step.open_at == pytest.approx(-32.0, abs=1.0)
    assert step.close_at == pytest.approx(-57.0, abs=0.5)


@pytest.mark.parametrize("key", ["hits", "own"])
def test_resolved_thresholds_repeat_the_decision(scene, key):
    decision = Gate(key=key).decide(scene)
    again = decision.step.decide(scene)
    assert again.curve.at.tobytes() == decision.curve.at.tobytes()
    assert again.curve.db.tobytes() == decision.curve.db.tobytes()
    assert again.step == decision.step


@pytest.mark.parametrize("key", ["hits", "own"])
def test_open_before_every_stroke_and_closed_between(scene, key):
    decision = Gate(key=key, range=30, release=10).decide(scene)
    for onset, level in zip(scene.hits.onset, LEVELS, strict=True):
        assert gain_db(decision, onset).min() > -0.1
        assert gain_db(decision, onset + ms(20)).min() == 0.0, level
    assert gain_db(decision, ms(2150))[0] == pytest.approx(-30, abs=0.01)
    out, _ = treated(Gate(key=key, range=30, release=10), scene)
    tail = slice(ms(2100), ms(2190))
    lost = 10 * np.log10(np.sum(out[tail] ** 2) / np.sum(scene.audio[tail] ** 2))
    assert lost == pytest.approx(-30, abs=0.1)


def test_softer_strokes_than_open_at_stay_closed(scene):
    decision = Gate(open_at=-20, range=30).decide(scene)
    gains = gain_db(decision, scene.hits.onset + ms(5))
    np.testing.assert_allclose(gains[[0, 1, 3, 4]], 0, atol=1e-9)
    assert gains[2] < -15  # it is still on its way down


def test_closes_between_close_at_and_not_before():
    # -10 dBFS opens; -25 dBFS is between the thresholds and keeps it open; -40 dBFS closes it
    audio, hits = box([-60, -10, -25, -40, -25, -60], 100)
    step = Gate(key="own", open_at=-20, close_at=-30, hold=0, range=40, release=1, lead=0)
    gains = gain_db(step.decide(scene_of(audio, hits)), ms(100) * np.arange(6) + ms(95))
    np.testing.assert_allclose(gains, [-40, 0, 0, -40, -40, -40], atol=0.01)


def test_hold_keeps_it_open_that_much_longer():
    audio, hits = box([-60, -10, -90], 200)
    closing = []
    for hold in (0, 50):
        curve = (
            Gate(key="own", open_at=-20, close_at=-30, hold=hold)
            .decide(scene_of(audio, hits))
            .curve
        )
        db = curve.db_at(np.arange(ms(220), ms(600)))[:, 0]
        closing.append(int(np.flatnonzero(db < -1e-9)[0]))
    assert closing[1] - closing[0] == ms(50)


@pytest.mark.parametrize(("attack", "release"), [(2.0, 40.0), (10.0, 15.0), (0.3, 60.0)])
def test_attack_and_release_are_time_constants(attack, release):
    # 63.2 % of a step after one time constant, 10 to 90 % in ln 9 of them (Giannoulis, Massberg,
    # Reiss, JAES 60(6), 2012), here in dB
    audio, hits = box([-90, -10, -10, -10, -90, -90, -90], 100)
    step = Gate(
        key="own", open_at=-20, close_at=-30, hold=0, lead=0, range=20, attack=attack,
        release=release,
    )  # fmt: skip
    curve = step.decide(scene_of(audio, hits)).curve
    every = curve.db_at(np.arange(curve.frames))[:, 0]
    opened = int(np.flatnonzero(every > -20)[0]) - 1
    closed = int(np.flatnonzero(every[ms(300) :] < 0)[0]) - 1 + ms(300)
    after = np.arange(1, ms(100))
    exact_up = -20 * np.exp(-after / (attack * RATE / 1000))
    exact_down = -20 * (1 - np.exp(-np.arange(1, ms(250)) / (release * RATE / 1000)))
    assert np.abs(every[opened + after] - exact_up).max() < 0.05
    assert np.abs(every[closed + 1 : closed + ms(250)] - exact_down).max() < 0.05
    # between samples the curve is a line; read it exactly one time constant after its beginning
    one = np.interp(opened + attack * RATE / 1000, np.arange(len(every)), every)
    assert (one + 20) / 20 == pytest.approx(1 - np.exp(-1), abs=0.05 / 20)


def test_lead_opens_ahead_and_shifts_nothing(scene):
    late = Gate(lead=0).decide(scene).curve
    early = Gate(lead=10).decide(scene).curve
    probe = scene.hits.onset[1] - ms(10) + np.arange(1, ms(4))
    np.testing.assert_allclose(
        early.db_at(probe), late.db_at(probe + ms(10)), atol=2.0
    )  # the release it starts from is 10 ms shorter
    assert early.frames == late.frames == len(scene.audio)


def test_the_key_filter_decides_what_is_heard():
    low, hits = box([-60, -10, -60], 200, ring_hz=60)
    settings = {"key": "own", "open_at": -20, "close_at": -40, "hold": 100, "range": 30}
    probe = ms(300)
    assert gain_db(Gate(**settings).decide(scene_of(low, hits)), probe)[0] == 0
    deaf = Gate(**settings, listen_from=300)
    assert gain_db(deaf.decide(scene_of(low, hits)), probe)[0] == -30
    high, _ = box([-60, -10, -60], 200, ring_hz=8000)
    deaf = Gate(**settings, listen_to=1000)
    assert gain_db(deaf.decide(scene_of(high, hits)), probe)[0] == -30


def test_another_track_as_key(scene):
    silent = np.zeros_like(scene.audio)
    keyed = scene_of(silent, scene.hits, {"close": scene.audio})
    decision = Gate(key="close", range=30).decide(keyed)
    np.testing.assert_allclose(gain_db(decision, scene.hits.onset + ms(3)), 0, atol=1e-9)
    assert dict(Gate(key="close").sources()) == {"close": "audio"}


def test_one_channel_opens_both(scene):
    left = np.concatenate([scene.audio, 0.01 * scene.audio], axis=1)
    step = Gate(key="own", open_at=-30, close_at=-50)
    both = step.decide(scene_of(left, scene.hits)).curve
    one = step.decide(scene).curve
    assert both.at.tobytes() == one.at.tobytes()


def test_nothing_but_bleed_stays_closed_and_says_so():
    audio, hits = box([-60, -50, -60], 200)
    decision = Gate(key="own").decide(scene_of(audio, hits))
    assert (decision.curve.db == -30).all()
    assert "no stroke" in decision.notes[0]


def test_bleed_as_loud_as_the_softest_stroke_is_reported_and_no_stroke_is_lost():
    scene = scene_of(*take_of([0.2, 0.7, 1.3], [-6, -40, -7], seconds=2, bleed_dbfs=-30))
    assert "tells them apart" in Gate(key="own").decide(scene).notes[0]
    decision = Gate(key="hits").decide(scene)
    assert not decision.notes
    np.testing.assert_allclose(gain_db(decision, scene.hits.onset), 0, atol=0.01)


@pytest.mark.parametrize(
    ("settings", "accepted"),
    [
        ({"open_at": -30, "close_at": -20}, "close_at at or below open_at"),
        ({"listen_from": 900, "listen_to": 300}, "listen_from below listen_to"),
        ({"range": -3}, "0 to 120 dB"),
    ],
)
def test_settings_that_cannot_be_are_refused(settings, accepted):
    with pytest.raises(ValidationError, match=accepted):
        Gate(**settings)
