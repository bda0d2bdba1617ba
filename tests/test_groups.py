# SPDX-License-Identifier: GPL-3.0-or-later
"""Groups: sums of treated tracks, with steps of their own, in memory."""

from __future__ import annotations

from contextlib import ExitStack

import numpy as np
import pytest

import dsp
from dsp.errors import AudioError, OutputError, UsageError
from dsp.recipe import parse_recipe
from dsp.summing import FiledStems, HeldStems, filed_stems, first_track, key_of, summed, waves
from dsp.take import Take
from tests.cli import takes

STEREO = "drumprint: 1\ntracks:\n  top: {steps: []}\n  room: {key: top, steps: []}\ngroups:\n"


@pytest.fixture(scope="module")
def take() -> Take:
    top = takes.strokes(2.0)
    rng = np.random.default_rng(5)
    room = 0.3 * np.repeat(np.roll(top, 300, axis=0), 2, axis=1)
    room += 0.01 * rng.standard_normal(room.shape)
    return Take(takes.RATE, {"top": top, "bottom": -0.7 * np.roll(top, 20, axis=0), "room": room})


def recipe(groups: str):
    return parse_recipe(
        "drumprint: 1\ntracks:\n"
        "  top: {steps: [ride_level: {share: 60 %}]}\n"
        "  bottom: {key: top, steps: [shape_transient: {attack: -3 dB}]}\n"
        f"  room: {{key: top, steps: []}}\ngroups:\n{groups}"
    )


def printed(take, groups, jobs=1):
    return dsp.print_take(take, recipe(groups), jobs=jobs)


def test_a_neutral_group_is_the_plain_sum_bit_for_bit(take):
    done = printed(
        take, "  a: {of: [top, bottom, room]}\n  b: {of: [room, bottom, top], steps: []}"
    )
    top, bottom, room = (done.tracks[name].samples for name in ("top", "bottom", "room"))
    assert done.groups["a"].samples.tobytes() == ((top + bottom) + room).tobytes()
    assert done.groups["b"].samples.tobytes() == ((room + bottom) + top).tobytes()
    neutral = printed(take, "  a: {of: [top, bottom, room], steps: [level, gate: {range: 0 dB}]}")
    assert neutral.groups["a"].samples.tobytes() == done.groups["a"].samples.tobytes()


def test_levels_of_members(take):
    done = printed(take, "  a: {of: {top: -6 dB, room: 0 dB}}")
    expected = done.tracks["top"].samples * 10 ** (-6 / 20) + done.tracks["room"].samples
    assert np.array_equal(done.groups["a"].samples, expected)


def test_a_group_sums_groups_and_members_stay_as_they_are(take):
    alone = printed(take, "  x: {of: [top]}")
    done = printed(
        take,
        "  all: {of: [snare, room], steps: []}\n"
        "  snare: {of: [top, bottom], steps: [level: {gain: -2 dB}]}",
    )
    assert list(done.groups) == ["all", "snare"]
    snare, room = done.groups["snare"].samples, done.tracks["room"].samples
    assert np.array_equal(done.groups["all"].samples, snare + room)
    for name in take.tracks:
        assert np.array_equal(done.tracks[name].samples, alone.tracks[name].samples)
    assert not np.shares_memory(alone.groups["x"].samples, alone.tracks["top"].samples)


def test_a_group_goes_by_its_key_or_its_first_members(take):
    done = printed(
        take,
        "  a: {of: [bottom, room]}\n  b: {of: [room, top], key: top}\n  c: {of: [a]}",
    )
    for name in "abc":
        assert done.groups[name].hits is done.tracks["top"].hits
    assert key_of(done.recipe, "c") == "top"
    assert first_track(done.recipe, "c") == "bottom"


def test_a_steps_key_may_be_any_track_and_own_is_the_group(take):
    done = printed(
        take,
        "  a: {of: [room], steps: [gate: {key: bottom, range: 20 dB}]}\n"
        "  b: {of: [top], steps: [level: {delay: 100}, suppress_bleed: {key: own}]}\n"
        "  c: {of: [top], steps: [level: {delay: 100}, suppress_bleed]}",
    )
    assert done.groups["a"].decisions[0].curve.db.min() == pytest.approx(-20, abs=0.5)
    own, keyed = (done.groups[name].decisions[1].curve.at for name in "bc")
    assert not np.array_equal(own, keyed)  # strokes were found in the delayed group itself


def test_workers_change_nothing_and_the_resolved_recipe_repeats(take):
    text = (
        "  snare: {of: {top: 0 dB, bottom: -3 dB}, steps: [suppress_bleed: {}, "
        "blend: {steps: [gate: {range: 30 dB}]}]}\n  all: {of: [snare, room], steps: [ride_level]}"
    )
    one, two = printed(take, text), printed(take, text, jobs=2)
    again = dsp.print_take(take, one.recipe)
    for name in ("snare", "all"):
        assert np.array_equal(one.groups[name].samples, two.groups[name].samples)
        assert np.array_equal(one.groups[name].samples, again.groups[name].samples)
    assert one.recipe == two.recipe == again.recipe
    assert "auto" not in dsp.dump_recipe(one.recipe)
    assert list(one.groups["snare"].curves) == ["1 suppress_bleed", "2 blend", "2 blend/1 gate"]


def test_before_and_after_are_of_the_sum(take):
    done = printed(take, "  a: {of: [top, bottom], steps: [level: {gain: -6 dB}]}").groups["a"]
    assert done.after.peak_dbfs == pytest.approx(done.before.peak_dbfs - 6, abs=1e-9)


def test_channels_that_cannot_be_summed_are_refused_before_any_work(take):
    three = {"top": take.tracks["top"].repeat(3, axis=1), "room": take.tracks["room"]}
    with pytest.raises(AudioError, match=r"group b: .*a with 3, room with 2; accepted: .*mono"):
        dsp.print_take(
            Take(take.rate, three),
            parse_recipe(f"{STEREO}  b: {{of: [a, room]}}\n  a: {{of: [top]}}"),
        )


def test_a_file_for_a_group_is_refused_and_one_track_keeps_its_name(take):
    pair = parse_recipe(f"{STEREO}  a: {{of: [top]}}")
    with pytest.raises(UsageError, match="found a file for a, a group"):
        dsp.matching.matched(pair, ["top", "room", "a"])
    one = parse_recipe("{drumprint: 1, tracks: {top: {steps: []}}, groups: {a: {of: [top]}}}")
    with pytest.raises(UsageError, match="found track drum"):
        dsp.matching.matched(one, ["drum"])


def test_turns_wait_for_what_they_sum():
    text = "  d: {of: [c, a]}\n  c: {of: [b]}\n  a: {of: [top]}\n  b: {of: [top]}"
    assert [sorted(turn) for turn in waves(parse_recipe(STEREO + text))] == [
        ["a", "b"],
        ["c"],
        ["d"],
    ]


def test_stems_in_files_are_those_in_memory(tmp_path, take):
    held = HeldStems()
    of = {"room": -3.0, "top": 0.0, "bottom": 2.5}
    with filed_stems(tmp_path) as filed:
        for name, samples in take.tracks.items():
            held.keep(name, samples)
            filed.keep(name, samples)
            assert filed.shape(name) == samples.shape
        assert np.array_equal(summed(held, of), summed(filed, of))
    assert not list(tmp_path.iterdir())


def test_no_room_for_stems_is_told(tmp_path, take):
    with ExitStack() as files, pytest.raises(OutputError, match="missing"):
        FiledStems(tmp_path / "missing", files).keep("top", take.tracks["top"])
