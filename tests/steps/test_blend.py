# SPDX-License-Identifier: GPL-3.0-or-later
"""A parallel copy with steps of its own, mixed back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import dsp.level_change
from dsp.carrying import SPENT, carry_out, without_audio
from dsp.curves import apply_curve
from dsp.level_change import DEEPEST_DB, QUIET
from dsp.steps import Blend, DynamicEq, Gate, Level, SuppressBleed
from tests.steps.scenes import RATE, gain_db, scene_of, take_of, treated

FACTOR = 10 ** (-6 / 20)


@pytest.fixture
def scene():
    audio, hits = take_of([0.1, 0.5, 0.8], [-6, -18, -8], seconds=1.2, bleed_dbfs=-50, channels=2)
    return scene_of(audio, hits, {"other": 0.5 * audio})


def test_the_sum_is_track_plus_treated_copy_sample_by_sample(scene):
    gate = Gate(range=40)
    out, _ = treated(Blend(level=-6, steps=(gate,)), scene)
    copy = scene.audio.copy()
    apply_curve(copy, gate.decide(scene).curve)
    assert np.array_equal(out, scene.audio + FACTOR * copy)


def test_a_flat_copy_in_the_opposite_polarity_at_0_db_leaves_silence(scene):
    out, decision = treated(Blend(level=0, steps=(Level(polarity="invert"),)), scene)
    assert not out.any()
    assert decision.curve.db.max() == decision.curve.db.min() == DEEPEST_DB


def test_inner_steps_run_one_after_the_other(scene):
    # the second gate must see what the first one left
    one, two = Gate(range=40), SuppressBleed(reduction=12)
    out, decision = treated(Blend(dry="off", level=0, steps=(one, two)), scene)
    copy = scene.audio.copy()
    for step in (one, two):
        apply_curve(copy, step.decide(scene_of(copy, scene.hits)).curve)
    assert np.array_equal(out, copy)
    assert [inner.step.name for inner in decision.inner] == ["gate", "suppress_bleed"]


def test_autos_inside_are_resolved_and_repeat(scene):
    blend = Blend(steps=(SuppressBleed(), Blend(steps=(Gate(),))))
    out, decision = treated(blend, scene)
    suppress, nested = decision.step.steps
    assert suppress.fundamental == 196.0
    assert isinstance(nested.steps[0].open_at, float)
    again, repeated = treated(decision.step, scene)
    assert np.array_equal(again, out)
    assert repeated.step == decision.step


def test_what_inner_steps_listen_to_is_told():
    inner = (Gate(key="room"), SuppressBleed(key="top"), Blend(steps=(Gate(key="top"),)))
    assert Blend(steps=inner).sources() == {"room": "audio", "top": "audio"}
    assert Blend(steps=(SuppressBleed(key="top"),)).sources() == {"top": "hits"}


def test_each_inner_step_tells_of_its_share():
    """Two steps that listen to the witness: what the second tells begins at a half."""
    audio, hits = take_of([0.2, 0.8], [-6.0, -9.0], seconds=1.4, bleed_dbfs=-40)
    far = 0.1 * np.random.default_rng(4).standard_normal(audio.shape)
    shares = []
    scene = replace(scene_of(audio, hits, {"far": far}), told=shares.append)
    listening = SuppressBleed(witnesses=["far"])
    Blend(steps=[listening, listening]).decide(scene)
    first, second = np.split(np.array(shares), 2)
    np.testing.assert_allclose(second, first + 0.5)
    assert 0 < first.min() <= first.max() < 0.5


def test_the_lane_says_how_much_louder_the_sum_is(scene):
    # in the gaps the gate is shut: the copy adds 10^(−46/20) = 0.04 dB; in strokes 20·lg(1.501)
    _, decision = treated(Blend(level=-6, steps=(Gate(range=40, release=5, hold=0),)), scene)
    gap, body = round(0.05 * RATE), round(0.12 * RATE)
    assert gain_db(decision, gap) == pytest.approx(20 * np.log10(1 + 10 ** (-46 / 20)), abs=0.01)
    assert gain_db(decision, body) == pytest.approx(20 * np.log10(1 + FACTOR), abs=0.01)


def test_the_lane_measures_energies_in_windows(scene, monkeypatch):
    # slow twin: sums over plain slices; and the chunks it is read in do not matter
    blend = Blend(
        level=-3, dry=-7, steps=(DynamicEq(bands=({"name": "a", "at": 540, "active": -9},)),)
    )
    out, decision = treated(blend, scene)
    hop = round(0.005 * RATE)
    energies = []
    for middle in range(0, len(out), hop):
        pair = []
        for sound in (scene.audio, out):
            hops = [
                sound[max(middle + k * hop, 0) : max(middle + (k + 1) * hop, 0)] for k in (-1, 0, 1)
            ]
            pair.append(sum(w * (h**2).sum() for w, h in zip((0.5, 1, 0.5), hops, strict=True)))
        energies.append(pair)
    least = QUIET * np.max(energies)
    # what rises rises from what can be heard; what falls may fall all the way
    expected = [
        10 * np.log10(b / a) if b < a else 10 * np.log10((b + least) / (a + least))
        for a, b in energies
    ]
    assert min(expected) < 0 < max(expected)
    first = int(np.flatnonzero(scene.audio.any(axis=1))[0])
    assert first == 0
    np.testing.assert_allclose(decision.curve.db[:, 0], expected, atol=1e-9)
    monkeypatch.setattr(dsp.level_change, "HOPS", 7)
    np.testing.assert_allclose(blend.decide(scene).curve.db, decision.curve.db, atol=1e-9)


def test_a_carried_out_blend_lets_go_of_its_copy(scene):
    _, decision = treated(Blend(steps=(Level(),)), scene)
    kept = without_audio(decision)
    assert kept.treatment is SPENT
    with pytest.raises(RuntimeError, match="let go"):
        carry_out(scene.audio.copy(), kept)
    plain = Level(gain=3).decide(scene)
    assert without_audio(plain) is plain


def test_a_blend_needs_a_step():
    with pytest.raises(ValueError, match="at least 1"):
        Blend(steps=())
