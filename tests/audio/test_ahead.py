# SPDX-License-Identifier: GPL-3.0-or-later
"""A file that is read while something else goes on."""

import numpy as np
import pytest

from dsp.audio import SampleFormat, TrackAhead, read_track, write_track
from dsp.errors import AudioError
from dsp.sources import FileSource

RATE = 48_000


def test_it_gives_what_reading_gives(tmp_path):
    path = tmp_path / "in.wav"
    samples = np.random.default_rng(0).uniform(-1, 1, (70_001, 2))
    write_track(path, samples, RATE, SampleFormat("wav", "pcm24"))
    ahead, after = TrackAhead(path).result(), read_track(path)
    assert ahead.samples.tobytes() == after.samples.tobytes()
    assert (ahead.sha256, ahead.format, ahead.rate) == (after.sha256, after.format, after.rate)


def test_its_fault_is_raised_where_the_file_is_wanted(tmp_path):
    path = tmp_path / "in.wav"
    path.write_bytes(b"RIFF")
    ahead = TrackAhead(path)
    with pytest.raises(AudioError, match="first bytes"):
        ahead.result()


def test_a_source_uses_it_once_and_reads_anew_after(tmp_path):
    path = tmp_path / "in.wav"
    write_track(path, np.full((RATE, 1), 0.25), RATE, SampleFormat("wav", "pcm24"))
    source = FileSource({"x": path}, RATE, RATE, {"x": TrackAhead(path)})
    source.buffer("x")[:] = 0.0
    assert (source.buffer("x") == 0.25).all()
