# SPDX-License-Identifier: GPL-3.0-or-later
"""A song's whole snare from one recipe, over four microphones of the demo take."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from dsp.cli.app import run
from dsp.demo.files import write_demo
from dsp.demo.take import make_demo
from dsp.printing import Print, print_take
from dsp.recipe import load_recipe, ready_chain
from dsp.take import Take
from tests.cli import takes

SECONDS = 8.0
PARTS = ("top", "bottom", "overhead", "room", "snare", "kit")


@cache
def take() -> Take:
    return make_demo(SECONDS).take


@cache
def printed(chain: str) -> Print:
    recipe = load_recipe(ready_chain(chain))
    return print_take(Take(take().rate, {n: take().tracks[n] for n in recipe.tracks}), recipe)


def db(x) -> float:
    return 10 * float(np.log10(np.mean(np.square(x))))


def sounding(hits):
    """Where full strokes sound for 60 ms, and where nothing of the drum has sounded for a while."""
    full, quiet = np.zeros(hits.frames, np.bool_), np.ones(hits.frames, np.bool_)
    ms = hits.rate // 1000
    for onset, end, ghost in zip(hits.onset, hits.end, hits.ghost, strict=True):
        if not ghost:
            full[onset : onset + 60 * ms] = True
        quiet[max(onset - 50 * ms, 0) : end + 250 * ms] = False
    assert full.sum() > 0.3 * hits.rate
    assert quiet.sum() > 0.3 * hits.rate
    return full, quiet


def test_overheads_keep_the_snare_without_lifting_what_is_between():
    done = printed("overheads").tracks["overhead"]
    full, quiet = sounding(done.hits)
    before, after = take().tracks["overhead"], done.samples
    assert db(after[full]) - db(before[full]) > 2.0
    assert abs(db(after[quiet]) - db(before[quiet])) < 0.3
    assert np.array_equal(printed("overheads").tracks["top"].samples, take().tracks["top"])


def test_the_room_opens_with_the_snare():
    done = printed("room").tracks["room"]
    full, quiet = sounding(done.hits)
    before, after = take().tracks["room"], done.samples
    opened = db(after[full]) - db(before[full])
    between = db(after[quiet]) - db(before[quiet])
    assert opened - between > 6.0
    spread = done.before.spread_db, done.after.spread_db
    assert spread[1] < spread[0]


def test_the_group_is_brighter_only_while_the_snare_sounds():
    done = printed("snare_group")
    plain = done.tracks["top"].samples + done.tracks["bottom"].samples
    group = done.groups["snare"]
    full, quiet = sounding(group.hits)
    high = butter(4, 9000, "highpass", fs=take().rate, output="sos")
    before, after = (sosfiltfilt(high, x[:, 0]) for x in (plain, group.samples))
    assert db(after[full]) - db(before[full]) == pytest.approx(4.0, abs=0.5)
    assert abs(db(after[quiet]) - db(before[quiet])) < 0.1


def test_the_full_chain_is_its_parts():
    full = printed("snare_full")
    assert [*full.tracks, *full.groups] == [*PARTS]
    for chain, name in (("overheads", "overhead"), ("room", "room")):
        alone = printed(chain).tracks[name]
        assert np.array_equal(full.tracks[name].samples, alone.samples)
    pair = printed("snare_group")
    assert np.array_equal(full.groups["snare"].samples, pair.groups["snare"].samples)
    kit = full.groups["kit"]
    assert kit.samples.shape == (take().frames, 2)
    assert kit.after.clipped == 0


def test_two_runs_and_two_workers_write_the_same_bytes(tmp_path: Path):
    files = [f"{name}={path}" for name, path in write_demo(tmp_path, seconds=3.0).items()]
    prints = []
    for out, jobs in (("one", "1"), ("two", "2")):
        assert run(["render", "snare_full", *files, "-o", str(tmp_path / out), "--jobs", jobs]) == 0
        prints.append(takes.contents(tmp_path / out))
    assert prints[0] == prints[1]
    resolved = str(tmp_path / "one" / "resolved.yaml")
    assert run(["render", resolved, *files, "-o", str(tmp_path / "three")]) == 0
    assert takes.contents(tmp_path / "three") == prints[0]
    assert {f"{name}.lanes.png" for name in PARTS} <= set(prints[0])
    assert list(json.loads(prints[0]["print.json"])["groups"]) == ["snare", "kit"]


def test_a_song_changes_what_is_different_there():
    from dsp.recipe import parse_recipe

    song = parse_recipe(
        "drumprint: 1\nfrom: snare_full\nwith: {ring: 620 Hz, ride: 40 %, copy: off}\n"
        "without: [room]\n"
    )
    assert [*song.tracks, *song.groups] == ["top", "bottom", "overhead", "snare", "kit"]
    assert list(song.groups["kit"].of) == ["snare", "overhead"]
    _, ride, eq, *_ = (step.model_dump(mode="json") for step in song.tracks["top"].steps)
    assert ride["share"] == "40 %"
    assert eq["bands"][0]["at"] == "620 Hz"
    rest = {name: take().tracks[name] for name in song.tracks}
    done = print_take(Take(take().rate, rest), song)
    assert np.array_equal(done.tracks["overhead"].samples, rest["overhead"])
