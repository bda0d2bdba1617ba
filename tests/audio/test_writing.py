# SPDX-License-Identifier: GPL-3.0-or-later
"""Writing: exact samples, every chunk in its place, RF64 where needed."""

from __future__ import annotations

import io
import math
import struct

import numpy as np
import pytest
import soundfile as sf

from dsp.audio import (
    Chunk,
    Place,
    SampleFormat,
    bext_time_reference,
    build_bext,
    build_cue,
    read_track,
    write_track,
    write_wav,
    writing,
)
from dsp.errors import AudioError, UsageError

from . import by_hand

SUBTYPES = ["pcm16", "pcm24", "pcm32", "float32", "float64"]
CHUNKS = (
    Chunk("JUNK", bytes(28), Place.BEFORE_FORMAT),
    build_bext("top", "drumprint", "2024-05-06", "10-00-00", 0x3DCC50000, coding_history="odd"),
    Chunk("iXML", b"<BWFXML/>\n", Place.BEFORE_DATA),
    Chunk("LIST", b"INFOINAM\x04\0\0\0abc\0", Place.AFTER_DATA),
    build_cue([1, 2]),
    Chunk("xyz ", b"unknown to anyone", Place.AFTER_DATA),
)


def exact_samples(subtype: str, frames: int, channels: int) -> np.ndarray:
    """Samples that the format holds exactly, its extremes among them."""
    rng = np.random.default_rng(frames + channels)
    if subtype.startswith("float"):
        samples = rng.normal(0.0, 1.0, (frames, channels))
        return samples.astype(subtype).astype(np.float64)
    largest = 2 ** (int(subtype[3:]) - 1)
    codes = rng.integers(-largest, largest, (frames, channels))
    codes[0], codes[1], codes[2] = -largest, largest - 1, 0
    return codes / float(largest)


@pytest.mark.parametrize("rate", [44100, 48000, 88200, 96000, 176400, 192000])
@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("subtype", SUBTYPES)
def test_round_trip_is_exact(tmp_path, subtype, channels, rate):
    samples = exact_samples(subtype, 101, channels)
    path = tmp_path / "a.wav"
    sample_format = SampleFormat("wav", subtype, 0x3F if channels == 6 else None)
    report = write_track(path, samples, rate, sample_format, CHUNKS)
    track = read_track(path)
    assert np.array_equal(track.samples, samples)
    assert (track.rate, track.format, track.chunks) == (rate, sample_format, CHUNKS)
    assert report.clipped == 0
    decoded, decoded_rate = sf.read(path, always_2d=True)  # and an independent reader agrees
    assert np.array_equal(decoded, samples)
    assert decoded_rate == rate
    again = io.BytesIO()
    write_wav(again, track.samples, track.rate, track.format, track.chunks, name="a.wav")
    assert again.getvalue() == path.read_bytes()


@pytest.mark.parametrize("subtype", ["pcm24", "float32"])
def test_chunks_in_an_independent_walk(tmp_path, subtype):
    path = tmp_path / "a.wav"
    samples = exact_samples(subtype, 33, 1)  # 99 bytes of 24-bit samples: a pad byte
    write_track(path, samples, 48000, SampleFormat("wav", subtype), CHUNKS)
    found = by_hand.walk(path)
    fact = ["fact"] if subtype == "float32" else []
    names = ["JUNK", "fmt ", *fact, "bext", "iXML", "data", "LIST", "cue ", "xyz "]
    assert [name for name, _ in found] == names
    assert {name: data for name, data in found if name not in ("fmt ", "fact", "data")} == {
        chunk.id: chunk.data for chunk in CHUNKS
    }
    assert bext_time_reference(read_track(path).chunks) == 0x3DCC50000
    assert struct.unpack_from("<II", dict(found)["bext"], 338) == (0xDCC50000, 3)
    with sf.SoundFile(path) as file:
        assert (file.title, file.frames) == ("abc", 33)


def test_rf64_stays_rf64(tmp_path):
    path = tmp_path / "a.wav"
    samples = exact_samples("pcm24", 33, 1)
    write_track(path, samples, 48000, SampleFormat("rf64", "pcm24"), CHUNKS)
    names = ["ds64", "JUNK", "fmt ", "bext", "iXML", "data", "LIST", "cue ", "xyz "]
    assert [name for name, _ in by_hand.walk(path)] == names
    track = read_track(path)
    assert (track.format.container, track.chunks) == ("rf64", CHUNKS)
    assert np.array_equal(track.samples, samples)
    # libsndfile does not skip the pad bytes of an RF64 file's chunks, so it gets the even ones.
    even = [chunk for chunk in CHUNKS if len(chunk.data) % 2 == 0]
    write_track(path, samples, 48000, SampleFormat("rf64", "pcm24"), even, overwrite=True)
    assert sf.info(str(path)).format == "RF64"
    assert np.array_equal(sf.read(path)[0], samples[:, 0])


