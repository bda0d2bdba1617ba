# SPDX-License-Identifier: GPL-3.0-or-later
"""Where bleed is seen, and what of it is the drum's own."""

import numpy as np
import pytest

from dsp.bleed.powers import CENTRES_HZ
from dsp.bleed.tracking import (
    KICK_FRAMES,
    MODES,
    SAME_KICK,
    SEEN_DB,
    THUMPS,
    WITH_STROKE,
    own_thumps,
    raise_where_all_rise,
    track,
)

FRAMES, STROKE = 600, 50
BANDS = len(CENTRES_HZ)


def ring(falling_db=0.02):
    """A drum that rings from frame 50 on, quiet in its lowest bands; and the attack's frames."""
    since = np.maximum(np.arange(FRAMES) - STROKE, 0)[:, None]
    drum = np.asfortranarray(-10 - falling_db * since + np.zeros(BANDS), dtype=np.float32)
    drum[:, :THUMPS] -= 25
    hidden = np.zeros(FRAMES, np.bool_)
    hidden[STROKE - 6 : STROKE + 4] = True
    return drum, hidden


def tracked(levels, drum, hidden):
    bleed = np.empty_like(levels)
    thumps = track(levels, levels, drum, hidden, bleed)
    return bleed, thumps


@pytest.mark.parametrize(
    ("length", "own"), [(8, True), (KICK_FRAMES - 1, True), (KICK_FRAMES, False), (90, False)]
)
def test_a_short_excess_under_the_ring_is_the_drums_own(length, own):
    drum, hidden = ring()
    levels = drum.copy(order="F")
    levels[300 : 300 + length, 0] += 15
    bleed, thumps = tracked(levels, drum, hidden)
    assert thumps[300 : 300 + length, 0].all() == own
    assert thumps.sum() == own * length
    assert (bleed[304, 0] < levels[304, 0] - 10) == own


def test_dips_within_a_kick_do_not_make_it_short():
    drum, hidden = ring()
    levels = drum.copy(order="F")
    levels[300:400, 0] += 15
    levels[310 : 310 + SAME_KICK - 1, 0] -= 15
    levels[330 : 330 + SAME_KICK - 1, 0] -= 15
    assert not tracked(levels, drum, hidden)[1].any()


def test_what_the_drum_does_not_cover_is_no_thump():
    drum, hidden = ring()
    levels = drum.copy(order="F")
    levels[300:310, 0] = drum[300].max() + 10
    assert not tracked(levels, drum, hidden)[1].any()


def test_next_to_a_stroke_a_short_excess_may_be_the_rest_of_a_kick():
    drum, hidden = ring()
    seen = np.zeros((FRAMES, BANDS), np.bool_)
    seen[STROKE + 6 : STROKE + 16, 1] = True
    seen[STROKE - 14 : STROKE - 7, 0] = True
    assert not own_thumps(drum, drum, seen, hidden).any()
    assert own_thumps(drum, drum, seen, np.zeros(FRAMES, np.bool_)).sum() == 17


def test_with_a_stroke_less_excess_is_seen_in_the_lowest_bands_only():
    drum, hidden = ring()
    levels = drum + np.float32(SEEN_DB - 2)
    bleed, _ = tracked(np.asfortranarray(levels), drum, hidden)
    soon = slice(STROKE + 10, STROKE + 20)
    np.testing.assert_array_equal(bleed[soon, :THUMPS], levels[soon, :THUMPS])
    assert (bleed[soon, THUMPS:] < levels[soon, THUMPS:] - 5).all()
    levels = drum.copy(order="F")
    levels[STROKE + WITH_STROKE + 20 :] += SEEN_DB - 2
    bleed, _ = tracked(levels, drum, hidden)
    late = slice(STROKE + WITH_STROKE + 20, STROKE + WITH_STROKE + 40)
    assert (bleed[late] < levels[late] - 5).all()


def test_three_bands_that_rise_raise_the_drum_and_two_do_not():
    drum, _ = ring()
    silent = drum - np.float32(60)
    own = np.flatnonzero(MODES)
    for count, raised in ((3, 0.0), (4, 6.0), (7, 6.0)):
        levels = drum.copy(order="F")
        levels[:, own[:count]] += 6
        found = raise_where_all_rise(levels, drum, silent)
        np.testing.assert_allclose(found - drum, raised, atol=1e-4)
        assert found.flags.f_contiguous


def test_bands_with_bleed_tell_nothing_of_the_drum():
    drum, _ = ring()
    levels = np.asfortranarray(drum + np.float32(6))
    np.testing.assert_array_equal(raise_where_all_rise(levels, drum, levels - 10), drum)


@pytest.mark.parametrize(("over", "rise"), [(-5, 0), (4, 4), (10, 10), (40, 40)])
def test_a_stroke_that_was_not_found_is_the_drums_however_loud(over, rise):
    drum, _ = ring()
    levels = np.asfortranarray(drum + np.float32(over))
    found = raise_where_all_rise(levels, drum, drum - np.float32(60))
    np.testing.assert_allclose(found - drum, rise, atol=1e-4)
