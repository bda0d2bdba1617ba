# SPDX-License-Identifier: GPL-3.0-or-later
"""How well a part follows and a layer fits, on takes with known truth.

    python -m bench.samples                       all grooves
    python -m bench.samples tom_fills --seed 1    one take, another performance

A set of 7 stages, 2 alternates and 3 microphones of each take's own drum is made in the take's
room; its level at velocity 127 is what velocities are compared by. Run it from the project's root.
Results go to `bench/results`.
"""

from __future__ import annotations

import argparse
import math
import shutil
import tempfile
from pathlib import Path

import mir_eval
import numpy as np
from numpy.typing import NDArray

from bench import report
from bench.hit_measures import f_heard, played_in
from bench.report import Row, Table
from bench.sound import RESULTS, chosen
from dsp.audio import SampleFormat, read_track, write_track
from dsp.hits.given import hits_from
from dsp.hits.hits_file import UNKNOWN, GivenHits
from dsp.samples.following import Part, follow, follow_strokes
from dsp.samples.layer_files import layer
from dsp.samples.layering import Plan, Reader, plan_layer, render_stem
from dsp.samples.placing import fundamental_at, sum_gain_db
from dsp.samples.sample_set import Sample, SampleSet
from dsp.samples.stroke_levels import stroke_levels_dbfs
from dsp.samples.turns import Stroke
from dsp.take import Samples
from tests.open_takes import takes
from tests.open_takes.takes import OpenTake
from tests.samples.sets import full_level, make_set, strokes_alone

NEAR_S, NEARLY_S = 0.001, 0.002
VELOCITY_WITHIN = 4
REACH_MS = 2.0
SHOWN = "nearly_clean"

FOLLOW = Table(
    "Following the drummer",
    "F at ±1 ms and ±2 ms, one to one; heard: strokes under everything else are not missed; share "
    "of strokes whose velocity is within 4 of the truth: of those found, with the set's level "
    "known and without a set; and of all that were played, with their true places given and the "
    "set's level known.",
    {
        "f_1": "F ±1 ms",
        "f_1_heard": "heard",
        "f_2": "F ±2 ms",
        "velocity": "velocity",
        "velocity_alone": "no set",
        "velocity_given": "places given",
    },
    percent=frozenset({"velocity", "velocity_alone", "velocity_given"}),
    decimals=(("f_1", 3), ("f_1_heard", 3), ("f_2", 3)),
)
LAYER = Table(
    "Layering the drum's own samples",
    "Strokes at their true places, through the part. Level from the clean real stroke, dB, median; "
    "samples from the true arrival, median, and share within 2; share whose sum at the fundamental "
    "is not lower than the louder of the two, each stroke alone, and with the tails of those "
    "before it.",
    {
        "level": "level",
        "moved": "samples",
        "within_2": "within 2",
        "adds": "adds",
        "adds_with_tails": "with tails",
    },
    percent=frozenset({"within_2", "adds", "adds_with_tails"}),
    decimals=(("level", 2),),
)


def follow_row(take: OpenTake, full_dbfs: float) -> Row:
    """Places and velocities against the truth."""
    samples = take.tracks["top"][:, None]
    part = follow_strokes(samples, take.rate, full_dbfs=full_dbfs)
    alone = follow_strokes(samples, take.rate)
    given = follow_strokes(samples, take.rate, full_dbfs=full_dbfs, hits=true_hits(take))
    played, found = take.arrivals() / take.rate, part.hits.time_s
    return {
        "f_1": mir_eval.onset.f_measure(played, found, window=NEAR_S)[0],
        "f_1_heard": f_heard(part.hits.onset, played_in(take), take.rate, NEAR_S),
        "f_2": mir_eval.onset.f_measure(played, found, window=NEARLY_S)[0],
        "velocity": _velocities(take, part),
        "velocity_alone": _velocities(take, alone),
        "velocity_given": _velocities(take, given),
    }


def true_hits(take: OpenTake) -> GivenHits:
    """The strokes of a take as if a hits file gave them."""
    at = take.arrivals()
    unknown = np.full(len(at), UNKNOWN, dtype=np.int64)
    return GivenHits(at, unknown, unknown, "truth", "")


