# SPDX-License-Identifier: GPL-3.0-or-later
"""Matching: what comes out is equally loud when it is measured again."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.compare.loudness import level_db, loudness, stroke_level_db
from dsp.compare.match import CEILING_DBTP, match
from dsp.true_peak import true_peak_dbtp
from tests.compare.sounds import RATE, hit_map, strokes, tone

BUSY = hit_map(list(range(2000, 10 * RATE, 12_000)), [n % 3 == 2 for n in range(40)], 10 * RATE)
SPARSE = hit_map([5000, 200_000], [False, False], 10 * RATE)


def noise(level: float, seed: int = 5, frames: int = 10 * RATE) -> np.ndarray:
    return level * np.random.default_rng(seed).standard_normal((frames, 1))


def variants(hits):
    """The same strokes: as they are, without what lies between, and softer and longer."""
    raw = strokes(hits) + noise(0.003)
    return (raw, 0.6 * strokes(hits), 2.5 * strokes(hits, decay_s=0.06) + noise(0.01, 6))


def matched(sounds, found, sound="top"):
    return [
        samples * 10 ** (reading.gain_db / 20)
        for samples, reading in zip(sounds[sound], found.readings[sound], strict=True)
    ]


def test_loudness_is_equal_on_measuring_again():
    sounds = {"top": variants(BUSY)}
    found = match(sounds, {"top": BUSY}, 0)
    assert found.methods == {"top": "loudness"}
    again = [loudness(samples, RATE).lufs for samples in matched(sounds, found)]
    assert max(again) - min(again) <= 0.1
    assert "BS.1770" in found.text


def test_raw_keeps_its_level_where_there_is_room():
    sounds = {"top": tuple(0.3 * each for each in variants(BUSY))}
    found = match(sounds, {"top": BUSY}, 0)
    assert found.readings["top"][0].gain_db == found.lowered_db == 0.0
    assert "Nothing had to be lowered" in found.text


def test_few_strokes_are_matched_over_the_strokes():
    sounds = {"top": variants(SPARSE)}
    found = match(sounds, {"top": SPARSE}, 0)
    assert found.methods == {"top": "strokes"}
    assert "level over the strokes" in found.text
    again = [stroke_level_db(samples, SPARSE, 0) for samples in matched(sounds, found)]
    assert max(again) - min(again) <= 0.01


def test_without_strokes_the_whole_stretch_counts():
    nothing = hit_map([], [], RATE)
    sounds = {"top": (noise(0.1, frames=RATE), noise(0.02, 6, RATE))}
    found = match(sounds, {"top": nothing}, 0)
    assert found.methods == {"top": "stretch"}
    again = [level_db(samples) for samples in matched(sounds, found)]
    assert again[0] == pytest.approx(again[1], abs=0.01)


def test_true_peaks_stay_under_the_ceiling_by_lowering_all_alike():
    peaky = 0.05 * tone(300, [(0, 10)])
    peaky[::24_000] = 0.9
    sounds = {"top": (tone(300, [(-1, 10)]), peaky), "bottom": (noise(0.1), noise(0.2, 6))}
    hits = {"top": BUSY, "bottom": BUSY}
    found = match(sounds, hits, 0)
    assert found.lowered_db < -10
    highest = [
        true_peak_dbtp(samples) for sound in sounds for samples in matched(sounds, found, sound)
    ]
    assert max(highest) == pytest.approx(CEILING_DBTP, abs=0.01)
    for sound in sounds:
        assert found.readings[sound][0].gain_db == pytest.approx(found.lowered_db, abs=0.05)
    assert f"{-found.lowered_db:.2f} dB" in found.text


def test_a_sound_so_soft_that_the_absolute_gate_cuts_it_is_still_matched():
    """Blocks near −70 LUFS pass the gate or not depending on the gain."""
    swell = np.linspace(0.01, 1.0, 10 * RATE)[:, None]
    sounds = {"top": (noise(0.1) * swell, noise(1.6e-3, 6) * swell**2)}
    found = match(sounds, {"top": BUSY}, 0)
    again = [loudness(samples, RATE).lufs for samples in matched(sounds, found)]
    assert again[0] == pytest.approx(again[1], abs=0.1)


def test_a_variant_that_is_only_far_softer_is_matched_by_loudness():
    raw = variants(BUSY)[0]
    found = match({"top": (raw, 1e-4 * raw)}, {"top": BUSY}, 0)
    assert found.methods == {"top": "loudness"}
    gains = [each.gain_db for each in found.readings["top"]]
    assert gains[1] - gains[0] == pytest.approx(80.0, abs=0.01)


@pytest.mark.parametrize("residue", [0.0, 1e-9])
def test_silence_gets_no_gain_of_its_own(residue):
    sounds = {"top": (noise(0.1), residue * np.ones((10 * RATE, 1)))}
    found = match(sounds, {"top": hit_map([], [], 10 * RATE)}, 0)
    assert found.readings["top"][1].gain_db == found.lowered_db
    assert found.readings["top"][1].silent
