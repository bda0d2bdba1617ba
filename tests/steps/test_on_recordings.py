# SPDX-License-Identifier: GPL-3.0-or-later
"""The steps on real strokes in real bleed, with the truth about every stroke as the hit map."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from dsp.hits.hitmap import HitMap
from dsp.steps import DynamicEq, Gate, RideLevel, ShapeTransient
from dsp.steps.keys import peaks_dbfs
from tests.open_takes import needed, takes
from tests.steps.scenes import gain_db, scene_of, treated

NAMES = ("backbeat_ghosts", "open_hats", "roll")
WIRES = {"name": "wires", "shape": "high shelf", "at": 4000, "rest": -15}
RING = {"name": "ring", "at": 540, "width": 0.6, "active": -7, "delay": 12}


@pytest.fixture(autouse=True)
def _recordings():
    needed.recordings()


def loudest(sound, first, count, step):
    """Peak of each of `count` pieces of `step` samples."""
    return np.abs(sound[first : first + count * step]).reshape(count, step).max(axis=1)


@cache
def take_and_hits(name):
    """A take, and its true strokes: each lasts until the snare alone is under the usual bleed."""
    take = takes.make(name)
    snare, bleed = take.snare["top"], take.bleed["top"]
    step, frames = 480, len(snare)
    usual = float(np.median(loudest(bleed, 0, frames // step, step)))
    onset = take.arrivals("top")
    end = []
    for at, after in zip(onset, np.append(onset[1:], frames), strict=True):
        quiet = np.flatnonzero(loudest(snare, at, (after - at) // step, step) < usual)
        end.append(min(at + step * max(2, quiet[0] if len(quiet) else 10**6), after))
    level = np.array([stroke.level_db for stroke in take.strokes])
    hits = HitMap(
        rate=take.rate,
        frames=frames,
        onset=onset,
        end=np.array(end, np.int64),
        peak_dbfs=peaks_dbfs(take.tracks["top"][:, None], onset, np.array(end)),
        strength_db=level,
        velocity=np.array([stroke.velocity for stroke in take.strokes]),
        ghost=np.array([stroke.ghost for stroke in take.strokes]),
        fundamental_hz=203.0,
        bleed_dbfs=20 * np.log10(usual),
    )
    return take, hits


def scene_on(name, microphone="top"):
    take, hits = take_and_hits(name)
    tracks = {m: np.ascontiguousarray(x[:, None]) for m, x in take.tracks.items()}
    return replace(scene_of(tracks[microphone], hits, tracks), hits_of=lambda _: hits)


def energy_db(x):
    return 10 * np.log10(np.sum(np.square(x)))


@pytest.mark.parametrize("name", NAMES)
def test_full_share_evens_full_strokes(name):
    scene = scene_on(name)
    hits = scene.hits
    out, decision = treated(RideLevel(share=100, lift_at_most=24, lower_at_most=24), scene)
    full = ~hits.ghost
    before = peaks_dbfs(scene.audio, hits.onset, hits.end)[full]
    after = peaks_dbfs(out, hits.onset, hits.end)[full]
    assert before.std() > 0.9
    assert after.std() <= 0.3
    assert np.median(after) == pytest.approx(decision.step.toward, abs=0.1)


@pytest.mark.parametrize("name", NAMES)
def test_attack_and_sustain_are_found_at_every_strength(name):
    scene = scene_on(name)
    hits = scene.hits
    out, _ = treated(ShapeTransient(attack=4, sustain=-6), scene)
    strengths = hits.strength_db
    assert strengths.min() < -14 < strengths.max()
    ms = hits.rate // 1000
    for onset, after in zip(hits.onset, np.append(hits.onset[1:], hits.frames), strict=True):
        attack = slice(onset, onset + 10 * ms)
        assert energy_db(out[attack]) - energy_db(scene.audio[attack]) == pytest.approx(4, abs=1)
        if after - onset > 200 * ms:
            tail = slice(onset + 30 * ms, onset + 190 * ms)
            assert energy_db(out[tail]) - energy_db(scene.audio[tail]) == pytest.approx(-6, abs=1)


@pytest.mark.parametrize("name", NAMES)
def test_taming_a_ring_leaves_the_first_8_ms_as_they_are(name):
    scene = scene_on(name)
    out, _ = treated(DynamicEq(bands=[RING]), scene)
    for onset in scene.hits.onset:
        first = slice(onset, onset + round(0.008 * scene.rate))
        np.testing.assert_array_equal(out[first], scene.audio[first])


@pytest.mark.parametrize("name", NAMES)
def test_wires_open_with_every_stroke_and_close_between(name):
    scene = scene_on(name, "bottom")
    hits = scene.hits
    out, decision = treated(DynamicEq(bands=[WIRES]), scene)
    for onset, end in zip(hits.onset, hits.end, strict=True):
        assert np.abs(gain_db(decision, np.arange(onset, end))).max() <= 0.1
        change = energy_db(out[onset:end]) - energy_db(scene.audio[onset:end])
        assert abs(change) < 0.1
    closed = decision.curve.db_at(np.arange(hits.frames))[:, 0] < -14.9
    assert closed.any()


@pytest.mark.parametrize("key", ["hits", "own", "overhead"])
@pytest.mark.parametrize("name", NAMES)
def test_the_gate_loses_no_stroke(name, key):
    scene = scene_on(name)
    hits = scene.hits
    decision = Gate(key=key).decide(scene)
    loud = peaks_dbfs(
        scene.raw("overhead") if key == "overhead" else scene.audio, hits.onset, hits.end
    )
    assert (loud >= decision.step.open_at).all()
    gains = gain_db(decision, hits.onset)
    if key == "hits":
        assert np.abs(gains).max() <= 0.01
    peak = hits.onset + np.array(
        [np.argmax(np.abs(scene.audio[a:b, 0])) for a, b in zip(hits.onset, hits.end, strict=True)]
    )
    if key != "overhead":
        assert np.abs(gain_db(decision, peak)).max() <= 0.01
    out, _ = treated(Gate(key="hits"), scene)
    assert energy_db(out) < energy_db(scene.audio)
