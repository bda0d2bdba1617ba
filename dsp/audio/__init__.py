# SPDX-License-Identifier: GPL-3.0-or-later
"""Audio files in and out: samples, formats, metadata chunks, outputs that are whole or absent."""

from dsp.audio.ahead import TrackAhead
from dsp.audio.atomic import complete_file
from dsp.audio.chunks import (
    Chunk,
    Place,
    bext_time_reference,
    build_bext,
    build_cue,
    build_info,
    build_labels,
    describes_input,
)
from dsp.audio.formats import SampleFormat
from dsp.audio.output_set import OutputSet
from dsp.audio.reading import TrackFile, read_track
from dsp.audio.writing import WriteReport, write_track, write_wav

__all__ = [
    "Chunk",
    "OutputSet",
    "Place",
    "SampleFormat",
    "TrackAhead",
    "TrackFile",
    "WriteReport",
    "bext_time_reference",
    "build_bext",
    "build_cue",
    "build_info",
    "build_labels",
    "complete_file",
    "describes_input",
    "read_track",
    "write_track",
    "write_wav",
]
