# SPDX-License-Identifier: GPL-3.0-or-later
"""Moves of a fader against a slow twin that goes sample by sample."""

import math

import numpy as np
import pytest

from dsp.moves import SMOOTH, TOLERANCE_DB, Moves, approach, switched, to, trace


def positions(*values):
    return np.array(values, np.int64)


def every(points, frames):
    return np.interp(np.arange(frames), *points)


def twin(moves, first_db, frames):
    """Gain at every sample: the latest move that has started, from where the last one had got."""
    rows = sorted(
        (
            (int(s), k, float(length), float(target), m.glide)
            for k, m in enumerate(moves)
            for s, length, target in zip(m.start, m.length, m.target, strict=True)
        ),
        key=lambda row: row[:2],
    )
    rows = [
        row for row, after in zip(rows, [*rows[1:], (None,)], strict=True) if row[0] != after[0]
    ]
    out, origin = np.full(frames, float(first_db)), first_db
    for row, after in zip(rows, [*rows[1:], (10**9,)], strict=True):
        start, _, length, target, glide = row
        for i in range(max(0, start), min(frames, after[0])):
            part = np.array([(i - start) / length])
            out[i] = target + (origin - target) * float(glide.left(part)[0])
        part = np.array([(after[0] - start) / length])
        origin = target + (origin - target) * float(glide.left(part)[0])
    return out


def test_points_follow_the_moves_within_the_tolerance():
    rng = np.random.default_rng(7)
    for _ in range(20):
        start = np.sort(rng.choice(np.arange(-100, 3000), 12, replace=False))
        smooth = to(start[::3], rng.uniform(-12, 6, 4), rng.uniform(1, 400, 4))
        fast = approach(start[1::3], -15.0, 12.3, 21.0)
        slow = approach(start[2::3], 0.0, 250.0, 21.0)
        moves = [smooth, fast, slow]
        at, db = trace(moves, 0.0, 3000)
        assert (np.diff(at) > 0).all()
        assert at[0] == 0
        assert at[-1] == 2999
        exact = twin(moves, 0.0, 3000)
        # the half cosine is drawn by eight lines, which leave up to 2 % of the move
        assert np.abs(every((at, db), 3000) - exact).max() < 0.02 * 18 + TOLERANCE_DB
        only = [fast, slow]
        found = every(trace(only, 0.0, 3000), 3000)
        assert np.abs(found - twin(only, 0.0, 3000)).max() < 1.5 * TOLERANCE_DB


@pytest.mark.parametrize("depth", [0.5, 6.0, 15.0, 60.0, 120.0])
@pytest.mark.parametrize("constant", [0.5, 4.8, 48.0, 2400.0])
def test_an_approach_is_an_exponential_in_decibels(depth, constant):
    frames = round(20 * constant) + 20
    found = every(trace([approach(positions(5), -depth, constant, depth)], 0.0, frames), frames)
    time = np.maximum(np.arange(frames) - 5, 0) / constant
    exact = -depth * (1 - np.exp(-time))
    # points lie on whole samples, which are coarse where the time constant is a few of them
    assert np.abs(found - exact).max() <= (TOLERANCE_DB if constant >= 1000 else 0.05)
    assert found[-1] == -depth


def test_63_2_percent_after_one_constant_and_10_to_90_in_ln_9():
    # Giannoulis, Massberg, Reiss, JAES 60(6), 2012
    frames = 48_000
    found = every(trace([approach(positions(0), 20.0, 480.0, 20.0)], 0.0, frames), frames)
    assert found[480] / 20 == pytest.approx(1 - math.exp(-1), abs=TOLERANCE_DB / 20)
    ten, ninety = (int(np.argmax(found >= 20 * part)) for part in (0.1, 0.9))
    assert (ninety - ten) / 480 == pytest.approx(math.log(9), abs=0.02)


def test_a_smooth_move_arrives_exactly_and_on_time():
    at, db = trace([to(positions(100), -6.0, 50)], 0.0, 1000)
    found = every((at, db), 1000)
    assert (found[:101] == 0).all()
    assert found[125] == pytest.approx(-3)
    assert (found[150:] == -6).all()


def test_a_move_takes_over_from_where_the_last_one_was():
    first, then = to(positions(0), -10.0, 100), to(positions(50), 0.0, 100)
    found = every(trace([first, then], 0.0, 400), 400)
    assert found[50] == pytest.approx(-5)
    assert np.abs(np.diff(found)).max() < 0.2
    assert found[-1] == 0


def test_of_moves_at_the_same_sample_the_last_counts():
    moves = [to(positions(10), -10.0, 5), to(positions(10), 3.0, 5)]
    assert every(trace(moves, 0.0, 100), 100)[20] == 3.0


def test_no_moves_are_a_constant():
    for moves in ([], [to(positions(), 0.0, 1)]):
        at, db = trace(moves, -4.0, 100)
        assert at.tolist() == [0]
        assert db.tolist() == [-4.0]


@pytest.mark.parametrize("frames", [1, 2, 3])
def test_short_takes_have_points_within_them(frames):
    at, db = trace([to(positions(-10), -6.0, 20)], 0.0, frames)
    assert at.tolist() == sorted({0, frames - 1})
    assert np.isfinite(db).all()


def test_points_that_say_nothing_are_left_out():
    moves = [to(positions(*range(100, 900, 50)), 0.0, 20)]
    at, _ = trace(moves, 0.0, 1000)
    assert at.tolist() == [0, 999]


def test_switching_leaves_out_what_the_next_opening_overtakes():
    opens, stops = positions(100, 200, 600), positions(250, 300, 700)
    found = every(trace(switched(opens, stops, (-20.0, 0.0), (2.0, 10.0)), -20.0, 1000), 1000)
    assert (found[125:300] == 0).all()
    assert found[450] == pytest.approx(-20, abs=0.01)
    assert (found[625:700] == 0).all()


def test_switching_is_back_at_rest_when_asked():
    opens, stops = positions(110, 210), positions(200, 300)
    by, back = positions(95, 195), np.array([20.0, 20.0])
    moves = switched(opens, stops, (0.0, -9.0), (3.0, 500.0), by, back)
    found = every(trace(moves, 0.0, 1000), 1000)
    assert found[150] == pytest.approx(-9, abs=0.01)
    assert found[175] == pytest.approx(-9, abs=0.01)
    assert (found[195:211] == 0).all()
    assert found[250] == pytest.approx(-9, abs=0.01)


def test_what_stops_before_it_opens_does_not_happen_but_is_kept_clear():
    opens, stops = positions(110, 160, 210), positions(900, 150, 300)
    by, back = positions(95, 145, 195), np.full(3, 10.0)
    moves = switched(opens, stops, (0.0, -9.0), (3.0, 500.0), by, back)
    found = every(trace(moves, 0.0, 1000), 1000)
    assert found[130] == pytest.approx(-9, abs=0.02)
    assert (found[145:211] == 0).all()
    assert found[250] == pytest.approx(-9, abs=0.01)


def test_nothing_to_switch_on_is_nothing_to_do():
    assert switched(positions(), positions(), (0.0, -9.0), (3.0, 500.0)) == []


def test_a_glide_goes_from_one_to_nothing():
    for glide in (SMOOTH, approach(positions(0), 1.0, 10.0, 30.0).glide):
        left = glide.left(np.linspace(0, 1.2, 500))
        assert left[0] == 1.0
        assert left[-1] == 0.0
        assert (np.diff(left) <= 0).all()


def test_moves_are_plain_arrays():
    moves = Moves(positions(1), np.ones(1), np.zeros(1))
    assert moves.glide is SMOOTH
