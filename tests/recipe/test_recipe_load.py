# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes that are wrong are told whole, in our words; recipes that are right are read."""

from __future__ import annotations

import subprocess
import sys

import pytest
from pydantic import ValidationError

from dsp.errors import Fault, RecipeError
from dsp.recipe import Recipe, TrackRecipe, parse_recipe
from dsp.steps import STEPS, Level

HEAD = "drumprint: 1\ntracks:\n"


def faults(text: str) -> tuple[Fault, ...]:
    with pytest.raises(RecipeError) as error:
        parse_recipe(text, "test.yaml")
    for word in ("pydantic", "http", "Input should", "Value error", "type=", "[key]"):
        assert word not in str(error.value)
    return error.value.faults


def only(text: str) -> str:
    (fault,) = faults(text)
    return str(fault)


def with_step(step: str) -> str:
    return f"{HEAD}  top:\n    steps:\n      - {step}\n"


def test_three_ways_to_write_a_step() -> None:
    recipe = parse_recipe(
        f"{HEAD}  top:\n    steps:\n      - level: {{gain: 3 dB}}\n      - level\n      - level:\n"
    )
    assert recipe.tracks["top"].steps == (Level(gain=3.0), Level(), Level())


def test_python_and_yaml_make_the_same_recipe() -> None:
    written = parse_recipe(f"{HEAD}  top:\n    steps: [level: {{gain: -3 dB, delay: 2}}]\n")
    track = TrackRecipe(steps=(Level(gain=-3, delay=2),))
    assert written == Recipe(drumprint=1, tracks={"top": track})


@pytest.mark.parametrize(
    ("step", "told"),
    [
        ("levle: {gain: 3}", "line 5, tracks.top.steps[0]: found the step 'levle'; nearest accept"),
        ("levle", "line 5, tracks.top.steps[0]: found the step 'levle'; nearest accepted: level"),
        ("xyzzyx", f"found the step 'xyzzyx'; accepted: {', '.join(STEPS)}"),
        ("level: {gian: 3}", "level.gian: found the setting 'gian'; nearest accepted: gain"),
        ("level: {qqqq: 3}", "found the setting 'qqqq'; accepted: gain, polarity, delay"),
        ("level: {gain: loud}", "level.gain: found 'loud'; accepted: -60 to 24 dB"),
        ("level: {gain: 3 Hz}", "found '3 Hz', unit 'Hz'; accepted: -60 to 24 dB"),
        ("level: {gain: 25 dB}", "level.gain: found 25 dB; accepted: -60 to 24 dB"),
        ("level: {gain: .nan}", "level.gain: found '.nan'; accepted: -60 to 24 dB"),
        ("level: {gain: true}", "level.gain: found true; accepted: -60 to 24 dB"),
        ("level: {gain: [3]}", "level.gain: found a list; accepted: -60 to 24 dB"),
        ("level: {gain: }", "level.gain: found nothing; accepted: -60 to 24 dB"),
        (f"level: {{gain: {'x' * 999}}}", f"level.gain: found '{'x' * 59}…'; accepted: -60 to 24"),
        ("level: {delay: 1.5}", "level.delay: found 1.5; accepted: -48000 to 48000 samples"),
        ("level: {polarity: up}", "level.polarity: found 'up'; accepted: keep or invert"),
        ("level: {polarity: on}", "level.polarity: found 'on'; accepted: keep or invert"),
        ("level: [3]", "steps[0].level: found a list; accepted: a mapping of gain, polarity"),
        ("level: 3", "steps[0].level: found 3; accepted: a mapping of gain, polarity, delay"),
        ("{level: {}, gate: {}}", "found 2 names in one step ('level', 'gate'); accepted: one"),
        ("{}", "steps[0]: found an empty mapping; accepted: a step"),
        ("[level]", "steps[0]: found a list; accepted: a step"),
        ("7", "steps[0]: found 7; accepted: a step"),
        ("", "steps[0]: found nothing; accepted: a step"),
    ],
)
def test_faults_of_a_step(step: str, told: str) -> None:
    fault = only(with_step(step))
    assert fault.startswith("line 5, tracks.top.steps[0]")
    assert told in fault


