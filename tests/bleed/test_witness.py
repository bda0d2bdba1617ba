# SPDX-License-Identifier: GPL-3.0-or-later
"""What other microphones tell: learned from levels whose making is known."""

import numpy as np
import pytest

from dsp.bleed.drum import Strokes
from dsp.bleed.powers import FRAME_S
from dsp.bleed.witness import delay_of, hear, weigh

FRAMES, BANDS = 3000, 3
FIRST = np.arange(200, FRAMES - 100, 300)
LEAK_DB, TRANSFER_DB = -4.0, -8.0
STRENGTH_DB = np.where(np.arange(len(FIRST)) % 3 == 2, -20.0, 0.0)


def made(seed=3, delay=0):
    """Powers of drum, bleed and witness (frames, bands), and the strokes."""
    rng = np.random.default_rng(seed)
    drum = np.full((FRAMES, BANDS), 1e-12)
    for first, strength in zip(FIRST, STRENGTH_DB, strict=True):
        time = np.arange(min(250, FRAMES - first)) * FRAME_S
        drum[first : first + 250] += 10 ** (0.1 * (strength - 200 * time[:, None]))
    bleed = np.full((FRAMES, BANDS), 1e-7)
    for at in [*range(60, FRAMES, 190), *FIRST[1::2]]:
        time = np.arange(min(150, FRAMES - at)) * FRAME_S
        loud = 10 ** (0.1 * rng.uniform(-18, -12))
        bleed[at : at + 150] += loud * 10 ** (-8 * time[:, None])
    witness = 10 ** (0.1 * LEAK_DB) * drum + 10 ** (-0.1 * TRANSFER_DB) * bleed
    following = np.append(FIRST[1:], FRAMES)
    return drum, bleed, np.roll(witness, delay, axis=0), Strokes(FIRST, following, STRENGTH_DB)


def db(power):
    return (10 * np.log10(power)).astype(np.float32)


def heard(witness, drum, bleed, strokes):
    hidden = np.zeros(FRAMES, np.bool_)
    for first in strokes.first:
        hidden[first - 6 : first + 4] = True
    return hear(db(drum + bleed), db(witness), db(drum), hidden, strokes)


def gains_of(testimony, drum, bleed, tracked_db=-60.0):
    gains = np.full((FRAMES, BANDS), -1.0, np.float32)
    tracked = np.full_like(gains, tracked_db)
    weigh(db(drum + bleed), db(drum), tracked, [testimony], (2.5, 12.0, 0.7), gains)
    return gains


def test_transfer_and_leak_are_learned():
    drum, bleed, witness, strokes = made()
    said = heard(witness, drum, bleed, strokes)
    # where bleed sounds in all strokes alike, later in them, it is taken for a part of the leak
    np.testing.assert_allclose(said.leak[FIRST[:, None] + np.arange(8)], LEAK_DB, atol=1.0)
    np.testing.assert_allclose(said.leak[FIRST[:, None] + np.arange(8, 90)], LEAK_DB, atol=3.0)
    loud = bleed > 30 * drum
    assert abs(np.median((said.transfer[loud]) - TRANSFER_DB)) < 0.5
    assert (said.spread < 4).all()


@pytest.mark.parametrize("delay", [-7, 0, 3, 8])
def test_the_delay_of_a_witness_is_found(delay):
    drum, bleed, witness, _ = made(delay=delay)
    assert delay_of(db(witness), db(drum + bleed)) == delay


def test_bleed_at_the_moment_of_a_ghost_is_told_from_it():
    drum, bleed, witness, strokes = made()
    ghosts = FIRST[STRENGTH_DB < -10]
    gains = gains_of(heard(witness, drum, bleed, strokes), drum, bleed)
    share = drum / (drum + bleed)
    covered = [first + t for first in ghosts for t in range(5, 40) if share[first + t, 0] < 0.2]
    clear = [first + t for first in ghosts for t in range(5, 40) if share[first + t, 0] > 0.9]
    assert len(covered) > 20
    assert len(clear) > 10
    assert gains[covered].max() < -6
    assert np.median(gains[clear]) > -1.5


@pytest.mark.parametrize("gain_db", [-23.0, 17.5])
def test_the_gain_of_a_witness_changes_nothing(gain_db):
    drum, bleed, witness, strokes = made()
    plain = gains_of(heard(witness, drum, bleed, strokes), drum, bleed)
    louder = 10 ** (0.1 * gain_db) * witness
    np.testing.assert_allclose(
        gains_of(heard(louder, drum, bleed, strokes), drum, bleed), plain, atol=0.01
    )


def test_the_track_itself_as_its_witness_adds_no_bleed():
    drum, bleed, _, strokes = made()
    gains = gains_of(heard(drum + bleed, drum, bleed, strokes), drum, bleed)
    clear = drum > 100 * bleed
    assert gains[clear].min() > -1.5


def test_what_is_unrelated_is_not_listened_to():
    drum, bleed, _, strokes = made()
    rng = np.random.default_rng(8)
    slow = np.repeat(rng.uniform(-70, 0, (FRAMES // 50, 1)), 50, axis=0) + np.zeros(BANDS)
    said = heard(10 ** (0.1 * slow), drum, bleed, strokes)
    assert np.isinf(said.spread).all()
    assert (gains_of(said, drum, bleed) == -1).all()
