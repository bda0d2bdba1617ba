# SPDX-License-Identifier: GPL-3.0-or-later
"""A kick is told from a snare where that is sure; a snare is never doubted."""

import json
from functools import cache

import numpy as np
import pytest

from dsp.audio import read_track
from dsp.cli.app import run
from dsp.hits import find_hits
from dsp.instrument import lows_db, with_doubts
from tests.cli import takes as files
from tests.open_takes import needed, sources, takes
from tests.steps.scenes import take_of

RATE = sources.RATE


@pytest.fixture(autouse=True)
def _recordings():
    needed.recordings()


SECONDS = 8
TIMES = np.arange(0.4, SECONDS - 0.8, 0.45).tolist()


def alone(name, rate=RATE):
    """One drum, its strokes 12 dB and less under the loudest, over faint noise, (frames, 1)."""
    rng, drum = np.random.default_rng(5), sources.load(name)
    if rate != RATE:
        drum = sources.retune(drum, rate / RATE)
    track = 1e-4 * rng.standard_normal(SECONDS * rate)
    for at in TIMES:
        start = round(at * rate)
        part = track[start : start + len(drum)]
        part += 0.5 * 10 ** (rng.uniform(-12, 0) / 20) * drum[: len(part)]
    return track[:, None]


def struck(rate=RATE):
    """The strokes of `alone`, known instead of found."""
    _, hits = take_of(TIMES, [-6.0] * len(TIMES), seconds=SECONDS, rate=rate)
    return hits


def doubts(track, rate=RATE):
    hits = find_hits(track, rate)
    return with_doubts(hits, track).notes


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("name", ["kick", "kick two"])
def test_a_kick_never_goes_without_a_word(name, rate):
    """Either no strokes are found, or they are not taken for a snare's."""
    assert doubts(alone(name, rate), rate)


@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
def test_what_is_tuned_too_low_for_a_snare_is_said(rate):
    track = alone("kick two", rate)
    (note,) = with_doubts(struck(rate), track).notes
    assert "sounds like a kick" in note
    usual = np.median(lows_db(struck(), alone("kick two")))
    assert np.median(lows_db(struck(rate), track)) == pytest.approx(usual, abs=0.5)


@pytest.mark.parametrize(
    "name",
    ["snare soft", "snare soft low", "snare soft high", "snare generic", "tom low", "tom mid"],
)
def test_a_snare_is_not_doubted_nor_a_tom_that_might_be_one(name):
    assert with_doubts(struck(), alone(name)).notes == ()


@cache
def loud(name):
    """With 12 dB more of everything else in the close microphones."""
    return takes.make(name, seed=5, louder_db=12.0)


@pytest.mark.parametrize("microphone", takes.MICROPHONES)
@pytest.mark.parametrize("name", ["loud_kick", "tuned_high"])
def test_a_take_with_a_snare_is_not_doubted_in_any_microphone(name, microphone):
    """Of all takes those with the kick under most strokes; the room hears it loudest."""
    track = loud(name).tracks[microphone][:, None].copy()
    hits = find_hits(track, RATE)
    assert len(hits) > 0
    assert with_doubts(hits, track).notes == ()


def test_level_and_polarity_change_nothing():
    track, hits = alone("kick two"), struck()
    np.testing.assert_allclose(lows_db(hits, -1e-3 * track), lows_db(hits, track), atol=1e-9)


def test_silence_and_few_strokes_are_not_judged():
    audio, hits = take_of([0.1, 0.5, 0.9], [-6.0, -6.0, -6.0], seconds=1.3)
    assert len(lows_db(hits, 0 * audio)) == 0
    hum = np.sin(2 * np.pi * 50 * np.arange(len(audio)) / RATE)[:, None]
    assert lows_db(hits, hum).min() > 20
    assert with_doubts(hits, hum) is hits


def test_inspect_and_render_say_it_and_the_audio_is_as_without(tmp_path, capsys):
    track = files.write(tmp_path / "top.wav", alone("kick two"))
    assert run(["inspect", str(track), "--json"]) == 0
    (note,) = json.loads(capsys.readouterr().out)["notes"]
    assert "sounds like a kick" in note
    assert run(["inspect", str(track)]) == 0
    assert note in capsys.readouterr().out
    recipe = tmp_path / "plain.yaml"
    recipe.write_text(files.NEUTRAL)
    assert run(["render", str(recipe), f"top={track}", "-o", str(tmp_path / "print")]) == 0
    assert "sounds like a kick" in " ".join(capsys.readouterr().out.split())
    sheet = json.loads((tmp_path / "print/print.json").read_text())
    assert sheet["tracks"]["top"]["notes"] == [note]
    before, after = read_track(track), read_track(tmp_path / "print/top.wav")
    assert after.samples.tobytes() == before.samples.tobytes()