def test_a_setting_on_its_own_line_is_told_there() -> None:
    fault = only(with_step("level:\n          polarity: keep\n          gain: 99"))
    assert fault.startswith("line 7, tracks.top.steps[0].level.gain: found 99")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("drumprint: 2\ntracks: {a: {steps: []}}", "recipe format 2 is newer than this program's"),
        ("drumprint: 0\ntracks: {a: {steps: []}}", "drumprint: found 0; accepted: 1"),
        ("drumprint: true\ntracks: {a: {steps: []}}", "drumprint: found true; accepted: 1"),
        ("drumprint: 1.0\ntracks: {a: {steps: []}}", "drumprint: found 1.0; accepted: 1"),
        ("drumprint: '1'\ntracks: {a: {steps: []}}", "drumprint: found '1'; accepted: 1"),
        ("tracks: {a: {steps: []}}", "line 1, drumprint: found nothing; accepted: 1"),
        ("drumprint: 1", "line 1, tracks: found nothing; accepted: a mapping of names"),
        ("drumprint: 1\ntracks: {}", "line 2, tracks: found 0 entries; accepted: 1 or more"),
        ("drumprint: 1\ntracks: []", "line 2, tracks: found an empty list; accepted: a mapping"),
        ("drumprint: 1\ntracks: {a: }", "tracks.a: found nothing; accepted: a mapping of key, st"),
        ("drumprint: 1\ntracks: {a: {}}", "line 2, tracks.a.steps: found nothing; accepted: a li"),
        ("drumprint: 1\ntracks: {a: {steps: {level: }}}", "tracks.a.steps: found a mapping; acc"),
        ("drumprint: 1\ntracks: {a: {steps: level}}", "steps: found 'level'; accepted: a list"),
        ("drumprint: 1\ntracks: {a: {step: []}, b: {steps: []}}", "nearest accepted: steps"),
        ("drumprint: 1\nabout: 3\ntracks: {a: {steps: []}}", "about: found 3; accepted: text"),
        ("drumprint: 1\ntrack: {}\ntracks: {a: {steps: []}}", "nearest accepted: tracks"),
        ("[drumprint]", "line 1, document: found a list; accepted: a mapping of drumprint, about"),
        ("snare", "line 1, document: found 'snare'; accepted: a mapping of drumprint, about"),
        ("drumprint: 1\ntracks: {1: {steps: []}}", "line 2, tracks.1: found 1 as a name"),
        ("drumprint: 1\ntracks: !x {a: {steps: 3}}", "line 2, tracks: found the tag '!x'"),
    ],
)
def test_faults_of_the_recipe(text: str, told: str) -> None:
    assert told in "\n".join(map(str, faults(text)))


@pytest.mark.parametrize(
    "name", ["", " top", "top ", "a/b", "a\\b", "..", "a.b", "con", "NUL", "com1", "x" * 65, "a:b",
             "a\tb", "hits", "own", "é" * 33]
)  # fmt: skip
def test_track_names_that_are_no_file_names(name: str) -> None:
    with pytest.raises(ValidationError):
        Recipe(drumprint=1, tracks={name: TrackRecipe(steps=())})
    quoted = name.replace("\\", "\\\\").replace("\t", "\\t")
    text = f'drumprint: 1\ntracks:\n  "{quoted}": {{steps: []}}\n'
    assert only(text).startswith(f"line 3, tracks.{name}: found the track name")


@pytest.mark.parametrize("name", ["top", "Snare 2", "low-tom", "oh_l", "x" * 64, "virvel ö", "7"])
def test_track_names_that_are(name: str) -> None:
    assert list(parse_recipe(f'drumprint: 1\ntracks: {{"{name}": {{steps: []}}}}').tracks) == [name]


@pytest.mark.parametrize(
    ("tracks", "told"),
    [
        ("{a: {key: a, steps: []}}", "line 2, tracks.a.key: found 'a', the track itself"),
        ("{a: {key: x, steps: []}}", "there is no other track; accepted: no key"),
        ("{top: {steps: []}, b: {key: tpo, steps: []}}", "found the track 'tpo'; nearest accepted"),
        ("{top: {steps: []}, b: {key: q, steps: []}}", "found the track 'q'; accepted: top"),
        ("{a: {key: b, steps: []}, b: {key: a, steps: []}}", "a circle of keys, a → b → a"),
        ("{a: {key: b, steps: []}, b: {key: c, steps: []}, c: {steps: []}}",
         "tracks.a.key: found 'b', which has a key itself (c); accepted: c"),
        ("{Top: {steps: []}, top: {steps: []}}", "track names 'Top' and 'top'; accepted"),
        ("{a: {key: 3, steps: []}}", "tracks.a.key: found 3; accepted: text"),
    ],
)  # fmt: skip
def test_faults_between_tracks(tracks: str, told: str) -> None:
    assert told in only(f"drumprint: 1\ntracks: {tracks}")


