# SPDX-License-Identifier: GPL-3.0-or-later
"""`insert`: nothing shifts, permission, repeatability, what the lane shows, faults."""

import hashlib
import threading
from dataclasses import replace

import numpy as np
import pedalboard
import pytest

from dsp.errors import EffectError, UsageError
from dsp.inserts import host
from dsp.inserts.effects import effect_classes
from dsp.printing import print_take
from dsp.recipe import parse_recipe
from dsp.steps import Insert
from dsp.take import Take
from tests.inserts import doubles
from tests.steps.scenes import RATE, scene_of, take_of, treated

PEAK = {"cutoff_frequency_hz": 540, "gain_db": -6, "q": 1}


@pytest.fixture
def scene():
    audio, hits = take_of([0.0, 0.3, 0.6], [-8, -20, -9], seconds=0.9, bleed_dbfs=-60)
    return scene_of(audio, hits)


@pytest.fixture
def plugins(monkeypatch):
    monkeypatch.setattr(host, "load_plugin", doubles.load)
    monkeypatch.setattr(host, "refuse_missing", lambda _: None)
    monkeypatch.setattr(host, "file_sha256", lambda _: "5a" * 32)


@pytest.mark.usefixtures("plugins")
@pytest.mark.parametrize("late", [0, 1, 2, 63, 64, 500, 1024, 2047, 4095, 4096])
def test_a_late_plugin_gives_the_same_print_as_one_that_is_not(scene, late):
    prompt, _ = treated(Insert(plugin="peak.vst3"), scene)
    out, decision = treated(Insert(plugin=f"late{late}.vst3"), scene)
    assert out.tobytes() == prompt.tobytes()
    assert decision.step.latency == late
    assert bool(decision.notes) == bool(late)
    again, repeated = treated(decision.step, scene)
    assert again.tobytes() == out.tobytes()
    assert repeated.step == decision.step
    assert repeated.notes == decision.notes


def test_an_effect_does_what_pedalboard_does(scene):
    out, decision = treated(Insert(effect="PeakFilter", settings=PEAK), scene)
    plain = pedalboard.PeakFilter(540, -6, 1).process(scene.audio.T.astype(np.float32), RATE)
    np.testing.assert_allclose(out.T, plain, atol=1e-7)
    assert decision.step.settings == {"cutoff_frequency_hz": 540.0, "gain_db": -6.0, "q": 1.0}


def test_the_sheet_has_the_settings_that_the_recipe_left_out(scene):
    decision = Insert(effect="PeakFilter", settings={"gain_db": -6}).decide(scene)
    assert decision.step.settings["cutoff_frequency_hz"] == 440.0
    assert decision.step.settings["q"] == pytest.approx(0.7071, abs=1e-4)
    assert decision.step.latency == 0


def test_share_and_bits(scene):
    # bits that 32 bits do not hold stay where the effect does nothing
    fine = replace(scene, audio=scene.audio + 1e-12)
    out, _ = treated(Insert(effect="Gain", settings={"gain_db": 0}), fine)
    assert out.tobytes() == fine.audio.tobytes()
    half, _ = treated(Insert(effect="Invert", mix=50), scene)
    assert np.abs(half).max() < 1e-7
    quarter, _ = treated(Insert(effect="Invert", mix=25), scene)
    np.testing.assert_allclose(quarter, 0.5 * scene.audio, atol=1e-7)


@pytest.mark.parametrize("effect", sorted(set(effect_classes()) - {"Convolution"}))
def test_every_effect_keeps_length_and_place(scene, effect):
    settings = {"semitones": 3} if effect == "PitchShift" else {}
    out, decision = treated(Insert(effect=effect, settings=settings), scene)
    assert out.shape == scene.audio.shape
    assert decision.step.latency == 0
    first = np.flatnonzero(np.abs(out[: round(0.2 * RATE), 0]) > 0.02)[0]
    # pedalboard keeps the beginning of a shifted pitch to about 25 ms, and drops no sample
    assert first <= (1300 if effect in {"PitchShift", "GSMFullRateCompressor"} else 64)


