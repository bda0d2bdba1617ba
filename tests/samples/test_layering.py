# SPDX-License-Identifier: GPL-3.0-or-later
"""A set under a groove of the same drum, both with known truth: level, time, and what adds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from dsp.audio import read_track
from dsp.hits.given import hits_from
from dsp.hits.hits_file import UNKNOWN, GivenHits
from dsp.samples.following import follow_strokes
from dsp.samples.layering import Plan, plan_layer, render_stem
from dsp.samples.placing import fundamental_at, sum_gain_db
from dsp.samples.sample_set import Sample, SampleSet
from dsp.samples.stroke_levels import stroke_levels_dbfs
from dsp.samples.turns import Stroke, in_turn
from dsp.take import Samples
from tests.open_takes import needed, takes
from tests.samples.sets import RATE, make_set, strokes_alone

GROOVES = ("backbeat_ghosts", "fast_alternating", "tom_fills", "nearly_clean")
REACH = 96
LATE_BY = 20  # samples that a part may be off


@dataclass(frozen=True)
class Case:
    take: takes.OpenTake
    samples: SampleSet
    plan: Plan
    late: np.ndarray
    hz: float

    def read(self, sample: Sample, microphone: str) -> Samples:
        return read_track(self.samples.path(sample, microphone)).samples

    @property
    def apart(self) -> np.ndarray:
        """How far each layered stroke lies from the real arrival, samples."""
        return self.late + [placed.delay for placed in self.plan.placed]


def make_case(name: str, folder: Path, polarity: int = 1) -> Case:
    take = takes.make(name)
    samples = make_set(folder / name, take, polarity=polarity)
    track, at = take.tracks["top"][:, None], take.arrivals()
    unknown = np.full(len(at), UNKNOWN)
    given = GivenHits(at, unknown, unknown, "hits.csv", "0")
    part = follow_strokes(track, RATE, full_dbfs=samples.full_dbfs, hits=given)
    late = np.random.default_rng(1).integers(-LATE_BY, LATE_BY + 1, len(at))
    strokes = [Stroke(int(a), int(v)) for a, v in zip(at + late, part.velocity, strict=True)]
    hz = hits_from(track, RATE, given).fundamental_hz
    case = Case(take, samples, Plan((), 1, "close", RATE), late, hz)
    plan = plan_layer(samples, strokes, track, REACH, hz, case.read)
    return Case(take, samples, plan, late, hz)


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> list[Case]:
    needed.recordings()
    folder = tmp_path_factory.mktemp("sets")
    return [make_case(name, folder) for name in GROOVES]


def test_strokes_have_the_level_of_the_real_ones(cases: list[Case]) -> None:
    """Bar: 0.5 dB, median."""
    apart = []
    for case in cases:
        stem = render_stem(case.plan, "close", len(case.take.tracks["top"]), case.read)
        at = case.take.arrivals()
        real = stroke_levels_dbfs(case.take.snare["top"][:, None], at, RATE)
        apart += np.abs(stroke_levels_dbfs(stem, at, RATE) - real).tolist()
    assert len(apart) > 190
    assert np.median(apart) < 0.5


def test_strokes_lie_on_the_real_arrival(cases: list[Case]) -> None:
    """Bar: 2 samples, of a part that is up to 20 samples off."""
    apart = np.abs(np.concatenate([case.apart for case in cases]))
    assert np.median(apart) <= 1
    assert np.mean(apart <= 2) >= 0.95


def test_the_sum_is_not_lower_at_the_fundamental_than_the_louder_of_the_two(
    cases: list[Case],
) -> None:
    """Bar: 99 % of the strokes; each real one alone and each layered one alone."""
    gains = []
    for case in cases:
        stops = [*case.take.arrivals()[1:].tolist(), len(case.take.tracks["top"])]
        alone = strokes_alone(case.take)
        rows = zip(case.plan.placed, alone, case.take.arrivals(), stops, case.apart, strict=True)
        for placed, real, at, stop, apart in rows:
            sound = case.read(placed.turn.sample, "close")[:, 0]
            sound = sound * case.plan.polarity * 10 ** (placed.turn.gain_db / 20)
            begins, span = placed.turn.sample.onset - int(apart), int(stop - at)
            one = fundamental_at(real, 0, span, case.hz, RATE)
            other = fundamental_at(sound, begins, begins + span, case.hz, RATE)
            gains.append(sum_gain_db(one, other))
    assert np.mean(np.array(gains) >= 0) >= 0.99


def test_groups_keep_their_own_delays(cases: list[Case]) -> None:
    case = cases[0]
    frames = len(case.take.tracks["top"])
    for microphone in case.samples.microphones:
        stem = render_stem(case.plan, microphone, frames, case.read)
        first = case.plan.placed[0]
        sound = case.read(first.turn.sample, microphone)
        span = min(case.plan.placed[1].start - first.start, len(sound))
        part = stem[first.start : first.start + span]
        np.testing.assert_allclose(
            part, case.plan.polarity * 10 ** (first.turn.gain_db / 20) * sound[:span], atol=1e-12
        )
        assert not stem[: first.start].any()


def test_a_set_of_the_other_polarity_is_turned(tmp_path: Path) -> None:
    needed.recordings()
    case = make_case("half_time", tmp_path, polarity=-1)
    assert case.plan.polarity == -1
    assert np.median(np.abs(case.apart)) <= 1
    assert min(placed.correlation for placed in case.plan.placed[:3]) > 0.5


def test_without_reach_nothing_moves(cases: list[Case]) -> None:
    case = cases[0]
    strokes = [placed.turn.stroke for placed in case.plan.placed]
    track = case.take.tracks["top"][:, None]
    plan = plan_layer(case.samples, strokes, track, 0, case.hz, case.read)
    assert all(placed.delay == 0 for placed in plan.placed)


def test_alternates_follow_each_other_within_their_stage(cases: list[Case]) -> None:
    samples = cases[0].samples
    loud, soft = samples.samples[-1], samples.samples[0]
    velocities = [loud.velocity_high] * 3 + [soft.velocity_low] + [loud.velocity_high] * 2
    turns = in_turn(samples, [Stroke(n, v) for n, v in enumerate(velocities)])
    assert [turn.sample.alternate for turn in turns] == [1, 2, 1, 1, 2, 1]
    assert [turn.sample.stage for turn in turns] == [7, 7, 7, 1, 7, 7]
    for turn in turns:
        level = turn.sample.level_dbfs + turn.sample.gain_db + turn.gain_db
        assert level == pytest.approx(samples.level_at(turn.stroke.velocity))


def test_strokes_at_the_ends_are_cut_off_there(cases: list[Case]) -> None:
    case = cases[0]
    frames = 5000
    strokes = [Stroke(0, 100), Stroke(frames - 1, 100)]
    plan = plan_layer(case.samples, strokes, np.zeros((frames, 1)), 0, None, case.read)
    stem = render_stem(plan, "room", frames, case.read)
    assert stem.shape == (frames, 1)
    sound = case.read(plan.placed[0].turn.sample, "room")[case.samples.lead :]
    gain = 10 ** (plan.placed[0].turn.gain_db / 20)
    np.testing.assert_allclose(stem[: frames - 3], gain * sound[: frames - 3], atol=1e-12)
