# SPDX-License-Identifier: GPL-3.0-or-later
"""The microphones that a set is cut from: files, treated by a recipe where one is given."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from dsp.audio import SampleFormat
from dsp.errors import UsageError
from dsp.sources import FileSource, common_clock
from dsp.take import Samples, Take

if TYPE_CHECKING:
    from dsp.recipe import Recipe

CLOSE = "close"
MIXED = SampleFormat("wav", "pcm24")  # where the inputs differ


class SetSource:
    """The microphones of a recording, the close one first.

    Raises `UsageError` for names that cannot be files or a close microphone that is not given,
    `AudioError` where files do not belong together.
    """

    def __init__(self, files: Mapping[str, Path], close: str | None) -> None:
        from dsp.recipe.tracks import check_track_name

        if not files:
            raise UsageError("found no tracks; accepted: at least one TRACK=FILE, the close one")
        for name in files:
            try:
                check_track_name(name)
            except ValueError as error:
                raise UsageError(str(error)) from error
        first = close or (CLOSE if CLOSE in files else next(iter(files)))
        if first not in files:
            raise UsageError(f"close track: found {first}; accepted: one of {', '.join(files)}")
        self.files = dict(files)
        self.microphones = (first, *(name for name in files if name != first))
        self.rate, frames, _ = common_clock(files)
        self._source = FileSource(files, self.rate, frames)
        self._treated: dict[str, Samples] = {}
        self._formats: dict[str, SampleFormat] = {}

    @property
    def close(self) -> str:
        """The microphone on which strokes are found."""
        return self.microphones[0]

    def read(self, microphone: str) -> Samples:
        """Samples (frames, channels) of a microphone, treated where it is."""
        if microphone in self._treated:
            return self._treated[microphone]
        return self._read(microphone)

    def untreated(self) -> Samples | None:
        """The close microphone as it was recorded, where `read` returns a treated one."""
        return self._read(self.close) if self.close in self._treated else None

    def treat(self, recipe: Recipe) -> None:
        """Treat the microphones that a recipe knows; `read` returns what came out from then on."""
        self._treated = self.treated(recipe)

    def treated(self, recipe: Recipe) -> dict[str, Samples]:
        """What a recipe makes of those microphones that it knows.

        A recipe with one track, of whatever name, is for the close microphone unless another has
        that name. Raises `UsageError` where the recipe wants a track that is not there.
        """
        from dsp.matching import helpers, matched
        from dsp.printing import print_take

        heard = helpers(recipe)
        own = [name for name in self.files if name in recipe.tracks]
        if len(recipe.tracks) == 1 and not recipe.groups and not own:
            own = [self.close]
        given = dict.fromkeys([*own, *(name for name in heard if name in self.files)])
        recipe = matched(recipe, tuple(given))
        take = Take(self.rate, {name: self._read(name) for name in given})
        return {name: done.samples for name, done in print_take(take, recipe).tracks.items()}

    def sample_format(self) -> SampleFormat:
        """The format of the microphones read so far, or 24-bit PCM where they differ."""
        kinds = {one.subtype for one in self._formats.values()}
        return SampleFormat("wav", kinds.pop()) if len(kinds) == 1 else MIXED

    def _read(self, microphone: str) -> Samples:
        file = self._source.read(microphone)
        self._formats[microphone] = file.format
        return file.samples


def finding_track(source: SetSource, recipe: Recipe | None) -> Samples | None:
    """The close track as a recipe cleans it, to find strokes on; None without a recipe.

    Raises `UsageError` where the recipe does not treat the close track.
    """
    if recipe is None:
        return None
    done = source.treated(recipe)
    if source.close not in done:
        raise UsageError(
            f"the recipe to find with treats {', '.join(done)}; "
            f"accepted: one that treats {source.close}"
        )
    return done[source.close]