def test_a_missing_impulse_response_is_told(scene):
    step = Insert(effect="Convolution", settings={"impulse_response_filename": "none.wav"})
    with pytest.raises(EffectError, match=r"Convolution: .*none\.wav"):
        step.decide(scene)


@pytest.mark.usefixtures("plugins")
def test_the_lane_shows_the_change_of_level(scene):
    curve = Insert(plugin="half.vst3").decide(scene).curve
    np.testing.assert_allclose(curve.db, -6.02, atol=0.01)
    gate = {"threshold_db": -25, "ratio": 10, "release_ms": 5}
    curve = Insert(effect="NoiseGate", settings=gate).decide(scene).curve
    at = np.array([0.31, 0.59]) * RATE
    stroke, gap = curve.db_at(at.astype(np.int64))[:, 0]
    assert stroke > -6
    assert gap < -20


@pytest.mark.usefixtures("plugins")
def test_a_block_is_always_as_long_and_state_is_cleared(scene, monkeypatch):
    made = []

    def load(path):
        made.append(doubles.load(path))
        return made[-1]

    monkeypatch.setattr(host, "load_plugin", load)
    short = replace(scene, audio=scene.audio[:100].copy())
    Insert(plugin="peak.vst3").decide(short)
    calls = [call for double in made for call in double.calls]
    assert len(calls) >= 4
    for frames, rate, block, reset in calls:
        assert (rate, block, reset) == (RATE, host.BLOCK, True)
        assert frames >= host.BLOCK


@pytest.mark.usefixtures("plugins")
@pytest.mark.parametrize(
    ("plugin", "said"),
    [
        ("bad.vst3", r"insert bad\.vst3, measuring its latency: gave nan at sample 5000 of"),
        ("short.vst3", r"track top, insert short\.vst3.*: gave .* accepted: as many"),
        ("surround.vst3", r"insert surround\.vst3.*: does not support 2-channel output"),
    ],
)
def test_what_is_no_audio_is_refused(scene, plugin, said):
    with pytest.raises(EffectError, match=said):
        Insert(plugin=plugin, latency=0).decide(scene)


@pytest.mark.usefixtures("plugins")
def test_what_turns_bad_later_is_refused_with_its_place():
    audio, hits = take_of([0.1, 2.5], [-8, -9], seconds=3, bleed_dbfs=-60)
    with pytest.raises(EffectError, match=r"top, insert late bad\.vst3: gave nan at sample 100000"):
        Insert(plugin="late bad.vst3").decide(scene_of(audio, hits))


@pytest.mark.usefixtures("plugins")
def test_a_plugin_for_two_channels_treats_one(scene):
    out, _ = treated(Insert(plugin="stereo.vst3"), scene)
    np.testing.assert_allclose(out, 0.5 * scene.audio, atol=1e-7)


@pytest.mark.usefixtures("plugins")
def test_what_does_not_repeat_itself_is_noted(scene):
    notes = Insert(plugin="noisy.vst3").decide(scene).notes
    assert any("not repeatable" in note for note in notes)
    assert not Insert(plugin="peak.vst3").decide(scene).notes


@pytest.mark.usefixtures("plugins")
def test_settings_of_a_plugin(scene):
    out, decision = treated(Insert(plugin="whole.vst3", settings={"gain": 0.5}), scene)
    np.testing.assert_allclose(out, 0.5 * scene.audio, atol=1e-7)
    facts = decision.facts
    assert facts["plugin"] == "double"
    assert facts["version"] == "1.2.3"
    assert facts["sha256"] == "5a" * 32
    assert facts["parameters"] == {"gain": 0.5}
    with pytest.raises(UsageError, match=r"whole\.vst3: found the setting 'gian'.*gain"):
        Insert(plugin="whole.vst3", settings={"gian": 1}).decide(scene)


@pytest.mark.usefixtures("plugins")
def test_latency_that_differs_from_the_recipe_is_noted(scene):
    notes = Insert(plugin="late500.vst3", latency=0).decide(scene).notes
    assert any("measured as 500 samples" in note for note in notes)


