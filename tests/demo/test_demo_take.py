# SPDX-License-Identifier: GPL-3.0-or-later
"""The take and its truth."""

import numpy as np
import pytest

from dsp.demo import SOURCES, make_demo
from dsp.demo.desk import NOISE_DBFS, Desk
from dsp.demo.groove import FULL_SECONDS, perform
from dsp.demo.room import MICROPHONES, PLACES, SHELL_DEPTH, SPEED_OF_SOUND, distance
from dsp.demo.snare import make_snare
from dsp.demo.take import _play_snare
from dsp.errors import UsageError

RATE = 48_000
CHANNELS = {"top": 1, "bottom": 1, "overhead": 2, "room": 2}


@pytest.fixture(scope="module")
def demo():
    return make_demo()


@pytest.fixture(scope="module")
def short():
    return make_demo(2.0, seed=4)


def peak_db(samples):
    return 20 * np.log10(np.abs(samples).max())


def test_tracks_and_stems_have_their_shapes(demo):
    assert {name: t.shape[1] for name, t in demo.take.tracks.items()} == CHANNELS
    assert list(demo.take.tracks) == list(CHANNELS)
    assert demo.take.frames == round(FULL_SECONDS * RATE)
    for name, stems in demo.stems.items():
        assert list(stems) == [*SOURCES, "noise"]
        assert all(s.shape == demo.take.tracks[name].shape for s in stems.values())


def test_a_track_is_exactly_the_sum_of_its_stems(demo):
    for name, stems in demo.stems.items():
        total = np.zeros_like(demo.take.tracks[name])
        for stem in stems.values():
            total += stem
        assert np.array_equal(total, demo.take.tracks[name])


def test_same_seed_same_take_other_seed_other_take(short):
    again, other = make_demo(2.0, seed=4), make_demo(2.0, seed=5)
    assert again.strokes == short.strokes
    for name, track in short.take.tracks.items():
        assert np.array_equal(again.take.tracks[name], track)
        assert not np.array_equal(other.take.tracks[name], track)


@pytest.mark.parametrize("number", [0, 3, 20, 60])
def test_a_stroke_arrives_where_it_is_said_to_and_not_before(number):
    events = [e for e in perform(FULL_SECONDS, 1) if e.voice == "snare"]
    desk = Desk(round((events[number].time + 0.3) * RATE), RATE, 1)
    (stroke,) = _play_snare(desk, make_snare(RATE, 1), [events[number]])
    for name, stems in desk.stems.items():
        at = stroke.samples[name]
        assert not stems["snare"][:at].any()
        assert stems["snare"][at].any()
        if name in stroke.peak_dbfs:
            assert stroke.peak_dbfs[name] == pytest.approx(peak_db(stems["snare"]), abs=0.2)


def test_every_source_arrives_after_its_distance(demo):
    for voice in ("hat", "crash", "kick"):
        contact = round(next(e.time for e in demo.events if e.voice == voice) * RATE)
        for name, microphones in MICROPHONES.items():
            for column, channel in enumerate(microphones):
                arrival = np.flatnonzero(demo.stems[name][voice][:, column])[0]
                wanted = distance(channel.place, PLACES[voice]) / SPEED_OF_SOUND * RATE
                assert abs(arrival - contact - wanted) <= 0.5


def test_strokes_reach_the_microphones_in_order_of_distance(demo):
    for stroke in demo.strokes:
        s = stroke.samples
        assert stroke.contact < s["top"] < s["bottom"] < s["overhead"] < s["room"]
        through = SHELL_DEPTH / SPEED_OF_SOUND * RATE
        assert s["bottom"] - stroke.contact > through


def test_truth_lists_every_stroke_and_flags_the_ghosts(demo):
    played = [e for e in demo.events if e.voice == "snare"]
    assert len(demo.strokes) == len(played) >= 70
    assert sum(s.ghost for s in demo.strokes) >= 25
    for stroke, event in zip(demo.strokes, played, strict=True):
        assert stroke.ghost == (event.kind == "ghost") == (stroke.level_db < -16)
        assert stroke.velocity == pytest.approx(10 ** (event.level_db / 40))
        assert stroke.contact == round(event.time * RATE)


def test_levels_are_those_of_a_well_set_preamplifier(demo):
    for track in demo.take.tracks.values():
        assert -8 < peak_db(track) < -4
    for stems in demo.stems.values():
        noise = stems["noise"].astype(float)
        assert 20 * np.log10(noise.std()) == pytest.approx(NOISE_DBFS, abs=0.05)
        end = sum(stem[-RATE // 2 :].astype(float) for stem in stems.values())
        assert 20 * np.log10(end.std()) < NOISE_DBFS + 3


def test_louder_strokes_peak_higher(demo):
    from scipy.stats import spearmanr

    for name in ("top", "bottom"):
        peaks = [s.peak_dbfs[name] for s in demo.strokes]
        assert spearmanr(peaks, [s.level_db for s in demo.strokes]).statistic > 0.95


def test_bleed_is_that_of_a_heavy_hitter(demo):
    full = np.median([s.peak_dbfs["top"] for s in demo.strokes if s.level_db > -2])
    below = {s: full - peak_db(demo.stems["top"][s]) for s in SOURCES}
    assert 10 < below["hat"] < 25
    assert 10 < below["crash"] < 25
    assert 10 < below["toms"] < 25
    ghosts = np.median([s.peak_dbfs["top"] for s in demo.strokes if s.ghost])
    assert peak_db(demo.stems["top"]["crash"]) > ghosts


def test_the_cymbals_lead_the_overheads_and_the_drum_its_own_microphones(demo):
    def power(name, source):
        return float(np.mean(demo.stems[name][source].astype(float) ** 2))

    assert power("overhead", "crash") > power("overhead", "snare")
    for name in ("top", "bottom"):
        assert all(power(name, "snare") > power(name, s) for s in SOURCES[1:])


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_other_rates_play_the_same_at_the_same_level(short, rate):
    other = make_demo(2.0, seed=4, rate=rate)
    for a, b in zip(short.strokes, other.strokes, strict=True):
        for name in CHANNELS:
            # Contact and path are each rounded to a sample at either rate.
            assert abs(a.samples[name] / RATE - b.samples[name] / rate) <= 1 / RATE + 1 / rate
        assert a.peak_dbfs["top"] == pytest.approx(b.peak_dbfs["top"], abs=2.0)


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"seconds": 0.5}, r"demo of 0\.5 s; accepted: 1 to 120 s"),
        ({"seconds": 500.0}, r"demo of 500\.0 s; accepted: 1 to 120 s"),
        ({"seconds": float("nan")}, r"demo of nan s"),
        ({"seed": -1}, r"demo seed -1; accepted: 0 or more"),
        ({"rate": 8_000}, r"sample rate 8000 Hz; accepted: 44100 to 192000 Hz"),
    ],
)
def test_wrong_settings_are_refused(settings, said):
    with pytest.raises(UsageError, match=said):
        make_demo(**settings)
