# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole cut: from recordings of single strokes with known truth to a set on disk."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.audio import read_track
from dsp.errors import AudioError, OutputError, UsageError
from dsp.recipe import load_recipe, parse_recipe, ready_chain
from dsp.samples import cutting, set_files
from dsp.samples.cutting import FADE_S, cut
from dsp.samples.sample_set import MANIFEST, load_set
from tests.cli.takes import contents
from tests.open_takes import needed, singles
from tests.samples import recordings
from tests.samples.test_sfz import check_whole

RATE = recordings.RATE
FADE = round(FADE_S * RATE)
LEVELS = [level for level in (-40.0, -33.0, -26.0, -19.0, -12.0, -5.0, 0.0) for _ in range(3)]
STARTS = recordings.starts(len(LEVELS))


@pytest.fixture(scope="module", params=["snare soft", "snare generic"])
def whole(request, tmp_path_factory):
    """The main case: eight strengths, five strokes each, doubles, talk; three microphones."""
    needed.recordings()
    made = recordings.recording(request.param)
    folder = tmp_path_factory.mktemp("whole")
    files = recordings.write(folder, made.tracks)
    return made, files, cut(files, folder / "snare")


def test_seven_stages_two_alternates_three_microphones_are_42_files(whole):
    made, _, report = whole
    assert len(list(report.samples.folder.glob("*.wav"))) == 7 * 2 * 3
    assert load_set(report.samples.folder) == report.samples
    assert set(report.files) == {path.name for path in report.samples.folder.iterdir()}
    assert len(made.strokes) > len(report.survey) > 14


def test_every_start_is_the_true_arrival_less_two_samples(whole):
    made, files, report = whole
    for sample in report.samples.samples:
        truth = recordings.nearest(made, sample.source_sample)
        assert abs(sample.source_sample - truth.arrival["close"]) <= 1
        track = read_track(files["close"]).samples
        piece = read_track(report.samples.path(sample, "close")).samples
        start = sample.source_sample - 2
        assert np.array_equal(piece[:-FADE], track[start : start + len(piece) - FADE])


def test_delays_between_microphones_are_those_of_the_recording(whole):
    made, files, report = whole
    for microphone in ("overhead", "room"):
        track = read_track(files[microphone]).samples
        for sample in report.samples.samples:
            truth = recordings.nearest(made, sample.source_sample)
            piece = read_track(report.samples.path(sample, microphone)).samples
            start = sample.source_sample - 2
            # Sample for sample the recording at one instant, so its delay too.
            assert np.array_equal(piece[:-FADE], track[start : start + len(piece) - FADE])
            off = sample.source_sample - truth.arrival["close"]
            direct = truth.arrival[microphone] - truth.arrival["close"] + 2 - off
            assert start + direct == truth.arrival[microphone]
            noise = np.abs(piece[: direct - 1]).max()
            assert np.abs(piece[direct : direct + 300]).max() > 2 * noise


def test_stages_are_in_the_order_of_the_truth(whole):
    made, _, report = whole
    levels = [
        [recordings.nearest(made, s.source_sample).level_db for s in report.samples.samples[i::2]]
        for i in (0, 1)
    ]
    for alternate in levels:
        assert alternate == sorted(alternate)
    assert max(levels[0][i] for i in range(6)) < min(levels[1][6], levels[0][6])
    for stage in range(1, 7):
        below = [s.level_dbfs for s in report.samples.samples if s.stage == stage]
        above = [s.level_dbfs for s in report.samples.samples if s.stage == stage + 1]
        assert max(below) < min(above)


def test_no_double_no_talk_no_neighbour_is_chosen(whole):
    made, _, report = whole
    for sample in report.samples.samples:
        assert recordings.nearest(made, sample.source_sample).kind == "single"
        start = sample.source_sample - 2
        stop = start + len(read_track(report.samples.path(sample, "close")).samples)
        assert all(stop <= first or start >= last for first, last in made.talk)
        arrivals = [stroke.arrival["close"] for stroke in made.strokes]
        assert sum(start <= at < stop for at in arrivals) == 1


def test_tails_sink_into_the_noise_and_end_in_silence(whole):
    _, _, report = whole
    for sample in report.samples.samples:
        lengths = set()
        for microphone in report.samples.microphones:
            piece = read_track(report.samples.path(sample, microphone)).samples
            lengths.add(len(piece))
            before_fade = piece[-2 * FADE : -FADE]
            noise_dbfs = 20 * np.log10(np.sqrt(np.mean(before_fade**2)))
            assert noise_dbfs < singles.NOISE_DB + 3
            assert np.abs(piece[-1]).max() <= 2.0**-23
        assert len(lengths) == 1


def test_levels_are_those_of_the_recording_and_velocities_follow(whole):
    made, _, report = whole
    found = report.samples
    # The truth's own level is the energy of the first 60 ms, re a full stroke.
    off = [s.level_dbfs - recordings.nearest(made, s.source_sample).level_db for s in found.samples]
    assert np.ptp(off) < 0.5
    for sample in found.samples:
        assert sample.gain_db == 0.0
        own = found.velocity_for(sample.level_dbfs)
        assert sample.velocity_low <= own <= sample.velocity_high


