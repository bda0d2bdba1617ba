# SPDX-License-Identifier: GPL-3.0-or-later
"""The tracks of a take that lies in files, and the quick looks that come before long work."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import soundfile as sf

from dsp.audio import TrackAhead, TrackFile, read_track
from dsp.errors import AudioError, UsageError
from dsp.take import HIGHEST_RATE, LOWEST_RATE, Samples


class Stated(NamedTuple):
    """What a file's header states."""

    rate: int
    frames: int
    channels: int


def common_clock(files: Mapping[str, Path]) -> tuple[int, int, dict[str, int]]:
    """Rate and frames of all files, and the channels of each, by their headers.

    Raises `AudioError` where one is unusable, or naming two that differ.
    """
    found = {track: stated(path) for track, path in files.items()}
    if not found:
        raise UsageError("found no tracks; accepted: at least one TRACK=FILE")
    first, one = next(iter(found.items()))
    for track, other in found.items():
        if other.rate != one.rate:
            raise AudioError(
                f"{files[first]} has {one.rate} Hz and {files[track]} has {other.rate} Hz; "
                "accepted: tracks of one take, all at one sample rate"
            )
        if other.frames != one.frames:
            raise AudioError(
                f"{files[first]} has {one.frames} frames and {files[track]} has {other.frames} "
                "frames; accepted: tracks of one take, all of one length"
            )
    return one.rate, one.frames, {track: other.channels for track, other in found.items()}


def stated(path: Path) -> Stated:
    """Rate, frames and channels that a file's header states."""
    try:
        info = sf.info(str(path))
    except (sf.SoundFileError, OSError):
        info = None
    if info is None or info.frames < 1 or not LOWEST_RATE <= info.samplerate <= HIGHEST_RATE:
        # This look is only quick: the careful reader knows the format, or says what is wrong.
        track = read_track(path)
        return Stated(track.rate, *track.samples.shape)
    return Stated(info.samplerate, info.frames, info.channels)


class FileSource:
    """The tracks of a take, by file. `rate` in hertz, `tracks` their names.

    `ahead` are tracks that are already being read.
    """

    def __init__(
        self,
        files: Mapping[str, Path],
        rate: int,
        frames: int,
        ahead: Mapping[str, TrackAhead] | None = None,
    ) -> None:
        self.rate = rate
        self.tracks = tuple(files)
        self._files = files
        self._frames = frames
        self._ahead = dict(ahead or {})

    def read(self, track: str) -> TrackFile:
        """The whole file; it must still be what its header stated when the render began."""
        ahead = self._ahead.pop(track, None)
        file = read_track(self._files[track]) if ahead is None else ahead.result()
        if (file.rate, len(file.samples)) != (self.rate, self._frames):
            raise AudioError(
                f"{file.path}: found {len(file.samples)} frames at {file.rate} Hz; "
                f"accepted: {self._frames} frames at {self.rate} Hz, as at the start of the render"
            )
        return file

    def raw(self, track: str) -> Samples:
        """The samples of a track, decoded anew: held only as long as a step looks at them."""
        return self.read(track).samples

    def buffer(self, track: str) -> Samples:
        """The same: what was decoded belongs to the caller."""
        return self.raw(track)
