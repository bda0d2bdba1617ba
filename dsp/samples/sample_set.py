# SPDX-License-Identifier: GPL-3.0-or-later
"""A sample set and its manifest: which file is which stroke, and at which velocity it plays.

Decisions:

- Velocity is level by the square law, level(v) = full + 40·lg(v / 127), where `full_dbfs` is the
  level of the loudest stroke of the recording. It is the law of the hit map, and a stroke plays at
  its own level. (DLS level 1; R. Dannenberg, "The Interpretation of MIDI Velocity", ICMC 2006.)
- A sample that plays at a velocity is turned up or down from its own level to that of the
  velocity, so that level moves evenly within a stage and does not jump from stage to stage; the
  stage decides only how the stroke sounds.
- Files are named relative to the manifest, without folders, so a set can be moved.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from dsp.errors import OutputError, UsageError
from dsp.take import HIGHEST_RATE, LOWEST_RATE

MANIFEST = "set.json"
FORMAT = 1
SOFTEST, LOUDEST = 1, 127  # MIDI velocities; 0 ends a note

STRICT = ConfigDict(extra="forbid")
Level = Annotated[float, Field(allow_inf_nan=False)]
Velocity = Annotated[int, Field(ge=SOFTEST, le=LOUDEST, strict=True)]
Count = Annotated[int, Field(ge=1, strict=True)]
Position = Annotated[int, Field(ge=0, strict=True)]
Text = Annotated[str, Field(min_length=1, strict=True)]


@dataclass(frozen=True)
class Sample:
    """One stroke of a set.

    `stage` 1 is the softest; `alternate` 1, 2 … within the stage. `velocity_low` to
    `velocity_high` is the stage's share of 1 … 127. `level_dbfs` is the stroke's level on the close
    track as recorded (`dsp.samples.level`); `gain_db` was added to all its files. `onset` is the
    sample of the close file at which the stroke arrives, `source_sample` that sample in the
    recording. `files` holds a WAV file's name for each microphone.
    """

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    stage: Count
    alternate: Count
    velocity_low: Velocity
    velocity_high: Velocity
    level_dbfs: Level
    gain_db: Level
    onset: Position
    source_sample: Position
    files: Mapping[Text, Text]


@dataclass(frozen=True)
class SampleSet:
    """The samples of one drum, softest stage first; `microphones` has the close one first.

    `rate` in hertz; `lead` samples lie before each arrival; `fundamental_hz` is None where the
    drum's tuning was not found; `full_dbfs` is the level at velocity 127.
    """

    __pydantic_config__: ClassVar[ConfigDict] = STRICT

    folder: Path
    name: Text
    rate: Annotated[int, Field(ge=LOWEST_RATE, le=HIGHEST_RATE, strict=True)]
    lead: Position
    microphones: Annotated[tuple[Text, ...], Field(min_length=1)]
    samples: Annotated[tuple[Sample, ...], Field(min_length=1)]
    fundamental_hz: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None
    full_dbfs: Level

    def level_at(self, velocity: float) -> float:
        """Level in dBFS at which the set plays a velocity, 1 … 127."""
        return self.full_dbfs + 40.0 * math.log10(velocity / LOUDEST)

    def velocity_for(self, level_dbfs: float) -> int:
        """The velocity 1 … 127 that plays nearest to a level in dBFS."""
        exact = LOUDEST * 10.0 ** (min(level_dbfs - self.full_dbfs, 0.0) / 40.0)
        return int(min(max(round(exact), SOFTEST), LOUDEST))

    def alternates(self, velocity: int) -> tuple[Sample, ...]:
        """The strokes that play at a velocity 1 … 127, in order. Raises `UsageError` outside."""
        fit = tuple(s for s in self.samples if s.velocity_low <= velocity <= s.velocity_high)
        if not fit:
            raise UsageError(f"velocity {velocity}; accepted: {SOFTEST} to {LOUDEST}")
        return fit

    def gain_db(self, sample: Sample, velocity: int) -> float:
        """What brings a sample's files to the level of a velocity, dB."""
        return self.level_at(velocity) - sample.level_dbfs - sample.gain_db

    def path(self, sample: Sample, microphone: str) -> Path:
        """Where a sample's file for a microphone lies."""
        return self.folder / sample.files[microphone]


