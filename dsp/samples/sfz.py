# SPDX-License-Identifier: GPL-3.0-or-later
"""A sample set as SFZ, an open text format that names files, keys and velocities.

Decisions:

- Only headers and opcodes of the format's first version, within their published ranges
  (sfzformat.com), so that every reader understands them.
- Level is written as a curve of each region, `amp_velcurve_N`, one point for each of its
  velocities, and `volume` for the region's loudest: together they are exactly the gain by which the
  set plays a sample at a velocity (`SampleSet.gain_db`). Without them a reader would turn soft
  stages down twice, since they were recorded soft.
- `volume` ends at +6 dB. Where a sample of a set must be turned up by more (a soft stage recorded
  soft, and few of them), all of the set is written so much lower, and the file says by how much:
  strokes keep their levels to each other.
- Alternates go in turn over both keys of the set (`seq_length`, `seq_position`), so no sound comes
  twice running whichever hand plays.
- One file holds all microphones, each on its own stereo output (`output`; a reader without several
  outputs mixes them, which is right too), and one file per microphone holds that one alone.
- Samples play to their end (`loop_mode=one_shot`): a drum knows no key release.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from dsp.errors import UsageError
from dsp.samples.hands import NOTES
from dsp.samples.sample_set import Sample, SampleSet

VOLUME_DB = (-144.0, 6.0)  # published range of `volume`
LONGEST_TURN = 100  # published range of `seq_length`


def sfz_text(samples: SampleSet, microphones: Iterable[str]) -> str:
    """The set as SFZ with these microphones, the first on output 0.

    Raises `UsageError` where a stage has more alternates than the format allows.
    """
    names = tuple(microphones)
    lower_db = _lower_db(samples)
    lines = [
        f"// {samples.name}: {', '.join(names)}",
        f"// velocity v plays at {samples.full_dbfs - lower_db:.2f} dBFS + 40 lg(v / 127)",
    ]
    if lower_db:
        lines.append(f"// {lower_db:.2f} dB lower than recorded: volume ends at +6 dB")
    for output, microphone in enumerate(names):
        lines += [
            "",
            f"// {microphone}",
            "<group>",
            f"lokey={NOTES[0]} hikey={NOTES[-1]} pitch_keytrack=0",
            f"loop_mode=one_shot amp_veltrack=100 output={output}",
        ]
        lines += [_region(samples, sample, microphone, lower_db) for sample in samples.samples]
    return "\n".join(lines) + "\n"


def _lower_db(samples: SampleSet) -> float:
    """By how much all is written lower, so that no region needs more volume than there is; dB."""
    most = max(samples.gain_db(sample, sample.velocity_high) for sample in samples.samples)
    return max(math.ceil(100 * (most - VOLUME_DB[1])) / 100, 0.0)


def _region(samples: SampleSet, sample: Sample, microphone: str, lower_db: float) -> str:
    turn = len(samples.alternates(sample.velocity_low))
    if turn > LONGEST_TURN:
        raise UsageError(f"{turn} alternates in a stage; accepted: {LONGEST_TURN} in SFZ")
    velocities = range(sample.velocity_low, sample.velocity_high + 1)
    gains = [samples.gain_db(sample, velocity) - lower_db for velocity in velocities]
    volume = math.floor(1000 * gains[-1]) / 1000
    curve = [
        f"amp_velcurve_{velocity}={min(10 ** ((gain - volume) / 20), 1.0):.6f}"
        for velocity, gain in zip(velocities, gains, strict=True)
    ]
    return "\n".join(
        [
            "<region>",
            f"sample={sample.files[microphone]}",
            f"lovel={sample.velocity_low} hivel={sample.velocity_high}",
            f"seq_length={turn} seq_position={sample.alternate}",
            f"volume={volume:.3f}",
            *(" ".join(curve[i : i + 5]) for i in range(0, len(curve), 5)),
        ]
    )
