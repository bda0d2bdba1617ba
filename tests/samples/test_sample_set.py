# SPDX-License-Identifier: GPL-3.0-or-later
"""The manifest of a sample set: round trip, velocities, and every fault told."""

from __future__ import annotations

import json

import numpy as np
import pytest

from dsp.errors import UsageError
from dsp.samples.level import SILENCE_DBFS, stroke_level_dbfs
from dsp.samples.sample_set import MANIFEST, Sample, SampleSet, load_set, manifest_bytes

RATE = 48_000
MICROPHONES = ("close", "room")


def sample(stage, alternate, low, high, level, name=""):
    files = {mic: f"snare_{stage}_{alternate}_{mic}.wav" for mic in MICROPHONES}
    return Sample(stage, alternate, low, high, level, 0.0, 2, 1000 * stage + alternate, files)


@pytest.fixture
def made(tmp_path):
    samples = (
        sample(1, 1, 1, 40, -38.0),
        sample(1, 2, 1, 40, -37.0),
        sample(2, 1, 41, 127, -18.5),
        sample(2, 2, 41, 127, -17.5),
    )
    made = SampleSet(tmp_path, "snare", RATE, 2, MICROPHONES, samples, 203.0, -18.0)
    for each in samples:
        for name in each.files.values():
            (tmp_path / name).write_bytes(b"")
    (tmp_path / MANIFEST).write_bytes(manifest_bytes(made))
    return made


def test_a_set_is_read_as_it_was_written(made):
    assert load_set(made.folder) == made
    assert load_set(made.folder / MANIFEST) == made


def test_velocity_is_level_by_the_square_law_and_back(made):
    assert made.level_at(127) == -18.0
    assert made.level_at(63.5) == pytest.approx(-18.0 + 40 * np.log10(0.5))
    for velocity in range(1, 128):
        assert made.velocity_for(made.level_at(velocity)) == velocity
    assert made.velocity_for(0.0) == 127
    assert made.velocity_for(-300.0) == 1


def test_every_alternate_plays_at_the_level_of_the_velocity(made):
    for velocity in range(1, 128):
        stage = made.alternates(velocity)
        assert len(stage) == 2
        for each in stage:
            played = each.level_dbfs + each.gain_db + made.gain_db(each, velocity)
            assert played == pytest.approx(made.level_at(velocity))
    with pytest.raises(UsageError, match="velocity 0; accepted: 1 to 127"):
        made.alternates(0)


def broken(made, change):
    path = made.folder / MANIFEST
    data = json.loads(path.read_text())
    change(data)
    path.write_text(json.dumps(data))
    with pytest.raises(UsageError) as fault:
        load_set(made.folder)
    assert str(path) in str(fault.value)
    return str(fault.value)


FAULTS = {
    "version": (lambda d: d.update(set=2), "set: found 2; accepted: 1"),
    "no name": (lambda d: d.pop("name"), "name: "),
    "unknown key": (lambda d: d.update(color="red"), "color: "),
    "rate": (lambda d: d.update(rate=8000), "rate: found 8000"),
    "velocity": (lambda d: d["samples"][0].update(velocity_low=0), "0.velocity_low: found 0"),
    "level": (lambda d: d["samples"][1].update(level_dbfs="loud"), "1.level_dbfs: found"),
    "gap": (lambda d: d["samples"][0].update(velocity_high=39), "stage 2: found velocities 41"),
    "end": (
        lambda d: [s.update(velocity_high=120) for s in d["samples"][2:]],
        "velocities end at 120; accepted: 127",
    ),
    "stages": (lambda d: [s.update(stage=3) for s in d["samples"][2:]], "found stages [1, 3]"),
    "alternates": (lambda d: d["samples"][1].update(alternate=1), "found alternates [1, 1]"),
    "onset": (lambda d: d["samples"][3].update(onset=5), "samples.3.onset: found 5; accepted"),
    "microphones": (lambda d: d["samples"][0]["files"].pop("room"), "samples.0.files: found close"),
    "folder": (lambda d: d["samples"][0]["files"].update(room="../a.wav"), "without folders"),
    "missing": (lambda d: d["samples"][0]["files"].update(room="a.wav"), "no file a.wav beside"),
    "no samples": (lambda d: d.update(samples=[]), "samples: found []"),
}  # fmt: skip


@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_is_told_with_its_place(made, kind):
    change, said = FAULTS[kind]
    assert said in broken(made, change)


def test_all_faults_are_told_at_once(made):
    def change(data):
        data["rate"] = 8000
        data["lead"] = -1

    told = broken(made, change)
    assert "2 faults" in told
    assert "lead: found -1" in told


def test_what_is_no_set_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"no such file; accepted: the folder of a sample set"):
        load_set(tmp_path)
    path = tmp_path / MANIFEST
    for text, said in (("{", "found no JSON"), ("[]", "found list; accepted: a JSON object")):
        path.write_text(text)
        with pytest.raises(UsageError, match=said):
            load_set(tmp_path)
    path.write_bytes(b'{"\xff": 1}')
    with pytest.raises(UsageError, match="byte 2 is not UTF-8"):
        load_set(tmp_path)


def test_level_is_the_rms_of_60_ms():
    frames = round(0.06 * RATE)
    sound = np.zeros((2 * frames, 2))
    sound[100 : 100 + frames] = 0.1
    assert stroke_level_dbfs(sound, 100, RATE) == pytest.approx(-20.0)
    sound[100 + frames // 2 :] = 0.0
    assert stroke_level_dbfs(sound, 100, RATE) == pytest.approx(-20.0 - 10 * np.log10(2))
    assert stroke_level_dbfs(sound, 2 * frames - 5, RATE) == SILENCE_DBFS