RECIPE = "drumprint: 1\ntracks:\n  top:\n    steps:\n      - insert: {{plugin: {plugin}}}\n"


def test_a_plugin_runs_only_where_it_is_allowed(scene, monkeypatch):
    monkeypatch.setattr(host, "load_plugin", lambda _: pytest.fail("was started"))
    take = Take(RATE, {"top": scene.audio})
    recipe = parse_recipe(RECIPE.format(plugin="peak.vst3"))  # a check starts nothing
    begun = []
    with pytest.raises(UsageError, match="--allow-plugins"):
        print_take(take, recipe, progress=lambda *_: begun.append(1))
    assert not begun
    with pytest.raises(UsageError, match=r"peak\.vst3: no such plug-in file; accepted: a VST3"):
        print_take(take, recipe, progress=lambda *_: begun.append(1), allow_plugins=True)
    assert not begun
    with pytest.raises(UsageError, match="--allow-plugins"):
        Insert(plugin="peak.vst3").decide(replace(scene, allow_plugins=False))


def test_an_allowed_plugin_runs(scene, plugins):
    take = Take(RATE, {"top": scene.audio})
    recipe = parse_recipe(RECIPE.format(plugin="half.vst3"))
    done = print_take(take, recipe, allow_plugins=True).tracks["top"]
    np.testing.assert_allclose(done.samples, 0.5 * scene.audio, atol=1e-7)


def test_plugins_run_in_the_main_thread_whatever_the_workers(scene, plugins, monkeypatch):
    threads = []

    def load(path):
        threads.append(threading.current_thread())
        return doubles.load(path)

    monkeypatch.setattr(host, "load_plugin", load)
    text = RECIPE.format(plugin="half.vst3")
    text += "  bottom:\n    steps:\n      - insert: {plugin: half.vst3}\n"
    take = Take(RATE, {"top": scene.audio, "bottom": scene.audio})
    print_take(take, parse_recipe(text), jobs=3, allow_plugins=True)
    assert set(threads) == {threading.main_thread()}


BLENDED = """\
drumprint: 1
tracks:
  top:
    steps:
      - blend: {level: 0 dB, dry: off, steps: [insert: {plugin: half.vst3}]}
groups:
  all: {of: [top], steps: [insert: {plugin: half.vst3}]}
"""


def test_a_plugin_within_a_blend_or_a_group_needs_leave_too(scene, plugins):
    take = Take(RATE, {"top": scene.audio})
    recipe = parse_recipe(BLENDED)
    done = print_take(take, recipe, allow_plugins=True)
    np.testing.assert_allclose(done.tracks["top"].samples, 0.5 * scene.audio, atol=1e-7)
    np.testing.assert_allclose(done.groups["all"].samples, 0.25 * scene.audio, atol=1e-7)
    for part in ("top", "all"):
        only = BLENDED.replace("half.vst3", "x", 1) if part == "all" else BLENDED
        only = only.replace("insert: {plugin: x}", "level: {}")
        with pytest.raises(UsageError, match="--allow-plugins"):
            print_take(take, parse_recipe(only))


@pytest.mark.parametrize("content", [b"", b"no plug-in at all" * 100, b"\x7fELF" + bytes(4000)])
def test_garbage_is_no_plugin(scene, tmp_path, content):
    path = tmp_path / "garbage.vst3"
    path.write_bytes(content)
    with pytest.raises(EffectError, match=r"garbage\.vst3: cannot be loaded as a plug-in"):
        Insert(plugin=str(path)).decide(scene)


def test_hash_of_a_file_and_of_a_bundle(tmp_path):
    (tmp_path / "one.vst3").write_bytes(b"one")
    assert host.file_sha256(tmp_path / "one.vst3") == hashlib.sha256(b"one").hexdigest()
    bundle = tmp_path / "two.vst3"
    (bundle / "Contents").mkdir(parents=True)
    (bundle / "Contents" / "a").write_bytes(b"a")
    before = host.file_sha256(bundle)
    (bundle / "Contents" / "a").rename(bundle / "Contents" / "b")
    assert host.file_sha256(bundle) != before
