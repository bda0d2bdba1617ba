# SPDX-License-Identifier: GPL-3.0-or-later
"""tone: what its settings say, and what the sheet says of it."""

import numpy as np
import pytest
from pydantic import ValidationError

from dsp.steps.tone import Tone
from tests.steps.scenes import RATE, scene_of, take_of, treated

BODY = {"name": "body", "at": "fundamental", "width": 1.5, "gain": 3}
DIP = {"name": "dip", "at": 600, "gain": -4}
AIR = {"name": "air", "shape": "high shelf", "at": 8000, "gain": 2}


@pytest.fixture
def scene():
    return scene_of(*take_of([0.0, 0.4], [-6.0, -9.0], seconds=0.8, bleed_dbfs=-60.0))


@pytest.mark.parametrize("phase", ["minimum", "none"])
def test_gains_are_those_asked_for(scene, phase):
    # a long noise: levels in a narrow band around each place
    audio = np.random.default_rng(2).standard_normal((1 << 18, 1)) / 10
    noise = scene_of(audio, scene.hits)
    out, decision = treated(Tone(bands=[BODY, DIP, AIR], phase=phase), noise)
    assert decision.step.bands[0].at == 196.0
    hz = np.fft.rfftfreq(len(audio), 1 / RATE)
    gains = 20 * np.log10(np.abs(np.fft.rfft(out[:, 0]) / np.fft.rfft(audio[:, 0])))
    low = (hz > 190) & (hz < 202)
    assert np.median(gains[low]) == pytest.approx(3 - 0.25, abs=0.15)  # the dip reaches down there
    top = (hz > 17_000) & (hz < 19_000)
    assert np.median(gains[top]) == pytest.approx(2, abs=0.1)


def test_the_lane_shows_the_gain_of_every_band(scene):
    curve = Tone(bands=[BODY, DIP, AIR]).decide(scene).curve
    assert curve.layout.names == ("body", "dip", "air")
    assert curve.db.tolist() == [[3, -4, 2]]


def test_the_sheet_says_where_it_is_minimum_phase(scene):
    (note,) = Tone(bands=[DIP]).decide(scene).notes
    assert note.startswith("minimum phase: turns this track by up to 13 degrees (at ")
    assert not Tone(bands=[DIP], phase="none").decide(scene).notes
    assert not Tone(bands=[{**DIP, "gain": 0}]).decide(scene).notes


def test_without_phase_shift_nothing_turns(scene):
    audio = np.zeros((1 << 17, 1))
    audio[1 << 16] = 0.5
    impulse = scene_of(audio, scene.hits)
    out, _ = treated(Tone(bands=[DIP], phase="none"), impulse)
    turned, _ = treated(Tone(bands=[DIP]), impulse)
    before = np.fft.rfft(audio[:, 0])
    around = slice(1000, 2200)  # 366 to 805 Hz
    for done, low, high in ((out, 0, 1e-6), (turned, 12.5, 13.5)):
        degrees = np.rad2deg(np.angle(np.fft.rfft(done[:, 0])[around] / before[around]))
        assert low <= np.abs(degrees).max() < high


def test_a_band_at_0_db_costs_the_others_nothing(scene):
    with_flat, _ = treated(Tone(bands=[DIP, {**AIR, "gain": 0}]), scene)
    alone, _ = treated(Tone(bands=[DIP]), scene)
    assert with_flat.tobytes() == alone.tobytes()


def test_without_a_drum_a_band_at_its_fundamental_stays_at_0_db():
    audio, none = take_of([], [], seconds=0.3)
    out, decision = treated(Tone(bands=[BODY]), scene_of(audio, none))
    assert out.tobytes() == audio.tobytes()
    assert "no fundamental" in decision.notes[0]


@pytest.mark.parametrize(
    ("bands", "accepted"),
    [
        ([], "at least 1"),
        ([DIP, DIP], "a name for each band"),
        ([{**AIR, "width": 1}], "width on a bell only"),
        ([{**DIP, "gain": 30}], "-48 to 24 dB"),
    ],
)
def test_settings_that_cannot_be_are_refused(bands, accepted):
    with pytest.raises(ValidationError, match=accepted):
        Tone(bands=bands)
