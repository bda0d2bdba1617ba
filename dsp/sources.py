# SPDX-License-Identifier: GPL-3.0-or-later
"""The tracks of a take that lies in files, and the quick looks that come before long work."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import soundfile as sf

from dsp.audio import TrackFile, read_track
from dsp.errors import AudioError, UsageError
from dsp.take import HIGHEST_RATE, LOWEST_RATE, Samples


def common_clock(files: Mapping[str, Path]) -> tuple[int, int]:
    """Rate and frames of all files, by their headers.

    Raises `AudioError` where one is unusable, or naming two that differ.
    """
    first: tuple[Path, int, int] | None = None
    for path in files.values():
        rate, frames = stated(path)
        if first is None:
            first = (path, rate, frames)
        elif rate != first[1]:
            raise AudioError(
                f"{first[0]} has {first[1]} Hz and {path} has {rate} Hz; "
                "accepted: tracks of one take, all at one sample rate"
            )
        elif frames != first[2]:
            raise AudioError(
                f"{first[0]} has {first[2]} frames and {path} has {frames} frames; "
                "accepted: tracks of one take, all of one length"
            )
    if first is None:
        raise UsageError("found no tracks; accepted: at least one TRACK=FILE")
    return first[1], first[2]


def stated(path: Path) -> tuple[int, int]:
    """Rate and frames that a file's header states."""
    try:
        info = sf.info(str(path))
    except (sf.SoundFileError, OSError):
        info = None
    if info is None or info.frames < 1 or not LOWEST_RATE <= info.samplerate <= HIGHEST_RATE:
        # This look is only quick: the careful reader knows the format, or says what is wrong.
        track = read_track(path)
        return track.rate, len(track.samples)
    return info.samplerate, info.frames


class FileSource:
    """The tracks of a take, by file. `rate` in hertz, `tracks` their names."""

    def __init__(self, files: Mapping[str, Path], rate: int, frames: int) -> None:
        self.rate = rate
        self.tracks = tuple(files)
        self._files = files
        self._frames = frames

    def read(self, track: str) -> TrackFile:
        """The whole file; it must still be what its header stated when the render began."""
        file = read_track(self._files[track])
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
