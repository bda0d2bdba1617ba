# SPDX-License-Identifier: GPL-3.0-or-later
"""Polarity and delay between two microphones of one drum, against takes where they are known."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from dsp.demo import make_demo
from dsp.errors import RecipeError
from dsp.hits import find_hits
from dsp.microphones import compare_microphones
from dsp.printing import print_take
from dsp.recipe import Recipe, parse_recipe
from dsp.stroke_spectra import MOST_STROKES, clear_strokes
from dsp.take import Take
from tests.open_takes import needed, takes
from tests.steps.scenes import RATE, take_of

TIMES = [0.1 + 0.2 * k for k in range(8)]
LEVELS = [-6.0, -7.0, -9.0, -6.5, -8.0, -24.0, -7.0, -6.0]


def moved(sound, late):
    """The sound later by `late` samples, earlier where negative."""
    out = np.zeros_like(sound)
    if late >= 0:
        out[late:] = sound[: len(sound) - late]
    else:
        out[:late] = sound[-late:]
    return out


def pair_of(late, sign=1.0, rate=RATE, seed=5):
    audio, hits = take_of(TIMES, LEVELS, seconds=2.0, rate=rate, bleed_dbfs=-50)
    noise = np.random.default_rng(seed).uniform(-1e-3, 1e-3, audio.shape)
    return audio, sign * 0.4 * moved(audio, late) + noise, hits


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("late", [0, 1, -1, 9, -30, 150, -477, 1200])
def test_a_moved_copy_is_found_to_the_sample(late, sign):
    found = compare_microphones(*pair_of(late, sign))
    assert (found.delay, found.inverted, found.sure) == (late, sign < 0, True)
    assert found.spread < 0.1
    assert found.agreement == 1.0
    assert found.strokes == 7  # all but the ghost note
    sums = found.sums
    best = sums.aligned_inverted if sign < 0 else sums.aligned
    assert best == pytest.approx(3.01, abs=0.1)
    if late == 0:
        assert sums.as_it_is == pytest.approx(sums.aligned, abs=1e-9)


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_the_rate_does_not_matter(rate):
    late = round(0.0031 * rate)
    found = compare_microphones(*pair_of(late, -1.0, rate))
    assert (found.delay, found.inverted, found.sure) == (late, True, True)


def test_a_fraction_of_a_sample_is_rounded_from_its_own_estimate():
    audio, _, hits = pair_of(0)
    late = resample_poly(moved(resample_poly(audio[:, 0], 8, 1), 75), 1, 8)  # 9.375 samples
    found = compare_microphones(audio, late[: len(audio), None], hits)
    assert found.delay == 9


def test_channels_are_averaged_and_level_does_not_matter():
    a, b, hits = pair_of(40)
    one = compare_microphones(a, b, hits)
    two = compare_microphones(np.repeat(a, 2, axis=1), np.repeat(1e-3 * b, 2, axis=1), hits)
    assert (two.delay, two.inverted, two.strokes) == (one.delay, one.inverted, one.strokes)
    assert two.sums.as_it_is == pytest.approx(one.sums.as_it_is, abs=1e-6)


def test_strangers_and_silence_are_not_sure():
    a, _, hits = pair_of(0)
    noise = np.random.default_rng(1).uniform(-0.1, 0.1, a.shape)
    assert not compare_microphones(a, noise, hits).sure
    silent = compare_microphones(a, np.zeros_like(a), hits)
    assert (silent.delay, silent.strokes, silent.sure) == (0, 0, False)
    few, none = take_of([0.1], [-6], seconds=0.5)
    assert not compare_microphones(few, few, none).sure


def test_strokes_that_are_used():
    _, hits = take_of([0.1, 0.3, 0.34, 0.6, 0.8], [-6, -6, -6, -30, -7], seconds=1.2)
    np.testing.assert_array_equal(clear_strokes(hits), hits.onset[[0, 4]])
    many = [0.1 * k for k in range(90)]
    _, hits = take_of(many, [-6.0 - 0.01 * k for k in range(90)], seconds=9.2)
    np.testing.assert_array_equal(clear_strokes(hits), hits.onset[:MOST_STROKES])


@pytest.fixture(scope="module")
def demo():
    return make_demo(seconds=14)


@pytest.mark.parametrize("name", ["bottom", "overhead", "room"])
def test_the_demo_take(demo, name):
    tracks = demo.take.tracks
    hits = find_hits(tracks["top"], demo.take.rate)
    found = compare_microphones(tracks["top"], tracks[name], hits)
    loud = [s for s in demo.strokes if s.level_db > -10]
    true = np.median([s.samples[name] - s.samples["top"] for s in loud])
    # The pair above and below hears two heads with different partials: spread of some samples.
    assert abs(found.delay - true) <= 4
    assert found.inverted == (name == "bottom")
    if name == "bottom":
        assert found.sums.aligned_inverted > 0.5 > found.sums.as_it_is


OPEN = ["backbeat_ghosts", "everything_loud", "tom_fills", "tuned_high", "open_hats"]


@pytest.mark.parametrize("name", OPEN)
def test_open_takes(name):
    needed.recordings()
    take = takes.make(name)
    tracks = {mic: sound[:, None].copy() for mic, sound in take.tracks.items()}
    hits = find_hits(tracks["top"], take.rate)
    for mic in ("bottom", "overhead", "room"):
        found = compare_microphones(tracks["top"], tracks[mic], hits)
        true = int(np.median(take.arrivals(mic) - take.arrivals("top")))
        # a room microphone may be unsure: reflections are as loud as the direct sound there
        assert found.sure or mic == "room"
        # the wires' shelf of the bottom microphone leads in phase by a sample where it is measured
        assert abs(found.delay - true) <= {"bottom": 2, "overhead": 1, "room": 2}[mic]
        assert found.inverted == (mic == "bottom")


def recipe(level: str) -> str:
    return (
        "drumprint: 1\ntracks:\n  top: {steps: []}\n  bottom:\n    key: top\n    steps:\n"
        f"      - level: {level}\n"
    )


def printed(level, top, bottom):
    take = Take(RATE, {"top": top, "bottom": bottom})
    return print_take(take, parse_recipe(recipe(level)))


def test_level_moves_a_microphone_where_it_is_asked_to():
    a, b, _ = pair_of(33, -1.0)
    done = printed("{polarity: auto, delay: auto, against: top}", a, b)
    step = done.recipe.tracks["bottom"].steps[0]
    assert (step.polarity, step.delay, step.against) == ("invert", -33.0, "top")
    facts = done.tracks["bottom"].decisions[0].facts["measured"]
    assert (facts["polarity"], facts["delay_samples"], facts["sure"]) == ("opposite", 33, True)
    np.testing.assert_array_equal(done.tracks["bottom"].samples, moved(-b, -33))
    np.testing.assert_array_equal(done.tracks["top"].samples, a)
    again = print_take(Take(RATE, {"top": a, "bottom": b}), done.recipe)
    assert again.tracks["bottom"].samples.tobytes() == done.tracks["bottom"].samples.tobytes()
    told = [each.tracks["bottom"].decisions[0] for each in (done, again)]
    assert told[0].facts == told[1].facts
    assert told[0].notes == told[1].notes == ()


def test_level_measures_only_what_is_asked_and_nothing_by_default():
    a, b, _ = pair_of(33, -1.0)
    only = printed("{polarity: auto, against: top}", a, b).tracks["bottom"].samples
    np.testing.assert_array_equal(only, -b)
    only = printed("{delay: auto, against: top}", a, b).tracks["bottom"].samples
    np.testing.assert_array_equal(only, moved(b, -33))
    np.testing.assert_array_equal(printed("{}", a, b).tracks["bottom"].samples, b)


def test_level_moves_nothing_where_it_is_not_sure():
    a, _, _ = pair_of(0)
    noise = np.random.default_rng(1).uniform(-0.1, 0.1, a.shape)
    done = printed("{polarity: auto, delay: auto, against: top}", a, noise).tracks["bottom"]
    np.testing.assert_array_equal(done.samples, noise)
    assert "not clear" in done.decisions[0].notes[0]
    again = done.decisions[0].step
    assert (again.polarity, again.delay, again.against) == ("keep", 0.0, "top")


@pytest.mark.parametrize(
    ("level", "said"),
    [
        ("{delay: auto}", "found no track to measure against"),
        ("{delay: auto, against: topp}", "nearest accepted: top"),
        ("{delay: auto, against: bottom}", "the track itself"),
    ],
)
def test_wrong_settings_are_told(level, said):
    with pytest.raises(RecipeError, match=said):
        parse_recipe(recipe(level))


MOVED = "level: {polarity: auto, delay: auto, against: %s}"


def moving(**others):
    """Each track moved against another one, or not at all."""
    lines = ["drumprint: 1", "tracks:"]
    for name, other in others.items():
        steps = [MOVED % other] if other else []
        lines.append(f"  {name}: {{steps: [{', '.join(steps)}]}}")
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("others", "wrong"),
    [
        ({"top": "bottom", "bottom": "top"}, [("bottom", "top"), ("top", "bottom")]),
        ({"top": None, "bottom": "top", "room": "bottom"}, [("bottom", "top")]),
        ({"top": "bottom", "bottom": "room", "room": "top"},
         [("bottom", "room"), ("room", "top"), ("top", "bottom")]),
    ],
)  # fmt: skip
def test_a_microphone_that_moves_itself_is_none_to_measure_against(others, wrong):
    with pytest.raises(RecipeError) as error:
        parse_recipe(moving(**others))
    assert [fault.message for fault in error.value.faults] == [
        f"found '{other}', which is itself moved by auto (against {against}); "
        "accepted: a microphone that stays where it is"
        for other, against in wrong
    ]
    assert all(fault.path.endswith("level.against") for fault in error.value.faults)
    with pytest.raises(ValueError, match="itself moved by auto"):
        Recipe(
            drumprint=1,
            tracks={n: {"steps": [read_level(o)] if o else []} for n, o in others.items()},
        )


def read_level(other):
    return {"level": {"polarity": "auto", "delay": "auto", "against": other}}


def test_many_may_move_to_one_and_what_is_set_by_hand_may_be_measured():
    parse_recipe(moving(top=None, bottom="top", room="top"))
    text = moving(top="bottom", bottom="top").replace("delay: auto", "delay: 3", 1)
    parse_recipe(text.replace("polarity: auto", "polarity: invert", 1))
