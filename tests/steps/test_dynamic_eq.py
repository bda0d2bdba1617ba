# SPDX-License-Identifier: GPL-3.0-or-later
"""dynamic_eq: bands act on strokes, at the time and by the amount that was asked for."""

import math
from dataclasses import replace

import numpy as np
import pytest
from pydantic import ValidationError

from dsp.filters import shaped_section
from dsp.steps.dynamic_eq import CLEAR_MS, HYSTERESIS_DB, RETURN_MS, Band, DynamicEq, ring_ms
from tests.steps.scenes import RATE, THREE_STRENGTHS_DB, gain_db, scene_of, take_of, treated

RING = {"name": "ring", "at": 540, "width": 0.6, "active": -7, "delay": 12}
WEIGHT = {"name": "weight", "at": "fundamental", "width": 0.8, "active": 3}
WIRES = {"name": "wires", "shape": "high shelf", "at": 4000, "rest": -15}


def ms(value):
    return round(value * RATE / 1000)


def energy_db(samples):
    return 10 * np.log10(np.sum(samples**2))


@pytest.fixture
def scene():
    times = [0.0, 0.6, 1.2]
    return scene_of(*take_of(times, [*THREE_STRENGTHS_DB], seconds=2.2, bleed_dbfs=-66))


def test_a_delayed_band_leaves_the_attack_as_it_is(scene):
    out, _ = treated(DynamicEq(bands=[RING]), scene)
    for onset in scene.hits.onset:
        first = slice(onset, onset + ms(11.5))
        np.testing.assert_array_equal(out[first], scene.audio[first])


def test_a_delayed_band_is_active_after_the_delay(scene):
    decision = DynamicEq(bands=[RING]).decide(scene)
    for onset in scene.hits.onset:
        assert gain_db(decision, onset + ms(12))[0] == pytest.approx(0, abs=1e-9)
        constant = gain_db(decision, onset + ms(13))[0]  # one time constant later
        assert constant == pytest.approx(-7 * (1 - math.exp(-1)), abs=0.05)
        assert gain_db(decision, onset + ms(25))[0] == -7


def test_the_ring_goes_down_by_what_was_asked(scene):
    out, _ = treated(DynamicEq(bands=[RING]), scene)
    window = np.hanning(ms(120))
    for onset in scene.hits.onset:
        tail = slice(onset + ms(40), onset + ms(160))
        spectra = [np.abs(np.fft.rfft(x[tail, 0] * window, 8 * RATE)) for x in (out, scene.audio)]
        lost = 20 * np.log10(spectra[0][540 * 8] / spectra[1][540 * 8])
        assert lost == pytest.approx(-7, abs=0.3)
        far = 20 * np.log10(spectra[0][2500 * 8] / spectra[1][2500 * 8])
        assert abs(far) < 0.2


