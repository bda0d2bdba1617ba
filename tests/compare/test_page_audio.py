# SPDX-License-Identifier: GPL-3.0-or-later
"""The audio graph, rendered offline in a browser, sample by sample."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.compare.browser import Browser

BLOCK = 128
RATE = 48000


@pytest.fixture(scope="module", autouse=True)
def opened(window: Browser, harness_file: Path) -> None:
    window.open(harness_file)


def render(window: Browser, **asked: Any) -> np.ndarray:
    asked = {"frame": 0, "loop": None, "switches": [], "rate": RATE, "live": False, **asked}
    asked["sounds"] = {k: np.atleast_2d(v).tolist() for k, v in asked["sounds"].items()}
    return np.array(window.run("return parts.render(arguments_[0])", asked))


def noise(seed: int, frames: int) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-0.5, 0.5, frames).astype(np.float32)


@pytest.mark.parametrize("live", [False, True])
def test_switching_takes_one_block_and_is_exact_on_both_sides(window: Browser, live: bool) -> None:
    a, b = noise(1, 6000), noise(2, 6000)
    switch = 20 * BLOCK
    out = render(
        window,
        sounds={"a": a, "b": b},
        first="a",
        frames=6000,
        switches=[{"name": "b", "at": switch}],
        live=live,
    )[0]
    np.testing.assert_array_equal(out[BLOCK:switch], a[BLOCK:switch])
    np.testing.assert_array_equal(out[switch + BLOCK :], b[switch + BLOCK :])


def test_switching_does_not_click(window: Browser) -> None:
    frames, switch = 6000, 20 * BLOCK
    out = render(
        window,
        sounds={"a": np.full(frames, 0.25), "b": np.full(frames, 0.75), "c": np.full(frames, 0.25)},
        first="a",
        frames=frames,
        switches=[{"name": "b", "at": switch}, {"name": "c", "at": 2 * switch}],
    )[0]
    steps = np.diff(out[BLOCK:])
    assert (np.diff(out[switch : switch + BLOCK + 1]) >= 0).all()
    assert (np.diff(out[2 * switch : 2 * switch + BLOCK + 1]) <= 0).all()
    assert np.abs(steps).max() < 1.01 * 0.5 / BLOCK


def test_gains_of_a_switch_sum_to_one(window: Browser) -> None:
    a = noise(3, 6000)
    out = render(
        window,
        sounds={"a": a, "b": a},
        first="a",
        frames=6000,
        switches=[{"name": "b", "at": 3000}, {"name": "a", "at": 4000}],
    )[0]
    np.testing.assert_allclose(out[BLOCK:], a[BLOCK:], rtol=0, atol=1e-7)


def test_a_switch_asked_for_in_the_middle_of_another_waits_for_it(window: Browser) -> None:
    sounds = {"a": np.zeros(6000), "b": np.full(6000, 0.5), "c": np.full(6000, 1.0)}
    at = 10 * BLOCK
    asked = [{"name": "b", "at": at}, {"name": "c", "at": at + BLOCK}]
    out = render(window, sounds=sounds, first="a", frames=6000, switches=asked, live=True)[0]
    assert np.abs(np.diff(out[at:])).max() < 1.01 * 0.5 / BLOCK
    np.testing.assert_array_equal(out[at + 2 * BLOCK :], np.ones(6000 - at - 2 * BLOCK))


@pytest.mark.parametrize("rate", [44100, 48000, 88200, 96000, 192000])
def test_any_number_of_switches_stays_without_a_click(window: Browser, rate: int) -> None:
    """One after another, at once or later: block ends that differ in a last bit would show."""
    frames = 400 * BLOCK
    sounds = {"a": np.zeros(frames), "b": np.full(frames, 0.5)}
    rng = np.random.default_rng(rate)
    at = BLOCK * np.sort(rng.choice(np.arange(2, 380), 150, replace=False))
    switches = [{"name": "ba"[i % 2], "at": int(frame)} for i, frame in enumerate(at)]
    out = render(
        window, sounds=sounds, first="a", frames=frames, rate=rate, switches=switches, live=True
    )[0]
    assert np.abs(np.diff(out)).max() < 1.01 * 0.5 / BLOCK
    # it is exact outside of the blocks in which it moves, and each switch was heard
    moving = (np.diff(out) != 0).reshape(-1)
    assert int((np.diff(moving.astype(int)) == 1).sum()) > 50


@pytest.mark.parametrize("again", [BLOCK * k for k in (3, 10, 17, 22)])
def test_sounds_are_replaced_without_a_click(window: Browser, again: int) -> None:
    sounds = {"a": np.full(6000, 0.5)}
    out = render(window, sounds=sounds, first="a", frames=4000, again=again)[0]
    assert np.abs(np.diff(out[BLOCK:])).max() < 1.01 * 0.5 / BLOCK
    assert out[again + BLOCK] == 0
    np.testing.assert_array_equal(out[again + 2 * BLOCK :], 0.5)


@pytest.mark.parametrize("rate", [44100, 48000, 96000, 192000])
@pytest.mark.parametrize("frame", [0, 1, 777, 5003])
def test_playing_starts_at_the_very_sample(window: Browser, rate: int, frame: int) -> None:
    a = noise(4, 8000)
    out = render(window, sounds={"a": a}, first="a", frame=frame, frames=2000, rate=rate)[0]
    np.testing.assert_array_equal(out[BLOCK:], a[frame + BLOCK : frame + 2000])


def test_channels_stay_apart_and_one_channel_plays_on_both(window: Browser) -> None:
    left, right = noise(5, 3000), noise(6, 3000)
    sounds = {"two": np.stack([left, right]), "one": left}
    out = render(window, sounds=sounds, first="two", frames=3000)
    np.testing.assert_array_equal(out[:, BLOCK:], np.stack([left, right])[:, BLOCK:])
    out = render(window, sounds=sounds, first="one", frames=3000)
    np.testing.assert_array_equal(out[:, BLOCK:], np.stack([left, left])[:, BLOCK:])


def test_a_loop_repeats_to_the_sample_and_all_paths_with_it(window: Browser) -> None:
    a, b = noise(7, 9000), noise(8, 9000)
    first, stop = 1000, 4001
    length, seam = stop - first, 96  # 2 ms at either end fade, so that a loop does not click
    out = render(
        window,
        sounds={"a": a, "b": b},
        first="a",
        frame=2000,
        loop=[first, stop],
        frames=4 * length,
        switches=[{"name": "b", "at": 2 * length}],
    )[0]
    place = (2000 - first + np.arange(4 * length)) % length
    flat = (place >= seam) & (place < length - seam)
    before = np.arange(4 * length) < 2 * length
    after = np.arange(4 * length) >= 2 * length + 2 * BLOCK
    start = np.arange(4 * length) >= BLOCK
    for part, sound in ((before & flat & start, a), (after & flat, b)):
        np.testing.assert_array_equal(out[part], sound[first + place[part]])
    ends = (place == 0) | (place == length - 1)
    assert np.abs(out[ends]).max() < 0.5 / seam


def test_nothing_sounds_after_the_end(window: Browser) -> None:
    out = render(window, sounds={"a": noise(9, 1000)}, first="a", frames=3000)[0]
    assert not out[1000:].any()


def test_difference_of_a_variant_with_itself_is_silence(window: Browser) -> None:
    script = """
      const { loaded, data } = (await page).controls;
      return data.listen.map((name) => {
        const sound = loaded[1].get(name);
        const out = parts.difference(sound, -3.3, sound, -3.3);
        return out.every((channel) => channel.every((value) => value === 0));
      });"""
    assert window.run(script) == [True, True, True]


def test_raw_less_the_difference_is_the_variant_sample_for_sample(window: Browser) -> None:
    script = """
      const { loaded, data } = (await page).controls;
      const gain = (i, name) => data.variants[i].match_db[name];
      return data.listen.map((name) => [1, 2].map((i) => {
        const raw = loaded[0].get(name)[0];
        const variant = loaded[i].get(name)[0];
        const gone = parts.difference([raw], gain(0, name), [variant], gain(i, name))[0];
        const undo = 10 ** (-gain(0, name) / 20);
        const match = 10 ** (gain(i, name) / 20);
        return gone.every((value, n) =>
          Math.fround((raw[n] * undo - value) * match) === variant[n]);
      }));"""
    assert window.run(script) == [[True, True]] * 3


def test_sounds_are_what_was_put_in_and_the_sum_is_the_tracks(window: Browser) -> None:
    from tests.compare.contents import contents

    script = """
      const { loaded, data } = (await page).controls;
      return data.listen.map((name) => Array.from(loaded[2].get(name)[0].subarray(0, 3000)));"""
    heard = window.run(script)
    variant = contents().variants[2]
    step = 2.0**-23
    for name, samples in zip(("top", "bottom", "sum"), heard, strict=True):
        wanted = variant.sounds[name][:3000, 0]
        assert np.abs(np.array(samples) - wanted).max() < 4 * step, name


def test_a_difference_that_would_not_fit_is_played_lower(window: Browser) -> None:
    script = "return parts.playable([Float64Array.of(0.5, -2, 1)], 0)"
    played = window.run(f"{script}.channels.map((c) => Array.from(c))")
    assert played == [[0.25, -1, 0.5]]
    assert window.run(f"{script}.loweredDb") == pytest.approx(6.0206, abs=1e-4)


def test_levels_are_block_peaks_in_decibels(window: Browser) -> None:
    script = "return Array.from(parts.levels([[0.1, -1, 0, 0, 0.5]], 2, -6))"
    assert window.run(script) == pytest.approx([-6, -120, -12.0206], abs=1e-4)


def test_playing_in_the_page_moves_on_and_switches(window: Browser, harness_file: Path) -> None:
    window.open(harness_file)
    window.get("play").click()
    window.run("globalThis.desk = (await page).listening")
    window.until("return desk.position() > 4800")
    window.press("2")
    assert window.run("return desk.heard") == "variant 1, sum"
    assert window.run("return desk.player.current") == "variant 1, sum"
    assert window.run("return desk.player.context.sampleRate") == RATE
    window.press(" ")
    window.press(" ")
    window.run("desk.select([20000, 30000])")
    assert window.run("return desk.looping")
    for _ in range(5):
        assert 20000 <= window.run("return desk.position()") < 30000
    window.press(" ")
    assert not window.run("return desk.playing")
    assert window.console() == []