def test_the_sfz_files_load_and_name_files_that_exist(whole):
    _, _, report = whole
    folder = report.samples.folder
    check_whole(folder / "snare.sfz", report.samples.microphones, 2)
    for microphone in report.samples.microphones:
        check_whole(folder / f"snare_{microphone}.sfz", [microphone], 2)


def test_other_performances_are_cut_as_well():
    """Seed by seed, without files: kinds and arrivals of all that is chosen."""
    needed.recordings()
    for seed in (1, 2):
        made, found = recordings.recording(seed=seed), recordings.survey(seed=seed)
        for index in [i for group in found.chosen for i in group]:
            truth = recordings.nearest(made, found.onset[index])
            assert truth.kind == "single"
            assert abs(truth.arrival["close"] - found.onset[index]) <= 1


# What follows is quick: a made-up drum, 21 strokes in two microphones.


@pytest.fixture
def quick(tmp_path):
    return recordings.write(tmp_path, recordings.played(LEVELS))


def test_the_lead_is_as_asked_and_the_same_strokes_are_cut(quick, tmp_path):
    short = cut(quick, tmp_path / "short", lead=0).samples
    long = cut(quick, tmp_path / "long", lead=480).samples
    for one, other in zip(short.samples, long.samples, strict=True):
        assert (one.onset, other.onset) == (0, 480)
        assert one.source_sample == other.source_sample
        assert min(abs(one.source_sample - at) for at in STARTS) <= 1
        a, b = (read_track(s.path(x, "far1")).samples for s, x in ((short, one), (long, other)))
        assert np.array_equal(a, b[480:])


def test_a_lead_before_the_recording_is_silence(tmp_path):
    tracks = {k: x[STARTS[0] - 4000 :] for k, x in recordings.played(LEVELS).items()}
    files = recordings.write(tmp_path, tracks)
    report = cut(files, tmp_path / "set", stages=7, alternates=3, lead=6000)
    first = min(report.samples.samples, key=lambda sample: sample.source_sample)
    assert first.source_sample < 6000
    piece = read_track(report.samples.path(first, "close")).samples
    assert not piece[: 6000 - first.source_sample].any()


def test_normalised_samples_have_one_peak_and_the_gain_is_noted(quick, tmp_path):
    plain = cut(quick, tmp_path / "plain").samples
    loud = cut(quick, tmp_path / "loud", normalise=True).samples
    for one, other in zip(plain.samples, loud.samples, strict=True):
        assert other.level_dbfs == one.level_dbfs
        peaks = []
        for microphone in loud.microphones:
            a, b = (read_track(s.path(x, microphone)).samples
                    for s, x in ((plain, one), (loud, other)))  # fmt: skip
            assert np.abs(a * 10 ** (other.gain_db / 20) - b).max() < 2e-5
            peaks.append(np.abs(b).max())
        assert 20 * np.log10(max(peaks)) == pytest.approx(-1.0, abs=0.01)
        assert loud.gain_db(other, 100) == pytest.approx(
            plain.gain_db(one, 100) - other.gain_db, abs=0.01
        )


@pytest.mark.parametrize(
    ("kinds", "wanted"),
    [(("pcm16", "pcm16"), "pcm16"), (("float32", "float32"), "float32"),
     (("pcm16", "float32"), "pcm24")],
)  # fmt: skip
def test_the_sample_format_is_the_inputs_own_or_24_bit(tmp_path, kinds, wanted):
    tracks = recordings.played(LEVELS)
    files = {}
    for (name, sound), kind in zip(tracks.items(), kinds, strict=True):
        files |= recordings.write(tmp_path, {name: sound}, kind)
    made = cut(files, tmp_path / "set").samples
    for sample in made.samples:
        for microphone in made.microphones:
            assert read_track(made.path(sample, microphone)).format.subtype == wanted


def test_the_close_track_is_named_or_the_first(quick, tmp_path):
    turned = {"far1": quick["far1"], "close": quick["close"]}
    assert cut(turned, tmp_path / "a").samples.microphones == ("close", "far1")
    named = cut(turned, tmp_path / "b", close="far1").samples
    assert named.microphones == ("far1", "close")
    renamed = cut({"one": quick["far1"], "two": quick["close"]}, tmp_path / "c").samples
    assert renamed.microphones == ("one", "two")
    assert [s.source_sample for s in named.samples] == [s.source_sample for s in renamed.samples]


def test_stereo_microphones_stay_stereo(tmp_path):
    tracks = recordings.played(LEVELS)
    both = np.stack([tracks["far1"], -0.5 * tracks["far1"]], axis=1)
    files = recordings.write(tmp_path, {"close": tracks["close"], "overhead": both})
    made = cut(files, tmp_path / "set").samples
    piece = read_track(made.path(made.samples[-1], "overhead")).samples
    assert piece.shape[1] == 2
    assert np.abs(piece[:, 1] + 0.5 * piece[:, 0]).max() < 2.0**-22


