# SPDX-License-Identifier: GPL-3.0-or-later
"""Laws that hold for every step, whatever it does."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.signal import resample_poly

from dsp.steps import STEPS
from dsp.steps.base import Decision, Scene, Settings
from tests.inserts import doubles
from tests.steps.examples import EXAMPLES, changed
from tests.steps.scenes import RATE, scene_of, stroke, take_of, treated

TIMES = [0.0, 0.3, 0.55, 0.7, 0.73, 1.1]
LEVELS = [-8.0, -14.0, -28.0, -6.0, -11.0, -9.0]
SECONDS = 1.5

NEUTRAL = [(name, given) for name, e in EXAMPLES.items() for given in e.neutral]
TYPICAL = [(name, given) for name, e in EXAMPLES.items() for given, _, _ in e.typical]
BOUNDS = [(name, *row) for name, e in EXAMPLES.items() for row in e.typical]
CHANGES = [(name, path) for name, e in EXAMPLES.items() for path in e.changes]


def made(name, given):
    return STEPS[name](**given)


def scene(gain_db=0.0, channels=1):
    audio, hits = take_of(TIMES, LEVELS, seconds=SECONDS, bleed_dbfs=-62.0, channels=channels)
    hits = replace(hits, peak_dbfs=hits.peak_dbfs + gain_db, bleed_dbfs=hits.bleed_dbfs + gain_db)
    audio *= 10 ** (gain_db / 20)
    other = 0.5 * np.roll(audio, round(0.0005 * RATE), axis=0)
    other = other * [1.0, 0.6]
    bleed = 10 ** ((gain_db - 62) / 20) * np.random.default_rng(99).uniform(-1, 1, len(audio))
    far = 0.05 * audio + bleed[:, None]  # hears the same bleed louder against the drum
    return scene_of(audio, hits, {"other": other, "opposite": -other, "far": far})


def silent(like: Scene) -> Scene:
    quiet = np.zeros_like(like.audio)
    return replace(like, audio=quiet, raw=lambda _: quiet)


def seen(decision: Decision):
    """Everything a decision does to a track."""
    curve = decision.curve
    done = scene().audio
    if decision.treatment is not None:
        decision.treatment.apply(done)
    curves = curve.at.tobytes(), curve.db.tobytes(), curve.layout
    return *curves, decision.polarity, decision.delay, done.tobytes()


@pytest.fixture(autouse=True)
def _plugin_doubles(monkeypatch):
    monkeypatch.setattr("dsp.inserts.host.load_plugin", doubles.load)
    monkeypatch.setattr("dsp.inserts.host.refuse_missing", lambda _: None)
    monkeypatch.setattr("dsp.inserts.host.file_sha256", lambda _: "")


@pytest.mark.parametrize("name", STEPS)
def test_every_step_is_held_to_the_laws(name):
    assert name in EXAMPLES, f"tests/steps/examples.py lacks {name}"
    example = EXAMPLES[name]
    assert example.neutral
    assert example.typical


@pytest.mark.parametrize(("name", "given"), NEUTRAL)
def test_neutral_settings_return_the_input_bit_for_bit(name, given):
    out, decision = treated(made(name, given), scene(channels=2))
    assert decision.curve.neutral
    assert out.tobytes() == scene(channels=2).audio.tobytes()
    assert (decision.polarity, decision.delay) == (1, 0)


@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_lengths_stay_and_the_input_is_not_touched(name, given):
    here = scene(channels=2)
    before = here.audio.tobytes()
    out, decision = treated(made(name, given), here)
    assert out.shape == here.audio.shape
    assert decision.curve.frames == len(here.audio)
    assert decision.curve.at[0] >= 0
    assert decision.curve.at[-1] < len(here.audio)
    assert here.audio.tobytes() == before
    assert np.isfinite(out).all()


@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_nothing_moves_in_time(name, given):
    # a microphone keeps its phase: where gains are real, in and out stay aligned
    here = scene()
    out, _ = treated(made(name, given), here)
    x, y = here.audio[:, 0], out[:, 0]
    around = np.arange(-20, 21)
    likeness = [np.dot(x[100:-100], np.roll(y, -lag)[100:-100]) for lag in around]
    assert around[int(np.argmax(likeness))] == 0


@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_only_level_moves_a_microphone_against_another(name, given):
    if name != "level":
        decision = made(name, given).decide(scene())
        assert (decision.polarity, decision.delay) == (1, 0)


@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_silence_stays_silence(name, given):
    with_map = silent(scene())
    out, _ = treated(made(name, given), with_map)
    assert not out.any()
    audio, none = take_of([], [], seconds=0.5)
    empty = scene_of(np.zeros_like(audio), replace(none, bleed_dbfs=-np.inf), {"other": audio * 0})
    out, _ = treated(made(name, given), empty)
    assert not out.any()


@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_the_same_take_gives_the_same_decision_whatever_the_workers(name, given, monkeypatch):
    first = made(name, given).decide(scene())
    for workers in (1, 3):
        monkeypatch.setattr("os.cpu_count", lambda workers=workers: workers)
        again = made(name, given).decide(scene())
        assert seen(again) == seen(first)
        assert again.step == first.step


@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_the_resolved_step_decides_the_same(name, given):
    decision = made(name, given).decide(scene())
    again = decision.step.decide(scene())
    assert seen(again) == seen(decision)
    assert again.step == decision.step
    written = decision.step.model_dump(mode="json")
    assert type(decision.step)(**written) == decision.step


@pytest.mark.parametrize("gain_db", [-17.3, 5.21])
@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_scaling_the_input_leaves_curves_unchanged(name, given, gain_db):
    absolute = {"toward", "open_at", "close_at", "threshold"} & set(given)
    absolute |= {"ceiling"} & set(STEPS[name].model_fields)
    absolute |= {"threshold" for band in given.get("bands", ()) if "threshold" in band}
    if absolute:
        pytest.skip(f"{absolute} is an absolute level here")
    plain = made(name, given).decide(scene()).curve
    scaled = made(name, given).decide(scene(gain_db)).curve
    assert len(plain.at) == len(scaled.at)
    assert np.abs(plain.at - scaled.at).max() <= 0.0001 * RATE
    assert np.abs(plain.db - scaled.db).max() <= 0.02


@cache
def master():
    """The sound at 192 kHz, without anything above 18 kHz, and bleed in it."""
    rate = 192_000
    audio = np.zeros(round(SECONDS * rate))
    for time, level in zip(TIMES, LEVELS, strict=True):
        at = round((time + 0.0005) * rate)  # the filter below rings ahead of a stroke by less
        piece = 10 ** (level / 20) * stroke(rate, seed=3)[: len(audio) - at]
        audio[at : at + len(piece)] += piece
    audio += 10 ** (-62 / 20) * np.random.default_rng(8).uniform(-1, 1, len(audio))
    hz = np.fft.rfftfreq(len(audio), 1 / rate)
    slope = np.clip((hz - 12_000) / 6000, 0, 1)
    return np.fft.irfft(np.fft.rfft(audio) * np.cos(np.pi / 2 * slope) ** 2)


def at_rate(rate):
    """The same sound at any rate."""
    divisor = np.gcd(rate, 192_000)
    audio = resample_poly(master(), rate // divisor, 192_000 // divisor)[:, None]
    _, hits = take_of(TIMES, LEVELS, seconds=SECONDS, rate=rate, bleed_dbfs=-62.0)
    return scene_of(audio, replace(hits, frames=len(audio)), {"other": audio})


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_the_sample_rate_does_not_matter(name, given, rate):
    reference = made(name, given).decide(at_rate(48_000)).curve
    other = made(name, given).decide(at_rate(rate)).curve
    time = np.arange(0.001, SECONDS - 0.002, 0.00025)
    near = [
        reference.db_at(np.rint((time + late) * 48_000).astype(np.int64))
        for late in np.linspace(-0.0001, 0.0001, 9)
    ]
    found = other.db_at(np.rint(time * rate).astype(np.int64))
    assert (found >= np.min(near, axis=0) - 0.5).all()
    assert (found <= np.max(near, axis=0) + 0.5).all()


@pytest.mark.parametrize(("name", "given", "low", "high"), BOUNDS)
def test_gains_stay_inside_what_is_allowed(name, given, low, high):
    for at_db in (-30.0, 0.0, 12.0):
        db = made(name, given).decide(scene(at_db)).curve.db
        assert low - 1e-9 <= db.min()
        assert db.max() <= high + 1e-9


@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_where_the_take_starts_does_not_matter(name, given):
    here = scene()
    step = made(name, given).decide(here).step
    late = 12_345
    pad = ((late, 0), (0, 0))
    hits = replace(
        here.hits,
        frames=here.hits.frames + late,
        onset=here.hits.onset + late,
        end=here.hits.end + late,
    )
    moved = scene_of(np.pad(here.audio, pad), hits, {"other": np.pad(here.raw("other"), pad)})
    inside = np.arange(0, len(here.audio))
    np.testing.assert_allclose(
        step.decide(moved).curve.db_at(inside + late),
        step.decide(here).curve.db_at(inside),
        atol=1e-9,
    )


@pytest.mark.parametrize(("name", "given"), TYPICAL)
def test_a_hit_at_sample_0_and_one_cut_by_the_end_are_hits(name, given):
    audio, hits = take_of([0.0, 0.4], [-6, -7], seconds=0.405, bleed_dbfs=-70)
    here = scene_of(audio, hits, {"other": audio})
    decision = made(name, given).decide(here)
    if decision.treatment is not None:
        pytest.skip("what its lane shows is measured in windows, not decided at strokes")
    both = decision.curve
    fuller, more = take_of([0.5, 0.9], [-6, -7], seconds=1.5, bleed_dbfs=-70)
    inner = made(name, given).decide(scene_of(fuller, more, {"other": fuller})).curve
    # the gains at their attacks are those of strokes in the middle of a take; what listens within
    # a band hears a stroke ring ahead of its first sample and on, but not outside of the take
    levels = any("threshold" in band for band in given.get("bands", ()))
    probe = np.array([150] if levels else [2, 150])
    for onset, like in zip(hits.onset, more.onset, strict=True):
        np.testing.assert_allclose(both.db_at(onset + probe), inner.db_at(like + probe), atol=0.5)


def fields_of(model: type[Settings], prefix: str = "") -> set[str]:
    found = set()
    for name, info in model.model_fields.items():
        found.add(prefix + name)
        for inner in getattr(info.annotation, "__args__", ()):
            if isinstance(inner, type) and issubclass(inner, Settings):
                found |= fields_of(inner, f"{prefix}{name}.")
    return found


def inner_models(model: type[Settings]) -> list[type[Settings]]:
    inner = [i for f in model.model_fields.values() for i in getattr(f.annotation, "__args__", ())]
    return [i for i in inner if isinstance(i, type) and issubclass(i, Settings)]


@pytest.mark.parametrize("name", STEPS)
def test_every_setting_is_walked(name):
    assert set(EXAMPLES[name].changes) == fields_of(STEPS[name])


@pytest.mark.parametrize(("name", "path"), CHANGES)
def test_every_setting_changes_something(name, path):
    before, after = EXAMPLES[name].changes[path]
    here = scene()
    assert seen(made(name, before).decide(here)) != seen(made(name, after).decide(here))


@pytest.mark.parametrize("name", STEPS)
def test_a_setting_that_takes_none_has_it_by_default(name):
    models = [STEPS[name], *inner_models(STEPS[name])]
    for model in models:
        for info in model.model_fields.values():
            if type(None) in getattr(info.annotation, "__args__", ()):
                assert info.default is None


@pytest.mark.parametrize("name", STEPS)
def test_every_setting_has_reference_text_and_unknown_ones_are_refused(name):
    schema = STEPS[name].model_json_schema()
    for part in (schema, *schema.get("$defs", {}).values()):
        for setting, declared in part["properties"].items():
            assert declared.get("description"), setting
    assert STEPS[name].__doc__
    _, given = changed("no_such_setting", 1, **EXAMPLES[name].neutral[0])
    with pytest.raises(ValueError, match="no_such_setting"):
        made(name, given)
