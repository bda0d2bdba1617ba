# SPDX-License-Identifier: GPL-3.0-or-later
"""Groups: which tracks they sum, and the treated tracks kept for it.

Decisions:

- A group sums what its members' last steps gave, float64, before anything is written in the
  sample format of a file: member after member in the recipe's order, each times its level. So a
  group without steps is the plain sum, bit for bit, whatever the number of workers.
- In memory, members are the prints themselves. From files to files, each treated track that a
  group needs is kept as raw float64 in a nameless file beside the outputs until the print is
  done: reading it back costs a fraction of treating it anew, and memory stays at one buffer per
  track in work, whatever the number of members.
"""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Protocol

import numpy as np

from dsp.audio.atomic import cannot_write
from dsp.errors import AudioError
from dsp.recipe.grouped import in_order
from dsp.take import CHUNK, Samples

if TYPE_CHECKING:
    from dsp.recipe import Recipe


class Stems(Protocol):
    """Treated tracks and groups that are kept for the groups that sum them."""

    def keep(self, name: str, samples: Samples) -> None:
        """Keep what the steps of a track or group made of it."""

    def pieces(self, name: str) -> Iterator[Samples]:
        """The same samples, in order, in pieces of any length; not to be written to."""

    def shape(self, name: str) -> tuple[int, int]:
        """Its frames and channels."""


class HeldStems:
    """Stems in memory, where they are wanted as results anyway."""

    def __init__(self) -> None:
        self._held: dict[str, Samples] = {}

    def keep(self, name: str, samples: Samples) -> None:
        """Keep the array itself."""
        self._held[name] = samples

    def pieces(self, name: str) -> Iterator[Samples]:
        """The array, in one piece."""
        yield self._held[name]

    def shape(self, name: str) -> tuple[int, int]:
        """Frames and channels."""
        frames, channels = self._held[name].shape
        return frames, channels


class FiledStems:
    """Stems in nameless files in `folder`, which vanish when they are closed."""

    def __init__(self, folder: Path, files: ExitStack) -> None:
        self._folder = folder
        self._files = files
        self._held: dict[str, tuple[IO[bytes], tuple[int, int]]] = {}
        self._lock = threading.Lock()

    def keep(self, name: str, samples: Samples) -> None:
        """Write the samples; raises `OutputError` where there is no room."""
        try:
            file = tempfile.TemporaryFile(dir=self._folder)  # noqa: SIM115 (closed by the stack)
            with self._lock:
                self._files.enter_context(file)
            for start in range(0, len(samples), CHUNK):
                file.write(np.ascontiguousarray(samples[start : start + CHUNK]).data)
            file.flush()
        except OSError as error:
            raise cannot_write(self._folder / name, error) from error
        frames, channels = samples.shape
        self._held[name] = file, (frames, channels)

    def pieces(self, name: str) -> Iterator[Samples]:
        """Read the samples back."""
        file, (frames, channels) = self._held[name]
        for start in range(0, frames, CHUNK):
            piece = np.empty((min(CHUNK, frames - start), channels))
            with self._lock:  # two groups may read one member at once
                file.seek(start * channels * piece.itemsize)
                file.readinto(piece)  # type: ignore[attr-defined]
            yield piece

    def shape(self, name: str) -> tuple[int, int]:
        """Frames and channels."""
        return self._held[name][1]


@contextmanager
def filed_stems(folder: Path) -> Iterator[FiledStems]:
    """Stems in files, until the block ends; `folder` exists."""
    with ExitStack() as files:
        yield FiledStems(folder, files)


def summed(stems: Stems, of: Mapping[str, float]) -> Samples:
    """The sum of members, each at its level in dB, in a fresh array (frames, channels)."""
    frames, channels = (max(sizes) for sizes in zip(*map(stems.shape, of), strict=True))
    total = np.empty((frames, channels))
    for number, (name, level) in enumerate(of.items()):
        start = 0
        for piece in stems.pieces(name):
            part = total[start : start + len(piece)]
            scaled = piece if level == 0 else piece * 10.0 ** (level / 20.0)
            if number == 0:
                part[...] = scaled  # mono goes to all channels
            else:
                part += scaled
            start += len(piece)
    return total


def waves(recipe: Recipe) -> list[list[str]]:
    """Groups in turns: those of one turn need nothing of each other, only of earlier ones."""
    depth = dict.fromkeys(recipe.tracks, 0)
    turns: dict[int, list[str]] = {}
    for name in in_order({name: tuple(group.of) for name, group in recipe.groups.items()}):
        depth[name] = 1 + max(depth[member] for member in recipe.groups[name].of)
        turns.setdefault(depth[name], []).append(name)
    return list(turns.values())


def summed_names(recipe: Recipe) -> set[str]:
    """Tracks and groups that some group sums."""
    return {member for group in recipe.groups.values() for member in group.of}


def first_track(recipe: Recipe, name: str) -> str:
    """The track itself; of a group, the first track in it."""
    while name in recipe.groups:
        name = next(iter(recipe.groups[name].of))
    return name


def key_of(recipe: Recipe, name: str) -> str:
    """The track on which the strokes of a track or group are found."""
    while name in recipe.groups:
        group = recipe.groups[name]
        if group.key is not None:
            return group.key
        name = next(iter(group.of))
    return recipe.tracks[name].key or name


def refuse_channels(recipe: Recipe, channels: Mapping[str, int]) -> None:
    """Raise `AudioError` where a group would sum tracks of, say, two and three channels."""
    counts = dict(channels)
    for name in (name for turn in waves(recipe) for name in turn):
        members = {member: counts[member] for member in recipe.groups[name].of}
        counts[name] = max(members.values())
        if set(members.values()) - {1, counts[name]}:
            listed = ", ".join(f"{member} with {count}" for member, count in members.items())
            raise AudioError(
                f"group {name}: found channels that do not fit: {listed}; "
                "accepted: members of one number of channels, and mono"
            )
