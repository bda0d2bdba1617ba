# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes that no power tells of, and the last look."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from dsp.hits import find_hits
from dsp.hits.alike import Likeness, settle
from dsp.hits.candidates import add_candidates, keep_apart, listen, look_again, measure_track
from dsp.hits.evidence import MEASURES, load_weights
from dsp.hits.hearing import hear
from dsp.hits.possible import Possible, find_possible, is_stroke
from tests.hits import drums

RATE = drums.RATE
MODES = drums.two_headed(190.0, 1.5, -3.0)


def alike_track(ghost_db, *, alike=True, bleed_db=-50.0):
    """Full strokes and ghosts under noise that is dull as a room's; where they are.

    Strokes are alike but for a tenth, or share nothing but their modes.
    """
    rng = np.random.default_rng(8)
    full = (0.3 + 0.5 * np.arange(20)) * RATE
    ghosts = full[:-1] + 0.27 * RATE + rng.integers(-500, 500, 19)
    noise = lfilter([1.0], [1.0, -0.9], rng.standard_normal(round(10.6 * RATE)))
    noise *= np.minimum(np.arange(len(noise)) / 4800, 1.0)
    x = 10 ** (bleed_db / 20) / noise.std() * noise
    played = [(at, 0.0) for at in full] + [(at, ghost_db) for at in ghosts]
    for n, (at, level) in enumerate(played):
        own, common = drums.stroke(MODES, 0.0, 100 + n), drums.stroke(MODES, 0.0, 1)
        sound = 0.1 * own + 0.9 * common if alike else own
        x[int(at) : int(at) + len(sound)] += 10 ** (level / 20) * sound[: len(x) - int(at)]
    return x[:, None], full.astype(np.int64), ghosts.astype(np.int64)


def told(x):
    """Candidates of x (n, 1) at the second look."""
    heard = hear(x, RATE)
    track = listen(heard.sound, RATE)
    return track, heard, look_again(measure_track(track), RATE, load_weights().first)


def right(found, played):
    """How many of the played are found within 2 ms."""
    return int((np.abs(found[:, None] - played).min(axis=0, initial=10**9) < 96).sum())


def test_ghosts_under_noise_are_found_by_what_strokes_share(monkeypatch):
    x, full, ghosts = alike_track(-20.0, bleed_db=-28.0)
    hits = find_hits(x, RATE)
    assert right(hits.onset, full) == len(full)
    assert right(hits.onset, ghosts) >= 15
    assert len(hits) == len(full) + right(hits.onset, ghosts)
    monkeypatch.setattr("dsp.hits.possible.learn_beginning", lambda *_: None)
    assert right(find_hits(x, RATE).onset, ghosts) <= 10


@pytest.mark.parametrize("bleed_db", [-20.0, -28.0, -36.0])
def test_where_strokes_are_not_alike_none_are_made_up(bleed_db):
    x, full, _ = alike_track(-200.0, alike=False, bleed_db=bleed_db)
    hits = find_hits(x, RATE)
    assert right(hits.onset, full) == len(full)
    assert len(hits) == len(full)


def test_candidates_that_are_added_are_measured_as_those_that_were_there():
    x, _, _ = alike_track(-20.0)
    track, _, found = told(x)
    out = np.flatnonzero(found.measures[:, len(MEASURES)] > 2.0)[[3, 8, 9]]
    kept = np.delete(np.arange(len(found.positions)), out)
    assert found.drum is not None
    known = replace(found, positions=found.positions[kept], spectra=found.spectra.pick(kept))
    known = replace(known, measures=found.measures[kept], level_db=found.level_db[kept])
    members = np.searchsorted(kept, np.setdiff1d(found.drum.members, out))
    known = replace(known, rises=found.rises[kept], drum=replace(found.drum, members=members))
    again, old, added = add_candidates(track, known, found.positions[out], load_weights().first)
    np.testing.assert_array_equal(again.positions, found.positions)
    np.testing.assert_array_equal(added, out)
    np.testing.assert_array_equal(old, kept)
    np.testing.assert_allclose(again.level_db, found.level_db, rtol=1e-12)
    np.testing.assert_allclose(again.spectra.after, found.spectra.after, rtol=1e-5)
    np.testing.assert_allclose(again.rises, found.rises, rtol=1e-12)
    np.testing.assert_allclose(again.measures[:, :-2], found.measures[:, :-2], rtol=1e-4, atol=1e-4)
    assert again.drum is not None
    np.testing.assert_array_equal(again.drum.members, np.setdiff1d(found.drum.members, out))


def test_adding_no_candidates_changes_nothing():
    x, _, _ = alike_track(-20.0)
    track, _, found = told(x)
    again, old, added = add_candidates(track, found, np.zeros(0, np.int64), load_weights().first)
    assert len(added) == 0
    np.testing.assert_array_equal(old, np.arange(len(found.positions)))
    np.testing.assert_array_equal(again.measures, found.measures)


def test_possible_strokes_are_in_order_and_belong_to_candidates():
    x, _, _ = alike_track(-30.0)
    track, _, found = told(x)
    found, possible = find_possible(track, found, load_weights())
    assert (np.diff(possible.onset) > 0).all()
    assert np.abs(found.positions[possible.index] - possible.onset).max() < 0.012 * RATE


def one_possible(score, like, matched):
    """A thing that may be a stroke."""
    one = np.array([1000])
    likeness = Likeness(np.array([0]), np.array([like]), np.array([like]), np.array([0]), one > 0)
    return Possible(np.array([0]), one, np.array([score]), np.array([matched]), likeness)


def test_the_last_look_hears_a_match_where_the_spectrum_is_unsure():
    last = load_weights().last
    assert not is_stroke(one_possible(-3.0, 0.5, 4.0), last, RATE)
    assert is_stroke(one_possible(-3.0, 0.5, 20.0), last, RATE)


@pytest.mark.parametrize("matched", [-5.0, 0.0, 3.9])
def test_a_match_that_noise_may_have_is_as_good_as_none(matched):
    none = one_possible(-2.0, 0.5, 0.0).measures()
    np.testing.assert_array_equal(one_possible(-2.0, 0.5, matched).measures(), none)


def test_where_the_spectrum_is_sure_no_match_is_needed():
    none, some = one_possible(4.0, 0.3, 0.0).measures(), one_possible(4.0, 0.3, 11.0).measures()
    np.testing.assert_array_equal(none, some)


def test_of_what_starts_within_12_ms_the_most_certain_is_kept():
    at = np.array([0, 300, 700, 2000, 2100])
    certain = np.array([0.5, 0.9, 0.8, 0.3, 0.6])
    np.testing.assert_array_equal(keep_apart(at, certain, 0.4, RATE), [1, 4])
    np.testing.assert_array_equal(keep_apart(at, certain, 0.2, 4 * RATE), [1])
    np.testing.assert_array_equal(keep_apart(at, certain, 0.95, RATE), [])


def test_what_is_more_alike_elsewhere_settles_there():
    off = np.array([100, 100, 100, 5, 1, 20, 20])
    like = np.array([0.6, 0.25, 0.6, 0.8, 0.8, 0.6, 0.6])
    stays = np.array([0.3, 0.0, 0.5, 0.79, 0.8, 0.3, 0.3])
    sure = np.arange(7) == 6
    settled = settle(np.full(7, 1000), Likeness(off, like, stays, np.arange(5), sure), RATE)
    np.testing.assert_array_equal(settled, [1100, 1000, 1000, 1005, 1000, 1000, 1020])