@pytest.mark.parametrize(("room", "magic"), [(0, b"RIFF"), (-1, b"RF64")])
def test_rf64_exactly_where_riff_ends(tmp_path, monkeypatch, room, magic):
    """The form's length is all but the first 8 bytes: 44 − 8 + 200 here."""
    monkeypatch.setattr(writing, "LARGEST_RIFF", 236 + room)
    path = tmp_path / "a.wav"
    samples = exact_samples("pcm16", 100, 1)
    write_track(path, samples, 48000, SampleFormat("wav", "pcm16"))
    assert path.read_bytes()[:4] == magic
    assert np.array_equal(read_track(path).samples, samples)


def test_headers_of_a_track_beyond_4_gib():
    head, tail = writing._frame(SampleFormat("wav", "pcm24"), 192000, 2**31, 1, 3 * 2**31, CHUNKS)
    assert head[:4] == b"RF64"
    length = len(head) + 3 * 2**31 + len(tail) - 8
    assert struct.unpack_from("<QQQI", head, 20) == (length, 3 * 2**31, 2**31, 0)
    assert head.endswith(b"data\xff\xff\xff\xff")


@pytest.mark.parametrize("subtype", SUBTYPES)
def test_a_float_input_becomes_any_format(tmp_path, subtype):
    """Rounding to the nearest code: half a code at most; 16 bits: the dither's 1 code more."""
    samples = np.random.default_rng(2).uniform(-0.9, 0.9, (999, 2))
    write_track(tmp_path / "a.wav", samples, 48000, SampleFormat("wav", subtype))
    error = np.abs(read_track(tmp_path / "a.wav").samples - samples).max()
    bound = {"pcm16": 1.5 / 2**15, "pcm24": 0.5 / 2**23, "pcm32": 0.5 / 2**31}
    assert error <= bound.get(subtype, {"float32": 2**-25, "float64": 0.0}.get(subtype))


@pytest.mark.parametrize("subtype", ["pcm16", "pcm24", "pcm32"])
def test_clipping_is_counted(tmp_path, subtype):
    largest = 2.0 ** (int(subtype[3:]) - 1)
    top = 1.0 - 1.0 / largest
    samples = np.array([[0.0, 1.0], [-1.0, -1.5], [top, 2.0], [0.5, -1.0 - 2.0 / largest]])
    report = write_track(tmp_path / "a.wav", samples, 48000, SampleFormat("wav", subtype))
    assert report.clipped == 4
    assert report.peak_dbfs == pytest.approx(6.0206, abs=1e-4)
    expected = np.clip(samples, -1.0, top)
    assert np.array_equal(read_track(tmp_path / "a.wav").samples, expected)


def test_float_formats_hold_what_is_beyond_full_scale(tmp_path):
    samples = np.array([[3.0], [-7.5]])
    for subtype in ("float32", "float64"):
        path = tmp_path / f"{subtype}.wav"
        report = write_track(path, samples, 48000, SampleFormat("wav", subtype))
        assert report.clipped == 0
        assert np.array_equal(read_track(path).samples, samples)
    path = tmp_path / "huge.wav"
    report = write_track(path, np.array([[1e300]]), 48000, SampleFormat("wav", "float32"))
    assert report.clipped == 1
    assert read_track(path).samples[0, 0] == np.finfo(np.float32).max


def test_silence_stays_silence_and_has_no_level(tmp_path):
    for subtype in SUBTYPES:
        path = tmp_path / f"{subtype}.wav"
        report = write_track(path, np.zeros((500, 1)), 48000, SampleFormat("wav", subtype))
        assert report.peak_dbfs == -math.inf
        assert not any(dict(by_hand.walk(path))["data"])


@pytest.mark.parametrize("subtype", SUBTYPES)
@pytest.mark.parametrize("block", [1, 7, 1000])
def test_bytes_do_not_depend_on_the_block(monkeypatch, subtype, block):
    samples = np.random.default_rng(3).uniform(-1.1, 1.1, (500, 3))

    def written() -> tuple[bytes, object]:
        file = io.BytesIO()
        return file, write_wav(file, samples, 48000, SampleFormat("wav", subtype), name="top.wav")

    whole, report = written()
    monkeypatch.setattr(writing, "_BLOCK", block)
    split, split_report = written()
    assert whole.getvalue() == split.getvalue()
    assert report == split_report


def test_wrong_calls(tmp_path):
    path = tmp_path / "a.wav"
    pcm = SampleFormat("wav", "pcm16")
    for samples, rate, error in (
        (np.zeros(5), 48000, UsageError),
        (np.zeros((5, 1), np.float32), 48000, UsageError),
        (np.zeros((5, 1)), 8000, UsageError),
        (np.zeros((1, 40_000)), 48000, UsageError),
        (np.zeros((0, 1)), 48000, AudioError),
        (np.array([[0.0], [np.nan]]), 48000, AudioError),
        (np.array([[np.inf], [-np.inf]]), 48000, AudioError),
    ):
        with pytest.raises(error, match="accepted"):
            write_track(path, samples, rate, pcm)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(UsageError, match="pcm24"):
        SampleFormat("wav", "pcm8")
    with pytest.raises(UsageError, match="rf64"):
        SampleFormat("mp3", "pcm16")
