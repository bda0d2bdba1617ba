# SPDX-License-Identifier: GPL-3.0-or-later
"""Tails that ring on, and tails that yield."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dsp.audio import SampleFormat, read_track, write_track
from dsp.samples.layering import Plan, plan_layer, render_stem
from dsp.samples.placing import fundamental_at, sum_gain_db
from dsp.samples.sample_set import Sample, SampleSet
from dsp.samples.tails import Ringing, faded, tail_at
from dsp.samples.turns import Stroke
from dsp.take import Samples

RATE = 48_000
HZ = 200.0
MICROPHONES = ("near", "room")


@pytest.mark.parametrize("after", [-2000, -700, 0, 700, 3999, 9000])
def test_a_tail_fades_within_30_ms_and_what_was_before_stays(after: int) -> None:
    sound = np.random.default_rng(1).standard_normal((4000, 2))
    kept = sound.copy()
    left = faded(sound, after, RATE)
    wanted = np.array([
        one * np.cos(np.pi / 2 * min(max(n - after + 1, 0) / 1440, 1)) ** 2
        for n, one in enumerate(sound)
    ])  # fmt: skip
    wanted[max(after + 1440, 0) :] = 0
    np.testing.assert_allclose(left, wanted[: len(left)], atol=1e-15)
    assert not wanted[len(left) :].any()
    np.testing.assert_array_equal(sound, kept)


def test_what_tails_hold_together_is_what_their_sum_holds() -> None:
    rng = np.random.default_rng(2)
    ringing = [Ringing(n, start, rng.standard_normal(6000)) for n, start in enumerate((0, 2500))]
    track = np.zeros(12_000)
    for early in ringing:
        track[early.start : early.end] += early.sound
    assert tail_at(ringing, 4000, 9000, HZ, RATE) == pytest.approx(
        fundamental_at(track, 4000, 9000, HZ, RATE)
    )
    assert tail_at([], 4000, 9000, HZ, RATE) == 0


def ring(hz: float, count: int) -> np.ndarray:
    """A long ring with a stroke's noise ahead of it."""
    time = np.arange(count) / RATE
    noise = np.random.default_rng(3).standard_normal(count) * np.exp(-time / 0.003)
    return np.sin(2 * np.pi * hz * time) * np.exp(-time / 0.3) + 0.8 * noise


def clashing(folder: Path, apart_s: float) -> tuple[Plan, np.ndarray, SampleSet]:
    """A set that rings a little flat, so that its tail turns against the drum's; two strokes."""
    write = (folder / "near.wav", folder / "room.wav")
    for path in write:
        write_track(
            path, 0.2 * ring(HZ - 1.25, 40_000)[:, None], RATE, SampleFormat("wav", "float32")
        )
    files = dict(zip(MICROPHONES, ("near.wav", "room.wav"), strict=True))
    one = Sample(1, 1, 1, 127, -20.0, 0.0, 0, 0, files)
    samples = SampleSet(folder, "flat", RATE, 0, MICROPHONES, (one,), HZ, -20.0)
    track, second = np.zeros(60_000), 2000 + round(apart_s * RATE)
    track[2000:42_000] += 0.2 * ring(HZ, 40_000)
    track[second : second + 9600] += 0.04 * ring(HZ, 9600)
    strokes = [Stroke(2000, 127), Stroke(second, 57)]
    read = reader(samples)
    return plan_layer(samples, strokes, track[:, None], 96, HZ, read), track, samples


def reader(samples: SampleSet):  # type: ignore[no-untyped-def]
    def read(sample: Sample, microphone: str) -> Samples:
        return read_track(samples.path(sample, microphone)).samples

    return read


def test_a_tail_that_rings_against_the_drum_yields_on_the_close_stem_alone(tmp_path: Path) -> None:
    plan, track, samples = clashing(tmp_path, 0.4)
    first, second = plan.placed
    at = second.turn.stroke.at
    assert (first.yields_at, second.yields_at) == (at, None)
    stems = [render_stem(plan, name, len(track), reader(samples))[:, 0] for name in MICROPHONES]
    real = fundamental_at(track, at, len(track), HZ, RATE)
    near, room = (sum_gain_db(real, fundamental_at(s, at, len(s), HZ, RATE)) for s in stems)
    assert near >= 0 > room
    np.testing.assert_array_equal(
        stems[0][: min(at, second.start)], stems[1][: min(at, second.start)]
    )


def test_a_tail_that_rings_with_the_drum_rings_on(tmp_path: Path) -> None:
    plan, track, samples = clashing(tmp_path, 0.05)
    assert [placed.yields_at for placed in plan.placed] == [None, None]
    near, room = (render_stem(plan, name, len(track), reader(samples)) for name in MICROPHONES)
    np.testing.assert_array_equal(near, room)
