# SPDX-License-Identifier: GPL-3.0-or-later
"""Damaged files are refused with `AudioError` or read; nothing else ever comes out."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.audio import SampleFormat, build_bext, build_cue, read_track, write_track
from dsp.errors import AudioError

from . import by_hand

KINDS = ["wav", "extensible", "float", "rf64", "bw64", "aiff", "flac"]


def whole_file(path, kind):
    """Write a small undamaged file of `kind`; return its bytes."""
    if kind == "aiff":
        mark = b"\0\1\0\1\0\0\0\7\3one"
        by_hand.aiff_with(
            path, by_hand.aiff_chunk(b"MARK", mark), by_hand.aiff_chunk(b"NAME", b"x")
        )
    elif kind == "flac":
        by_hand.flac_with(path, by_hand.flac_block(2, b"riff" + by_hand.chunk(b"iXML", b"abc")))
    else:
        samples = np.random.default_rng(0).integers(-99, 99, (40, 2)) / 2.0**15
        chunks = [build_bext("", "", "2024-05-06", "10-00-00", 1), build_cue([3])]
        subtype = "float32" if kind == "float" else "pcm16"
        container = "rf64" if kind in ("rf64", "bw64") else "wav"
        mask = 3 if kind == "extensible" else None
        write_track(path, samples, 48000, SampleFormat(container, subtype, mask), chunks)
        if kind == "bw64":
            path.write_bytes(b"BW64" + path.read_bytes()[4:])
    return path.read_bytes()


def read_or_refuse(path):
    try:
        track = read_track(path)
    except AudioError as error:
        message = str(error)
    else:
        assert track.samples.shape[0] >= 1
        assert np.isfinite(track.samples).all()
        return track
    assert str(path) in message
    assert "\n" not in message
    return None


@pytest.mark.parametrize("kind", KINDS)
def test_truncated_anywhere(tmp_path, kind):
    path = tmp_path / "a"
    raw = whole_file(path, kind)
    whole = read_track(path)
    lengths = range(0, len(raw), max(len(raw) // 150, 1))
    for length in lengths:
        path.write_bytes(raw[:length])
        track = read_or_refuse(path)
        # What a shorter file may lose is a whole chunk after the samples, never a sample.
        assert track is None or np.array_equal(track.samples, whole.samples)


@pytest.mark.parametrize("kind", KINDS)
def test_corrupted_headers(tmp_path, kind):
    path = tmp_path / "a"
    raw = whole_file(path, kind)
    rng = np.random.default_rng(KINDS.index(kind))
    heads = [*range(120), *range(len(raw) - 60, len(raw))]
    refused = 0
    for _ in range(250):
        damaged = bytearray(raw)
        for place in rng.choice(heads, rng.integers(1, 4), replace=False):
            damaged[place] = rng.choice([0, 1, 0x7F, 0x80, 0xFF, rng.integers(256)])
        path.write_bytes(damaged)
        refused += read_or_refuse(path) is None
    assert refused > 0