def _velocities(take: OpenTake, part: Part) -> float:
    played = take.arrivals() / take.rate
    pairs = mir_eval.util.match_events(played, part.hits.time_s, NEARLY_S)
    truth = [one.velocity for one in take.strokes]
    apart = [abs(int(part.velocity[found]) - truth[right]) for right, found in pairs]
    return float(np.mean(np.array(apart) <= VELOCITY_WITHIN)) if apart else math.nan


def layer_row(take: OpenTake, folder: Path) -> Row:
    """Level, place and sum of every layered stroke against the real one."""
    samples = make_set(folder / take.name, take)

    def read(sample: Sample, microphone: str) -> Samples:
        return read_track(samples.path(sample, microphone)).samples

    plan, hz = _planned(take, samples, read)
    stem = render_stem(plan, "close", len(take.tracks["top"]), read)
    clean, at = take.snare["top"], take.arrivals()
    level = stroke_levels_dbfs(stem, at, take.rate)
    level = level - stroke_levels_dbfs(clean[:, None], at, take.rate)
    moved = np.abs([placed.delay for placed in plan.placed])
    stops = np.append(at[1:], len(clean))
    both = [
        sum_gain_db(
            fundamental_at(clean, int(a), int(b), hz, take.rate),
            fundamental_at(stem[:, 0], int(a), int(b), hz, take.rate),
        )
        for a, b in zip(at, stops, strict=True)
    ]
    return {
        "level": float(np.median(np.abs(level))),
        "moved": float(np.median(moved)),
        "within_2": float(np.mean(moved <= 2)),
        "adds": float(np.mean(_alone(take, plan, read, stops, hz) >= 0)),
        "adds_with_tails": float(np.mean(np.array(both) >= 0)),
    }


def _planned(take: OpenTake, samples: SampleSet, read: Reader) -> tuple[Plan, float]:
    track, hits = take.tracks["top"][:, None], true_hits(take)
    part = follow_strokes(track, take.rate, full_dbfs=samples.full_dbfs, hits=hits)
    hz = hits_from(track, take.rate, hits).fundamental_hz
    rows = zip(hits.onset, part.velocity, strict=True)
    strokes = [Stroke(int(at), int(velocity)) for at, velocity in rows]
    reach = round(REACH_MS * take.rate / 1000)
    return plan_layer(samples, strokes, track, reach, hz, read), hz


def _alone(
    take: OpenTake, plan: Plan, read: Reader, stops: NDArray[np.int64], hz: float
) -> NDArray[np.float64]:
    """Gain of each sum at the fundamental, real stroke and layered one each without any other."""
    gains = []
    for placed, real, stop in zip(plan.placed, strokes_alone(take), stops, strict=True):
        turn = placed.turn
        sound = read(turn.sample, "close")[:, 0] * plan.polarity * 10 ** (turn.gain_db / 20)
        begins, span = turn.sample.onset - placed.delay, int(stop) - turn.stroke.at
        one = fundamental_at(real, 0, span, hz, take.rate)
        gains.append(sum_gain_db(one, fundamental_at(sound, begins, begins + span, hz, take.rate)))
    return np.array(gains)


def draw(name: str, path: Path) -> None:
    """The picture of a layer under the strokes that are found on a take."""
    take = takes.make(name)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        top, song, made = home / "top.wav", home / "song.mid", home / "snare"
        write_track(top, take.tracks["top"][:, None], take.rate, SampleFormat("wav", "pcm24"))
        make_set(made, take)
        follow(top, song, samples_from=made)
        layer(made, song, top, home / "layer")
        shutil.copyfile(home / "layer" / "layer.png", path)


def main() -> None:
    """Measure, print and save."""
    parser = argparse.ArgumentParser(prog="python -m bench.samples", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("takes", nargs="*", help="names, or parts of names; all grooves when none")
    parser.add_argument("--seed", type=int, default=0, help="another seed is another performance")
    parser.add_argument("--no-save", action="store_true", help="print only")
    given = parser.parse_args()
    rows = {}
    with tempfile.TemporaryDirectory() as folder:
        for name in chosen(given.takes, "grooves"):
            take = takes.make(name, given.seed)
            rows[name] = follow_row(take, full_level(take)) | layer_row(take, Path(folder))
    report.show([FOLLOW, LAYER], rows)
    if not given.no_save and not given.takes:
        about = f"Made by `python -m bench.samples`, seed {given.seed}."
        report.save([FOLLOW, LAYER], rows, about, RESULTS, "samples")
        draw(SHOWN, RESULTS / "layer.png")


if __name__ == "__main__":
    main()