def keyed_steps() -> list[str]:
    """Steps that can listen to another track, with nothing else to be set."""
    return [
        name
        for name, step in STEPS.items()
        if "key" in step.model_fields
        and not any(field.is_required() for field in step.model_fields.values())
    ]


@pytest.mark.parametrize("step", keyed_steps())
def test_keys_of_steps(step: str) -> None:
    def text(key: str, *tracks: str) -> str:
        others = "".join(f"  {name}: {{steps: []}}\n" for name in tracks)
        return f"{HEAD}  top:\n    steps:\n      - {step}: {{key: {key}}}\n{others}"

    for key in ("hits", "own", "bottom"):
        parse_recipe(text(key, "bottom"))
    parse_recipe(text("anything"))  # with one track, names are known only at the render
    for key, told in (
        ("botom", "found the track 'botom'; nearest accepted: bottom"),
        ("zzz", "found the track 'zzz'; accepted: hits, own, bottom"),
        ("top", "found 'top', the track itself"),
    ):
        fault = only(text(key, "bottom"))
        assert fault.startswith(f"line 5, tracks.top.steps[0].{step}.key: {told}")


@pytest.mark.parametrize("step", keyed_steps())
def test_the_key_of_a_faulty_step_is_checked_too(step: str) -> None:
    written = f"{step}: {{key: botom, qqqq: 3}}"
    assert [f.path for f in faults(with_step(written) + "  bottom: {steps: []}\n")] == [
        f"tracks.top.steps[0].{step}.qqqq",
        f"tracks.top.steps[0].{step}.key",
    ]


@pytest.mark.parametrize(
    "step", [n for n, s in STEPS.items() if any(f.is_required() for f in s.model_fields.values())]
)
def test_a_setting_that_is_needed(step: str) -> None:
    for written in (step, f"{step}:", f"{step}: {{}}"):
        for name, field in STEPS[step].model_fields.items():
            if field.is_required():
                told = [str(fault) for fault in faults(with_step(written))]
                place = f"line 5, tracks.top.steps[0].{step}.{name}: found nothing; accepted: "
                assert any(t.startswith(place) and not t.endswith(": ") for t in told)


def test_faults_inside_a_list_do_not_make_it_short() -> None:
    assert len(faults("drumprint: 1\ntracks: {a/b: {steps: []}, c: {steps: [levle]}}")) == 2


def test_eight_faults_are_eight_lines() -> None:
    text = """\
drumprint: 1
abuot: eight faults
tracks:
  top:
    key: botom
    steps:
      - level: {gain: 300 dB, gain: 3 dB}
      - levle: {gain: 3 dB}
      - level: {polarity: !mine keep}
        tone:
  bottom:
    steps: [level: {dealy: 3}]
"""
    told = [(fault.line, fault.path) for fault in faults(text)]
    assert told == [
        (2, "abuot"),
        (5, "tracks.top.key"),
        (7, "tracks.top.steps[0].level.gain"),
        (7, "tracks.top.steps[0].level.gain"),
        (8, "tracks.top.steps[1]"),
        (9, "tracks.top.steps[2].level.polarity"),
        (9, "tracks.top.steps[2]"),
        (12, "tracks.bottom.steps[0].level.dealy"),
    ]
    with pytest.raises(RecipeError) as error:
        parse_recipe(text, "snare.yaml")
    lines = str(error.value).splitlines()
    assert lines[0] == "snare.yaml: 8 faults"
    assert len(lines) == 1 + 8


def test_faults_between_steps_and_tracks_show_beside_others() -> None:
    fault_lines = [f.line for f in faults("drumprint: 3\ntracks:\n  a: {key: q, steps: [x]}\n")]
    assert fault_lines == [1, 3, 3]


def test_a_recipe_does_not_change() -> None:
    recipe = parse_recipe("{drumprint: 1, tracks: {top: {steps: [level]}}}")
    with pytest.raises(ValidationError):
        recipe.about = "x"  # type: ignore[misc]


def test_importing_recipes_loads_no_heavy_library() -> None:
    script = (
        "import sys, dsp.recipe; "
        "print([m for m in ('numpy', 'numba', 'scipy', 'jsonschema') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
