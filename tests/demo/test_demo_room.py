# SPDX-License-Identifier: GPL-3.0-or-later
"""Delays, levels and the room."""

import numpy as np
import pytest

from dsp.demo.room import (
    MICROPHONES,
    PLACES,
    TAIL_FROM,
    Channel,
    Convolver,
    delay_samples,
    direct_gain,
    distance,
    room_response,
)

OMNI = Channel((0.0, 0.0, 1.0), None, 1.0)
CLOSE = Channel((0.0, 0.0, 1.0), (1.0, 0.0, 0.0), 1.0)


@pytest.mark.parametrize(
    ("metres", "exact"), [(0.05, 6.99), (0.3, 41.96), (0.5, 69.93), (1, 139.86)]
)
def test_delays_are_those_of_sound_at_twenty_degrees(metres, exact):
    # Worked from 331.3 · √(1 + 20/273.15) = 343.2 m/s
    assert abs(delay_samples(metres, 48_000) - exact) <= 0.5
    assert abs(delay_samples(metres, 192_000) - 4 * exact) <= 0.52


def test_level_falls_with_distance():
    near, far = direct_gain(OMNI, (0.5, 0.0, 1.0)), direct_gain(OMNI, (2.0, 0.0, 1.0))
    assert 20 * np.log10(near / far) == pytest.approx(12.041, abs=1e-3)
    assert direct_gain(OMNI, (0.0, 1.0, 1.0)) == pytest.approx(1.0)


def test_a_close_microphone_hears_what_it_is_aimed_at():
    front = direct_gain(CLOSE, (1.0, 0.0, 1.0))
    side = direct_gain(CLOSE, (0.0, 1.0, 1.0))
    back = direct_gain(CLOSE, (-1.0, 0.0, 1.0))
    assert (front, side, back) == pytest.approx((1.0, 0.5, 0.2))


def test_the_drum_shades_the_microphone_under_it():
    under = MICROPHONES["bottom"][0]
    mirrored = Channel(under.place, None, 1.0)
    assert direct_gain(under, PLACES["crash"]) < 0.45 * direct_gain(mirrored, PLACES["crash"])


def test_nothing_arrives_before_the_direct_sound_and_the_tail_dies():
    rate = 48_000
    response = room_response(OMNI, PLACES["crash"], rate, np.random.default_rng(1))
    direct = delay_samples(distance(OMNI.place, PLACES["crash"]), rate)
    first = np.flatnonzero(response)[0]
    assert first > direct
    # The nearest mirror image is the one in the floor.
    image = (PLACES["crash"][0], PLACES["crash"][1], -PLACES["crash"][2])
    assert first == delay_samples(distance(OMNI.place, image), rate)
    parts = response[direct + round(TAIL_FROM * rate) :][: 16 * 1_000].reshape(16, -1)
    level = 10 * np.log10(np.mean(parts**2, axis=1))
    seconds = 10_000 / rate
    t60 = 60 * seconds / (level[4] - level[14])
    assert 0.27 < t60 < 0.45


def test_the_tail_is_as_loud_as_the_critical_distance_says():
    rate = 48_000
    response = room_response(CLOSE, PLACES["hat"], rate, np.random.default_rng(1))
    volume, t60 = 6.5 * 8.0 * 3.1, 0.42
    critical = 0.057 * np.sqrt(volume / t60)
    wanted = 10 ** (-6 * TAIL_FROM / t60) / 3 / critical**2
    assert np.sum(response**2) == pytest.approx(wanted, rel=1e-9)


def test_the_room_is_repeatable_and_each_place_has_its_own():
    def of(seed):
        return room_response(OMNI, PLACES["hat"], 48_000, np.random.default_rng(seed))

    assert np.array_equal(of(1), of(1))
    assert not np.array_equal(of(1), of(2))


@pytest.mark.parametrize("frames", [50, 3_000])
def test_convolver_is_a_convolution(frames):
    rng = np.random.default_rng(1)
    samples, response = rng.standard_normal(frames), rng.standard_normal(300)
    plain = np.convolve(samples, response)[:frames]
    assert Convolver(samples, 300).apply(response) == pytest.approx(plain, abs=1e-10)