@pytest.mark.parametrize("apart_ms", [15, 30, 60, 200])
def test_a_delayed_band_is_at_rest_again_before_the_next_stroke(apart_ms):
    times = [0.2, 0.2 + apart_ms / 1000, 0.2 + 2 * apart_ms / 1000]
    scene = scene_of(*take_of(times, [-6, -9, -7], seconds=1.2))
    decision = DynamicEq(bands=[RING]).decide(scene)
    for onset in scene.hits.onset:
        clear = min(ms(CLEAR_MS), ms(apart_ms) // 4)
        untouched = np.arange(onset - clear, onset + ms(12))
        assert np.abs(gain_db(decision, untouched)).max() < 1e-9
    if apart_ms > 12 + 2 * (RETURN_MS + CLEAR_MS):
        assert gain_db(decision, scene.hits.onset[1] - ms(RETURN_MS + CLEAR_MS + 1))[0] < -6.9


def test_a_shelf_that_opens_is_open_during_strokes_and_closed_between(scene):
    out, decision = treated(DynamicEq(bands=[WIRES]), scene)
    hits = scene.hits
    for onset, end in zip(hits.onset, hits.end, strict=True):
        body = gain_db(decision, np.arange(onset, end))
        assert np.abs(body).max() <= 0.1
        change = energy_db(out[onset : onset + ms(50)] - scene.audio[onset : onset + ms(50)])
        assert change - energy_db(scene.audio[onset : onset + ms(50)]) < -40
    last = slice(ms(2000), ms(2180))  # bleed alone, 0.45 s after the last stroke has gone
    spectra = [np.fft.rfft(x[last, 0]) for x in (out, scene.audio)]
    high = slice(round(12_000 * 0.18), round(20_000 * 0.18))
    lost = energy_db(np.abs(spectra[0][high])) - energy_db(np.abs(spectra[1][high]))
    assert lost == pytest.approx(-15, abs=0.3)


def test_a_high_band_has_changed_before_the_first_sample(scene):
    decision = DynamicEq(
        bands=[{**WIRES, "rest": 0, "active": 5, "attack": 5, "release": 20}]
    ).decide(scene)
    gains = gain_db(decision, scene.hits.onset)
    assert np.abs(gains - 5).max() <= 0.1
    lead = decision.step.bands[0].lead
    assert lead == pytest.approx(5 * math.log(5 / 0.08), abs=0.1)
    before = gain_db(decision, scene.hits.onset[2] - ms(lead) - 1)
    assert before[0] == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize("apart_ms", [40, 150, 600])
def test_a_low_band_that_leaves_zero_does_not_ring_ahead_of_strokes(apart_ms):
    times = [0.2, 0.2 + apart_ms / 1000, 0.2 + 2 * apart_ms / 1000]
    scene = scene_of(*take_of(times, [-6, -9, -7], seconds=2))
    out, decision = treated(DynamicEq(bands=[{**WEIGHT, "active": 6}]), scene)
    assert decision.step.bands[0].lead == 0
    for onset in scene.hits.onset:
        ahead = slice(onset - ms(CLEAR_MS), onset)
        np.testing.assert_array_equal(out[ahead], scene.audio[ahead])
        change = out[onset - ms(20) : onset] - scene.audio[onset - ms(20) : onset]
        if onset == scene.hits.onset[0]:
            assert not change.any()
        assert gain_db(decision, onset)[0] == pytest.approx(0, abs=1e-9)
        assert gain_db(decision, onset + ms(1))[0] == pytest.approx(6 * (1 - 1 / math.e), abs=0.05)
        assert gain_db(decision, onset + ms(12))[0] == 6


def test_weight_is_added_to_the_fundamental():
    scene = scene_of(*take_of([0.2, 1.0], [-6, -20], seconds=2))
    out, _ = treated(DynamicEq(bands=[{**WEIGHT, "active": 4}]), scene)
    window = np.hanning(ms(100))
    for onset in scene.hits.onset:
        body = slice(onset, onset + ms(100))
        level = [np.abs(np.fft.rfft(x[body, 0] * window, 8 * RATE)) for x in (out, scene.audio)]
        assert 20 * np.log10(level[0][196 * 8] / level[1][196 * 8]) == pytest.approx(4, abs=0.3)


@pytest.mark.parametrize(
    ("band", "expected_ms"),
    [({**RING, "width": 1.0}, 0.834), ({**WIRES, "at": 150}, 1.5005), (WIRES, 0.0563)],
)
def test_ringing_is_that_of_the_filter(band, expected_ms):
    place = Band(**band).place()
    flat = replace(place, gain_db=0.0)
    assert ring_ms(flat) == pytest.approx(expected_ms, abs=5e-4)
    section = shaped_section(flat.shape, flat.at_hz, flat.width_oct, flat.gain_db, 192_000)
    poles = np.abs(np.roots([1, *section.a]))
    assert -1 / math.log(poles.max()) / 192 == pytest.approx(expected_ms, rel=0.02)


def test_lead_is_kept_when_given(scene):
    decision = DynamicEq(bands=[{**WIRES, "lead": 0, "attack": 2}]).decide(scene)
    onset = scene.hits.onset[1:]
    assert gain_db(decision, onset).max() < -7
    assert gain_db(decision, onset + ms(20)).min() == 0


def test_the_fundamental_is_that_of_the_key(scene):
    step = DynamicEq(bands=[WEIGHT]).decide(scene).step
    assert step.bands[0].at == 196.0
    higher = replace(scene, hits_of=lambda _: replace(scene.hits, fundamental_hz=222.222))
    assert DynamicEq(bands=[WEIGHT], key="rim").decide(higher).step.bands[0].at == 222.22


def test_without_a_drum_the_band_at_the_fundamental_does_nothing_and_says_so(scene):
    lost = replace(scene, hits=replace(scene.hits, fundamental_hz=math.nan))
    decision = DynamicEq(bands=[WEIGHT, RING]).decide(lost)
    assert not decision.curve.db[:, 0].any()
    assert decision.curve.db[:, 1].any()
    assert "weight" in decision.notes[0]


def test_a_threshold_listens_within_the_band():
    times = np.arange(round(1.2 * RATE)) / RATE
    quiet, loud = 10 ** (-50 / 20), 10 ** (-12 / 20)
    rises = (times >= 0.4) & (times < 0.8)
    inside = np.where(rises, loud, quiet) * np.sin(2 * np.pi * 540 * times)
    outside = np.where(rises, loud, quiet) * np.sin(2 * np.pi * 6000 * times)
    _, hits = take_of([], [], seconds=1.2)
    band = {**RING, "delay": 0, "lead": 0, "threshold": -24, "release": 5}
    probe = np.array([ms(300), ms(600), ms(1100)])
    heard = DynamicEq(bands=[band]).decide(scene_of(inside[:, None], hits))
    np.testing.assert_allclose(gain_db(heard, probe), [0, -7, 0], atol=1e-6)
    deaf = DynamicEq(bands=[band]).decide(scene_of(outside[:, None], hits))
    assert np.abs(gain_db(deaf, np.array([ms(600)]))).max() == 0


def test_a_threshold_is_a_sample_peak_and_lets_go_lower():
    times = np.arange(RATE) / RATE
    _, hits = take_of([], [], seconds=1.0)
    for level, active in ((-20.2, False), (-19.8, True)):
        tone = 10 ** (level / 20) * np.sin(2 * np.pi * 540 * times)
        # then just above where the band lets go: it stays as it was
        tone[RATE // 2 :] *= 10 ** ((-20 - HYSTERESIS_DB + 0.2 - level) / 20)
        band = {**RING, "delay": 0, "threshold": -20}
        decision = DynamicEq(bands=[band]).decide(scene_of(tone[:, None], hits))
        held = gain_db(decision, np.array([RATE // 3, RATE * 3 // 4]))
        np.testing.assert_allclose(held, -7.0 if active else 0.0, atol=1e-6)


def test_hold_counts_from_the_beginning_of_the_stroke(scene):
    decision = DynamicEq(bands=[{**WIRES, "hold": 50}]).decide(scene)
    for onset in scene.hits.onset:
        assert gain_db(decision, onset + ms(50))[0] == pytest.approx(0, abs=0.05)
        later = gain_db(decision, onset + ms(100))[0]  # one release later
        assert later == pytest.approx(-15 * (1 - math.exp(-1)), abs=0.05)


def test_lanes_keep_to_their_two_gains(scene):
    db = DynamicEq(bands=[RING, WEIGHT, WIRES]).decide(scene).curve.db
    assert db.min(axis=0).tolist() == [-7, 0, -15]
    assert db.max(axis=0).tolist() == [0, 3, 0]


def test_resolved_bands_repeat_the_decision(scene):
    decision = DynamicEq(bands=[RING, WEIGHT, WIRES]).decide(scene)
    again = decision.step.decide(scene)
    assert again.step == decision.step
    assert again.curve.db.tobytes() == decision.curve.db.tobytes()
    assert again.curve.at.tobytes() == decision.curve.at.tobytes()


def test_equal_gains_are_a_fixed_band(scene):
    decision = DynamicEq(bands=[{**WIRES, "rest": -3, "active": -3}]).decide(scene)
    assert (decision.curve.db == -3).all()


@pytest.mark.parametrize(
    ("key", "bands", "needed"),
    [
        ("hits", [RING], {}),
        ("own", [RING], {}),
        ("top", [RING], {"top": "hits"}),
        ("top", [{**RING, "threshold": -30}], {"top": "audio"}),
        ("top", [{**WEIGHT, "threshold": -30}], {"top": "hits"}),
    ],
)
def test_what_it_needs_of_other_tracks(key, bands, needed):
    assert dict(DynamicEq(bands=bands, key=key).sources()) == needed


@pytest.mark.parametrize(
    ("band", "accepted"),
    [
        ({**WIRES, "width": 1}, "width on a bell only"),
        ({**RING, "lead": 3}, "one of them"),
        ({**RING, "at": 5}, "20 to 20000 Hz"),
        ({**RING, "shape": "notch"}, "bell"),
    ],
)
def test_bands_that_cannot_be_are_refused(band, accepted):
    with pytest.raises(ValidationError, match=accepted):
        Band(**band)


def test_bands_need_names_of_their_own():
    with pytest.raises(ValidationError, match="a name for each band"):
        DynamicEq(bands=[RING, RING])
    with pytest.raises(ValidationError, match="at least 1"):
        DynamicEq(bands=[])