def manifest_bytes(samples: SampleSet) -> bytes:
    """The set's manifest as a JSON file."""
    content = asdict(samples)
    del content["folder"]
    return (json.dumps({"set": FORMAT, **content}, indent=2, ensure_ascii=False) + "\n").encode()


def load_set(folder: Path) -> SampleSet:
    """Read the set in `folder`, or the one whose manifest `folder` is.

    Raises `UsageError` naming the manifest, the place in it, what was found and what is accepted
    (all faults at once), also where a file that it names is missing.
    """
    given = Path(folder)
    path = given / MANIFEST if given.is_dir() else given
    data = _read(path)
    version = data.pop("set", None)
    if version != FORMAT:
        raise UsageError(f"{path}: set: found {version!r}; accepted: {FORMAT}")
    try:
        found = _ADAPTER.validate_python({**data, "folder": path.parent})
    except ValidationError as error:
        raise UsageError(_told(path, [_fault(each) for each in error.errors()])) from error
    if faults := _faults(found):
        raise UsageError(_told(path, faults))
    return found


_ADAPTER: TypeAdapter[SampleSet] = TypeAdapter(SampleSet)


def _read(path: Path) -> dict[str, Any]:
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError as error:
        raise UsageError(
            f"{path}: no such file; accepted: the folder of a sample set, with its {MANIFEST}"
        ) from error
    except OSError as error:
        raise OutputError(f"{path}: cannot be read ({error.strerror or error})") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: byte {error.start} is not UTF-8; accepted: JSON") from error
    try:
        data = json.loads(text)
    except ValueError as error:
        raise UsageError(f"{path}: found no JSON ({error}); accepted: a set's manifest") from error
    if not isinstance(data, dict):
        raise UsageError(f"{path}: found {type(data).__name__}; accepted: a JSON object")
    return data


def _fault(error: Any) -> str:
    place = ".".join(str(part) for part in error["loc"])
    if error["type"] in ("missing", "unexpected_keyword_argument"):
        return f"{place}: {error['msg']}"
    return f"{place}: found {error['input']!r}; {error['msg']}"


def _told(path: Path, faults: list[str]) -> str:
    if len(faults) == 1:
        return f"{path}: {faults[0]}"
    return "\n".join([f"{path}: {len(faults)} faults", *(f"  {fault}" for fault in faults)])


def _faults(found: SampleSet) -> list[str]:
    """What the fields say of each other: stages, alternates, velocities, files."""
    faults = _stage_faults(found)
    for number, sample in enumerate(found.samples):
        place = f"samples.{number}"
        if sample.onset != found.lead:
            faults.append(f"{place}.onset: found {sample.onset}; accepted: the lead, {found.lead}")
        if set(sample.files) != set(found.microphones):
            faults.append(
                f"{place}.files: found {', '.join(sample.files) or 'none'}; "
                f"accepted: one for each of {', '.join(found.microphones)}"
            )
        for microphone, name in sample.files.items():
            where = f"{place}.files.{microphone}"
            if "/" in name or "\\" in name or name in (".", ".."):
                faults.append(f"{where}: found {name!r}; accepted: a file's name, without folders")
            elif not (found.folder / name).is_file():
                faults.append(f"{where}: no file {name} beside the manifest")
    return faults


def _stage_faults(found: SampleSet) -> list[str]:
    stages: dict[int, list[Sample]] = {}
    for sample in found.samples:
        stages.setdefault(sample.stage, []).append(sample)
    faults = []
    if list(stages) != list(range(1, len(stages) + 1)):
        faults.append(f"samples: found stages {list(stages)}; accepted: 1, 2 … in order")
    low = SOFTEST
    for stage, samples in stages.items():
        numbers = [sample.alternate for sample in samples]
        if numbers != list(range(1, len(numbers) + 1)):
            faults.append(f"stage {stage}: found alternates {numbers}; accepted: 1, 2 … in order")
        ranges = {(sample.velocity_low, sample.velocity_high) for sample in samples}
        first, last = samples[0].velocity_low, samples[0].velocity_high
        if len(ranges) > 1 or first != low or last < first:
            listed = ", ".join(f"{a} to {b}" for a, b in sorted(ranges))
            faults.append(f"stage {stage}: found velocities {listed}; accepted: from {low} on")
        low = max(last, low) + 1
    if low != LOUDEST + 1:
        faults.append(f"samples: velocities end at {low - 1}; accepted: {LOUDEST}")
    return faults
