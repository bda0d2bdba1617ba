# SPDX-License-Identifier: GPL-3.0-or-later
"""shape_transient: what was asked for is found in the sound, at every strength."""

import numpy as np
import pytest

from dsp.steps.shape_transient import CLEAR_MS, RETURN_MS, ShapeTransient
from tests.steps.scenes import RATE, THREE_STRENGTHS_DB, gain_db, scene_of, take_of, treated


def ms(value):
    return round(value * RATE / 1000)


@pytest.fixture
def scene():
    times = [0.0, 0.5, 1.0]
    return scene_of(*take_of(times, [*THREE_STRENGTHS_DB], seconds=1.6, bleed_dbfs=-70))


def change_db(out, audio, first, last):
    energy = [np.sum(x[first:last] ** 2) for x in (out, audio)]
    return 10 * np.log10(energy[0] / energy[1])


@pytest.mark.parametrize(("attack", "sustain"), [(4.0, -6.0), (-5.0, 4.0), (0.0, 6.0)])
def test_attack_and_sustain_are_found_as_such_at_three_strengths(scene, attack, sustain):
    out, _ = treated(ShapeTransient(attack=attack, sustain=sustain), scene)
    for onset in scene.hits.onset:
        first = slice(onset, onset + ms(15))
        peak = 20 * np.log10(np.abs(out[first]).max() / np.abs(scene.audio[first]).max())
        assert peak == pytest.approx(attack, abs=0.01)
        tail = change_db(out, scene.audio, onset + ms(30), onset + ms(300))
        assert tail == pytest.approx(sustain, abs=0.01)


def test_every_stroke_gets_the_same_gains_whatever_its_level(scene):
    decision = ShapeTransient(attack=4, sustain=-6).decide(scene)
    spans = [gain_db(decision, onset + np.arange(ms(350))) for onset in scene.hits.onset]
    np.testing.assert_allclose(spans[1], spans[2], atol=1e-12)
    np.testing.assert_allclose(spans[0], spans[1], atol=1e-12)


def test_attack_gain_is_there_before_the_first_sample(scene):
    decision = ShapeTransient(attack=4, sustain=-6).decide(scene)
    for onset in scene.hits.onset:
        before = np.arange(max(0, onset - ms(CLEAR_MS)), onset + ms(15))
        assert np.abs(gain_db(decision, before) - 4).max() < 1e-12


def test_spans_are_as_long_as_asked():
    scene = scene_of(*take_of([0.1], [-6], seconds=1.5))
    decision = ShapeTransient(attack=4, sustain=-6, attack_span=20, sustain_span=400).decide(scene)
    at = ms(100) + np.array([ms(20), ms(30), ms(40), ms(420), ms(420 + RETURN_MS)])
    np.testing.assert_allclose(gain_db(decision, at), [4, -1, -6, -6, 0], atol=1e-9)


def test_the_sustain_may_last_as_long_as_the_stroke(scene):
    decision = ShapeTransient(sustain=-6, sustain_span="stroke").decide(scene)
    ends = scene.hits.end
    assert (gain_db(decision, ends) == -6).all()
    assert (gain_db(decision, ends + ms(RETURN_MS)) == 0).all()


@pytest.mark.parametrize("apart_ms", [2, 5, 20, 60])
def test_strokes_that_run_into_each_other_each_begin_at_the_attack_gain(apart_ms):
    times = [0.1, 0.1 + apart_ms / 1000, 0.1 + 2 * apart_ms / 1000]
    scene = scene_of(*take_of(times, [-6, -8, -7], seconds=0.8))
    decision = ShapeTransient(attack=4, sustain=-6).decide(scene)
    np.testing.assert_allclose(gain_db(decision, scene.hits.onset), 4, atol=1e-9)


def test_gains_stay_between_what_is_asked_and_zero(scene):
    db = ShapeTransient(attack=4, sustain=-6).decide(scene).curve.db
    assert db.max() == 4
    assert db.min() == -6
