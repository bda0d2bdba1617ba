# SPDX-License-Identifier: GPL-3.0-or-later
"""The set as SFZ, read by a general open reader and by the letter of the published opcodes.

Opcodes, ranges, and the rule that a reader interpolates linearly between the points of
`amp_velcurve_N`: sfzformat.com, pages of each opcode.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
import sfzen

from dsp.samples.sample_set import Sample, SampleSet
from dsp.samples.sfz import sfz_text

MICROPHONES = ("close", "overhead", "room")
TOPS = (19, 40, 77, 127)
LEVELS = (-50.0, -41.0, -30.2, -21.0)
FULL = -20.4
PUBLISHED = {  # opcode: (lowest, highest) or the words that are accepted
    "lokey": (0, 127),
    "hikey": (0, 127),
    "lovel": (1, 127),
    "hivel": (1, 127),
    "seq_length": (1, 100),
    "seq_position": (1, 100),
    "pitch_keytrack": (-1200, 1200),
    "amp_veltrack": (-100, 100),
    "output": (0, 1024),
    "volume": (-144, 6),
    "loop_mode": ("no_loop", "one_shot", "loop_continuous", "loop_sustain"),
}


def made_set(folder, gain_db=0.0, alternates=2):
    samples = [
        Sample(
            stage=stage,
            alternate=alternate,
            velocity_low=([0, *TOPS][stage - 1]) + 1,
            velocity_high=TOPS[stage - 1],
            level_dbfs=LEVELS[stage - 1] + 0.3 * alternate,
            gain_db=gain_db,
            onset=2,
            source_sample=stage * 1000 + alternate,
            files={mic: f"drum_stage{stage}_alt{alternate}_{mic}.wav" for mic in MICROPHONES},
        )
        for stage in range(1, 5)
        for alternate in range(1, alternates + 1)
    ]
    made = SampleSet(folder, "drum", 48_000, 2, MICROPHONES, tuple(samples), None, FULL)
    for sample in samples:
        for name in sample.files.values():
            (folder / name).write_bytes(b"")
    return made


def strict(text):
    """Regions by the letter: headers <group> and <region>, opcode=value, comments after //."""
    group, regions, current = {}, [], None
    for line in text.splitlines():
        words = line.split("//")[0]
        for header, opcode, value in re.findall(r"<(\w+)>|([a-z0-9_]+)=(\S+)", words):
            if header == "group":
                group = current = {}
            elif header == "region":
                current = dict(group)
                regions.append(current)
            elif header:
                raise AssertionError(f"header {header} is not of the first version")
            else:
                current[opcode] = value
    return regions


def gain_db(region, velocity):
    """What a reader adds to a sample at a velocity: volume and the velocity curve in full."""
    points = {int(k.rsplit("_", 1)[1]): float(v) for k, v in region.items() if "velcurve" in k}
    points = {0: 0.0, 127: 1.0, **points}
    at = sorted(points)
    curve = np.interp(velocity, at, [points[n] for n in at])
    assert float(region["amp_veltrack"]) == 100
    return float(region["volume"]) + 20 * math.log10(curve)


@pytest.mark.parametrize("gain", [0.0, 31.5])
def test_every_velocity_plays_at_its_level(tmp_path, gain):
    made = made_set(tmp_path, gain)
    for region in strict(sfz_text(made, MICROPHONES)):
        (sample,) = [s for s in made.samples if region["sample"] in s.files.values()]
        for velocity in range(sample.velocity_low, sample.velocity_high + 1):
            played = sample.level_dbfs + sample.gain_db + gain_db(region, velocity)
            wanted = FULL + 40 * math.log10(velocity / 127)
            assert played == pytest.approx(wanted, abs=0.02)


def test_a_set_that_would_need_more_volume_than_there_is_is_written_lower(tmp_path):
    """`volume` ends at +6 dB; levels of strokes to each other are kept to 0.02 dB."""
    made = made_set(tmp_path)
    softer = tuple(replace(one, level_dbfs=one.level_dbfs - 15) for one in made.samples)
    quiet = replace(made, samples=softer)
    text = sfz_text(quiet, MICROPHONES)
    lower = float(re.search(r"// ([\d.]+) dB lower than recorded", text)[1])
    assert lower > 3
    for region, sample in zip(strict(text), quiet.samples * len(MICROPHONES), strict=True):
        assert float(region["volume"]) <= 6
        for velocity in (sample.velocity_low, sample.velocity_high):
            wanted = quiet.gain_db(sample, velocity) - lower
            assert gain_db(region, velocity) == pytest.approx(wanted, abs=0.02)
    assert "lower than recorded" not in sfz_text(made, MICROPHONES)


def test_only_published_opcodes_within_their_ranges(tmp_path):
    for region in strict(sfz_text(made_set(tmp_path), MICROPHONES)):
        for opcode, value in region.items():
            if opcode == "sample":
                continue
            if match := re.fullmatch(r"amp_velcurve_(\d+)", opcode):
                assert 0 <= int(match[1]) <= 127
                assert 0 <= float(value) <= 1
                continue
            accepted = PUBLISHED[opcode]
            if isinstance(accepted[0], str):
                assert value in accepted
            else:
                assert accepted[0] <= float(value) <= accepted[1]


def check_whole(path, microphones, alternates):
    """Read by the general reader: no errors, files there, velocities tiled, alternates in turn."""
    read = sfzen.SFZ(str(path))
    assert list(read.errors) == []
    regions = [
        {name: opcode.value for name, opcode in region.inherited_opcodes().items()}
        for region in read.regions()
    ]
    assert all(sample.exists() for sample in read.samples())
    assert len({r["sample"] for r in regions}) == len(regions)
    for output, microphone in enumerate(microphones):
        own = [r for r in regions if r["output"] == output]
        assert all(r["sample"].endswith(f"_{microphone}.wav") for r in own)
        for position in range(1, alternates + 1):
            turn = [r for r in own if r["seq_position"] == position]
            assert all(r["seq_length"] == alternates for r in turn)
            covered = [v for r in turn for v in range(r["lovel"], r["hivel"] + 1)]
            assert sorted(covered) == list(range(1, 128))
    assert len(regions) % (len(microphones) * alternates) == 0
    return regions


@pytest.mark.parametrize("alternates", [1, 2, 4])
def test_a_general_reader_finds_all_microphones_and_alternates(tmp_path, alternates):
    made = made_set(tmp_path, alternates=alternates)
    path = tmp_path / "drum.sfz"
    path.write_text(sfz_text(made, MICROPHONES))
    regions = check_whole(path, MICROPHONES, alternates)
    assert len(regions) == 4 * alternates * 3
    assert {(r["lokey"], r["hikey"]) for r in regions} == {(38, 40)}
    path.write_text(sfz_text(made, ["room"]))
    check_whole(path, ["room"], alternates)


def test_both_readings_agree(tmp_path):
    made = made_set(tmp_path)
    path = tmp_path / "drum.sfz"
    path.write_text(sfz_text(made, MICROPHONES))
    for one, other in zip(strict(path.read_text()), sfzen.SFZ(str(path)).regions(), strict=True):
        theirs = {name: opcode.value for name, opcode in other.inherited_opcodes().items()}
        assert set(one) == set(theirs)
        assert all(str(theirs[k]) == v or float(theirs[k]) == float(v) for k, v in one.items())
