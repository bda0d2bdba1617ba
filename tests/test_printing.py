# SPDX-License-Identifier: GPL-3.0-or-later
"""Running a recipe over a take in memory."""

from __future__ import annotations

import threading

import numpy as np
import pytest

import dsp
from dsp.carrying import shift
from dsp.errors import UsageError
from dsp.matching import matched
from dsp.recipe import parse_recipe
from dsp.take import Take
from tests.cli import takes


@pytest.fixture(scope="module")
def take() -> Take:
    top = takes.strokes(2.0)
    return Take(takes.RATE, {"top": top, "bottom": -0.7 * np.roll(top, 20, axis=0)})


def test_input_arrays_stay_as_they_are(take):
    before = {name: samples.copy() for name, samples in take.tracks.items()}
    done = dsp.print_take(take, parse_recipe(takes.PAIR))
    for name, samples in take.tracks.items():
        assert np.array_equal(samples, before[name])
        assert not np.shares_memory(samples, done.tracks[name].samples)
        assert not np.array_equal(samples, done.tracks[name].samples)


def test_workers_change_no_sample(take):
    recipe = parse_recipe(takes.PAIR)
    one, two = dsp.print_take(take, recipe), dsp.print_take(take, recipe, jobs=2)
    for name in take.tracks:
        assert np.array_equal(one.tracks[name].samples, two.tracks[name].samples)
    assert one.recipe == two.recipe


def test_the_resolved_recipe_repeats_the_print(take):
    done = dsp.print_take(take, parse_recipe(takes.PAIR))
    again = dsp.print_take(take, done.recipe)
    for name in take.tracks:
        assert np.array_equal(done.tracks[name].samples, again.tracks[name].samples)
    assert again.recipe == done.recipe


def test_each_step_has_its_decision(take):
    done = dsp.print_take(take, parse_recipe(takes.PAIR))
    top = done.tracks["top"]
    assert [decision.step.name for decision in top.decisions] == ["ride_level", "level"]
    assert list(top.curves) == ["1 ride_level", "2 level"]
    assert top.decisions[1].curve.db.tolist() == [[-2.0]]


def test_strokes_are_found_once_on_the_key_track(take, monkeypatch):
    import dsp.session

    found, original = [], dsp.session.find_hits

    def counted(samples, rate):
        found.append(samples.copy())
        return original(samples, rate)

    monkeypatch.setattr(dsp.session, "find_hits", counted)
    done = dsp.print_take(take, parse_recipe(takes.PAIR), jobs=2)
    assert len(found) == 1
    assert np.array_equal(found[0], take.tracks["top"])
    assert done.tracks["bottom"].hits is done.tracks["top"].hits


def test_measures_are_of_the_raw_and_the_treated_track(take):
    recipe = parse_recipe("{drumprint: 1, tracks: {top: {steps: [level: {gain: -6 dB}]}}}")
    done = dsp.print_take(Take(takes.RATE, {"top": take.tracks["top"]}), recipe).tracks["top"]
    peak = 20 * np.log10(np.abs(take.tracks["top"]).max())
    assert done.before.peak_dbfs == pytest.approx(peak, abs=1e-9)
    assert done.after.peak_dbfs == pytest.approx(peak - 6, abs=1e-9)


@pytest.mark.parametrize("delay", [0, 1, 7, -1, -7, 20, -20, 19, -19])
def test_shift_moves_and_fills_with_silence(delay):
    before = np.arange(1.0, 21.0)[:, None] * [1, -1]
    after = before.copy()
    shift(after, delay)
    for n in range(20):
        source = n - delay
        expected = before[source] if 0 <= source < 20 else [0, 0]
        assert after[n].tolist() == list(expected)


def test_progress_rises_and_names_what_is_done(take):
    heard: list[tuple[float, str]] = []
    lock = threading.Lock()

    def listen(share: float, doing: str) -> None:
        with lock:
            heard.append((share, doing))

    dsp.print_take(take, parse_recipe(takes.PAIR), progress=listen)
    shares = [share for share, _ in heard]
    assert shares == sorted(shares)
    assert shares[0] >= 0
    assert shares[-1] <= 1
    assert {"top: ride_level", "bottom: shape_transient"} <= {doing for _, doing in heard}


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_step_that_fails_ends_the_run(take, jobs, monkeypatch):
    import dsp.session

    def broken(*_: object) -> None:
        raise ArithmeticError("no curve")

    monkeypatch.setattr(dsp.session, "carry_out", broken)
    with pytest.raises(ArithmeticError, match="no curve"):
        dsp.print_take(take, parse_recipe(takes.PAIR), jobs=jobs)


def test_no_worker_is_refused(take):
    with pytest.raises(UsageError, match="jobs: found 0; accepted: 1 or more"):
        dsp.print_take(take, parse_recipe(takes.PAIR), jobs=0)


def test_one_track_takes_any_name():
    assert list(matched(parse_recipe(takes.ONE), ["my drum"]).tracks) == ["my drum"]


def test_a_track_that_a_step_listens_to_must_be_given():
    recipe = parse_recipe("{drumprint: 1, tracks: {top: {steps: [gate: {key: room}]}}}")
    assert list(matched(recipe, ["snare", "room"]).tracks) == ["snare"]
    with pytest.raises(UsageError, match=r"no file for track .*room"):
        matched(recipe, ["top"])


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (["top"], "no file for track bottom"),
        (["top", "bottom", "room"], "found track room"),
        (["top", "botom"], r"botom.*did you mean bottom\?"),
        ([], "no file for track top, bottom"),
    ],
)
def test_other_tracks_than_the_recipes_are_refused(given, message):
    with pytest.raises(UsageError, match=message) as fault:
        matched(parse_recipe(takes.PAIR), given)
    assert "accepted: top=FILE, bottom=FILE" in str(fault.value)


def test_every_public_name_loads_and_no_other():
    assert len(set(dsp.__all__)) == len(dsp.__all__)
    for name in dsp.__all__:
        assert getattr(dsp, name) is not None
    assert set(dsp.__all__) <= set(dir(dsp))
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = dsp.no_such_name


def test_given_strokes_stand_for_found_ones() -> None:
    samples = takes.strokes()
    take = dsp.Take(takes.RATE, {"top": samples})
    recipe = dsp.parse_recipe("drumprint: 1\ntracks: {top: {steps: [ride_level: {share: 60 %}]}}")
    onset = dsp.find_hits(samples, takes.RATE).onset[:3]
    unknown = np.full(3, -1)
    given = dsp.GivenHits(onset, unknown, unknown, "hits.csv", "0")
    done = dsp.print_take(take, recipe, hits={"top": given}).tracks["top"]
    np.testing.assert_array_equal(done.hits.onset, onset)
    none = dsp.GivenHits(onset[:0], unknown[:0], unknown[:0], "none.csv", "0")
    silent = dsp.print_take(take, recipe, hits={"top": none}).tracks["top"]
    assert len(silent.hits) == 0
    np.testing.assert_array_equal(silent.samples, samples)


def test_only_the_first_step_listens_while_strokes_are_found(take, monkeypatch):
    from dsp.steps import SuppressBleed

    seen = []
    decide = SuppressBleed.decide

    def spied(step, scene):
        seen.append(scene.listened is not None)
        return decide(step, scene)

    monkeypatch.setattr(SuppressBleed, "decide", spied)
    recipe = parse_recipe(
        "drumprint: 1\ntracks:\n  top:\n    steps: [suppress_bleed: {}, suppress_bleed: {}]\n"
    )
    dsp.print_take(Take(take.rate, {"top": take.tracks["top"]}), recipe)
    assert seen == [True, False]