def test_the_same_input_gives_the_same_bytes(quick, tmp_path):
    first, second = tmp_path / "a" / "drum", tmp_path / "b" / "drum"
    assert cut(quick, first).files == cut(quick, second).files
    assert contents(first) == contents(second)


def test_a_recipe_to_find_with_leaves_the_audio(quick, tmp_path):
    plain = cut(quick, tmp_path / "a" / "drum").samples
    recipe = load_recipe(ready_chain("preclean"))
    cleaned = cut(quick, tmp_path / "b" / "drum", find_with=recipe).samples
    assert cleaned.samples == plain.samples
    for path in plain.folder.glob("*.wav"):
        assert (cleaned.folder / path.name).read_bytes() == path.read_bytes()


def test_a_recipe_to_treat_with_is_heard_in_its_tracks_alone(quick, tmp_path):
    recipe = parse_recipe(
        "drumprint: 1\ntracks:\n  drum:\n    steps:\n      - level: {gain: -6 dB}\n"
    )
    plain = cut(quick, tmp_path / "plain").samples
    soft = cut(quick, tmp_path / "soft", treat_with=recipe).samples
    for one, other in zip(plain.samples, soft.samples, strict=True):
        assert other.source_sample == one.source_sample
        assert other.level_dbfs == pytest.approx(one.level_dbfs - 6, abs=0.01)
        for microphone, gain in (("close", 10 ** (-6 / 20)), ("far1", 1.0)):
            a = read_track(plain.path(one, microphone)).samples
            b = read_track(soft.path(other, microphone)).samples
            size = min(len(a), len(b)) - FADE
            assert np.abs(gain * a[:size] - b[:size]).max() < 2.0**-22


def test_a_set_is_not_replaced_unless_asked_and_then_whole(quick, tmp_path):
    folder = tmp_path / "set"
    cut(quick, folder)
    (folder / "mine.txt").write_text("keep")
    before = contents(folder)
    with pytest.raises(OutputError, match=r"set\.json: found an existing file"):
        cut(quick, folder, stages=5)
    assert contents(folder) == before
    made = cut(quick, folder, stages=5, overwrite=True)
    assert set(contents(folder)) == {*made.files, "mine.txt"}
    assert len(list(folder.glob("*.wav"))) == 5 * 2 * 2


@pytest.mark.parametrize("fault", [KeyboardInterrupt, RuntimeError, OSError])
def test_an_interrupted_cut_leaves_nothing(quick, tmp_path, monkeypatch, fault):
    def stop(*_):
        raise fault("stopped")

    old = tmp_path / "old"
    cut(quick, old)
    before = contents(old)
    monkeypatch.setattr(cutting, "write_texts", stop)
    for folder, overwrite in ((tmp_path / "new" / "set", False), (old, True)):
        with pytest.raises(fault):
            cut(quick, folder, overwrite=overwrite)
    assert not (tmp_path / "new").exists()
    assert contents(old) == before


def test_inputs_are_never_written(quick, tmp_path):
    before = {name: path.read_bytes() for name, path in quick.items()}
    cut(quick, tmp_path / "set")
    assert {name: path.read_bytes() for name, path in quick.items()} == before


REFUSED = {
    "few stages": ({"stages": 4}, "stages: found 4; accepted: 5 to 10, or auto"),
    "no alternates": ({"alternates": 0}, "alternates: found 0; accepted: 1 to 16"),
    "lead": ({"lead": -1}, "lead: found -1; accepted: 0 to 48000 samples"),
    "close": ({"close": "top"}, "close track: found top; accepted: one of close, far1"),
    "too few strokes": ({"alternates": 4}, "found 21 strokes, of which 2. can be samples"),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_what_cannot_be_done_is_refused(quick, tmp_path, kind):
    settings, said = REFUSED[kind]
    with pytest.raises(UsageError, match=said):
        cut(quick, tmp_path / "set", **settings)
    assert not (tmp_path / "set").exists()


def test_a_recording_without_strokes_is_refused(tmp_path):
    noise = 1e-3 * np.random.default_rng(0).standard_normal(2 * RATE)
    for name, sound in (("noise", noise), ("silence", np.zeros(2 * RATE))):
        files = recordings.write(tmp_path, {name: sound})
        with pytest.raises(UsageError, match=r"found \d+ strokes, of which 0 can be samples"):
            cut(files, tmp_path / "set")


def test_tracks_that_do_not_belong_together_are_refused(quick, tmp_path):
    other = recordings.write(tmp_path, {"room": np.zeros(RATE)})
    with pytest.raises(AudioError, match="all of one length"):
        cut(quick | other, tmp_path / "set")
    with pytest.raises(UsageError, match="track name"):
        cut({"a/b": quick["close"]}, tmp_path / "set")


def test_old_files_of_what_is_no_set_are_nobodys(tmp_path):
    (tmp_path / MANIFEST).write_text("{}")
    assert set_files.old_files(tmp_path) == set()
