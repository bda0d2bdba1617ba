# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading: what is accepted arrives exact, what is not is refused in one clear line."""

from __future__ import annotations

import hashlib
import os
import struct

import numpy as np
import pytest
import soundfile as sf

from dsp.audio import Place, read_track
from dsp.errors import AudioError

from . import by_hand

RAMP = struct.pack("<5h", 0, 1, -1, 32767, -32768)
RAMP_VALUES = np.array([0, 1, -1, 32767, -32768]) / 32768.0


def refused(path, *parts):
    """Check that `path` is refused in one line that holds the path and every one of `parts`."""
    with pytest.raises(AudioError) as caught:
        read_track(path)
    message = str(caught.value)
    assert "\n" not in message
    for part in (str(path), "accepted", *parts):
        assert part in message
    assert caught.value.exit_status == 3


def test_chunks_arrive_in_order_with_their_place(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(
        by_hand.riff(
            by_hand.chunk(b"JUNK", bytes(28)),
            by_hand.chunk(b"bext", b"x" * 603),
            by_hand.fmt(),
            by_hand.chunk(b"iXML", b"odd"),
            by_hand.chunk(b"data", RAMP),
            by_hand.chunk(b"LIST", b"INFO"),
            by_hand.chunk(b"LIST", b"adtl"),
        )
    )
    track = read_track(path)
    before, after = Place.BEFORE_FORMAT, Place.AFTER_DATA
    assert [(c.id, c.data, c.place) for c in track.chunks] == [
        ("JUNK", bytes(28), before),
        ("bext", b"x" * 603, before),
        ("iXML", b"odd", Place.BEFORE_DATA),
        ("LIST", b"INFO", after),
        ("LIST", b"adtl", after),
    ]
    assert [c.before_data for c in track.chunks] == [True, True, True, False, False]
    assert np.array_equal(track.samples[:, 0], RAMP_VALUES)
    assert track.samples.flags.c_contiguous
    assert track.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
@pytest.mark.parametrize("frames_stated", [5, 0])  # BW64 has a dummy there
def test_rf64_by_hand(tmp_path, magic, frames_stated):
    """ds64 first, lengths of −1 in the headers (ITU-R BS.2088), and a JUNK chunk beside it."""
    path = tmp_path / "long.wav"
    path.write_bytes(
        by_hand.rf64(
            by_hand.chunk(b"JUNK", bytes(28)),
            by_hand.fmt(),
            by_hand.chunk(b"data", RAMP, size=0xFFFFFFFF),
            by_hand.chunk(b"iXML", b"<a/>"),
            data_size=len(RAMP),
            frames=frames_stated,
            magic=magic,
        )
    )
    track = read_track(path)
    assert track.format.container == "rf64"
    assert np.array_equal(track.samples[:, 0], RAMP_VALUES)
    assert [(c.id, c.place) for c in track.chunks] == [
        ("JUNK", Place.BEFORE_FORMAT),
        ("iXML", Place.AFTER_DATA),
    ]


def test_truncated_rf64_names_both_lengths(tmp_path):
    path = tmp_path / "long.wav"
    data = by_hand.chunk(b"data", RAMP, size=0xFFFFFFFF)
    path.write_bytes(by_hand.rf64(by_hand.fmt(), data, data_size=2**33, frames=2**32))
    refused(path, "'data'", str(2**33), " 10 bytes")


@pytest.mark.parametrize(
    ("mask", "tag", "bits", "subtype"),
    [(0x3F, 1, 24, "pcm24"), (0, 3, 32, "float32"), (3, 1, 16, "pcm16")],
)
def test_extensible_header(tmp_path, mask, tag, bits, subtype):
    guid = struct.pack("<H", tag) + bytes.fromhex("000000001000800000aa00389b71")
    frame = 6 * bits // 8
    body = struct.pack("<HHIIHH", 0xFFFE, 6, 96000, 96000 * frame, frame, bits)
    body += struct.pack("<HHI", 22, bits, mask) + guid
    path = tmp_path / "a.wav"
    path.write_bytes(
        by_hand.riff(by_hand.chunk(b"fmt ", body), by_hand.chunk(b"data", bytes(4 * frame)))
    )
    track = read_track(path)
    assert (track.format.subtype, track.format.channel_mask) == (subtype, mask)
    assert track.samples.shape == (4, 6)
    assert track.rate == 96000


@pytest.mark.parametrize("after", [b"", by_hand.chunk(b"LIST", b"INFO"), bytes(9)])
def test_a_missing_pad_byte_and_trailing_zeros_are_tolerated(tmp_path, after):
    path = tmp_path / "a.wav"
    data = by_hand.chunk(b"data", b"\x01\x02\x03")[:-1]  # 3 bytes, pad byte left out
    path.write_bytes(by_hand.riff(by_hand.fmt(bits=24), data, after))
    track = read_track(path)
    assert track.samples.tolist() == [[0x030201 / 2**23]]
    assert [c.id for c in track.chunks] == (["LIST"] if after[:4] == b"LIST" else [])


def test_bytes_beyond_the_riff_length_are_no_chunks(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(by_hand.riff(by_hand.fmt(), by_hand.chunk(b"data", RAMP)) + b"\x01\xffTAGGED")
    assert read_track(path).chunks == ()


def test_missing_folder_empty_text_and_pipe(tmp_path):
    refused(tmp_path / "none.wav", "no such file")
    refused(tmp_path, "a folder")
    path = tmp_path / "text.wav"
    path.write_text("This is no audio at all.\n")
    refused(path, "This is no a")
    path.write_bytes(b"")
    refused(path, "an empty file")
    os.mkfifo(tmp_path / "pipe.wav")
    refused(tmp_path / "pipe.wav", "no regular file")


def test_truncated_data_names_both_lengths(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(by_hand.riff(by_hand.fmt(), by_hand.chunk(b"data", bytes(1000)))[:-100])
    assert sf.info(str(path)).frames == 450  # the decoder is silent about it
    refused(path, "'data'", "1000 bytes", "900 bytes")


def test_truncated_metadata_is_refused(tmp_path):
    path = tmp_path / "a.wav"
    last = by_hand.chunk(b"iXML", bytes(100))
    path.write_bytes(by_hand.riff(by_hand.fmt(), by_hand.chunk(b"data", RAMP), last)[:-40])
    refused(path, "'iXML'", "100 bytes", "60 bytes")


@pytest.mark.parametrize(
    ("chunks", "parts"),
    [
        ([by_hand.fmt(), by_hand.chunk(b"data", b"")], ["0 frames"]),
        ([by_hand.fmt()], ["no data chunk"]),
        ([by_hand.chunk(b"bext", bytes(602))], ["no fmt chunk"]),
        ([by_hand.chunk(b"data", RAMP), by_hand.fmt()], ["before the fmt"]),
        ([by_hand.fmt(), *[by_hand.chunk(b"data", RAMP)] * 2], ["'data'", "second"]),
        ([by_hand.fmt(), by_hand.fmt()], ["'fmt '", "second"]),
        ([by_hand.chunk(b"fmt ", bytes(14))], ["no data"]),
        ([by_hand.fmt(rate=32000), by_hand.chunk(b"data", RAMP)], ["32000 Hz", "44100", "192000"]),
        ([by_hand.fmt(rate=384000), by_hand.chunk(b"data", RAMP)], ["384000 Hz"]),
        ([by_hand.fmt(bits=8), by_hand.chunk(b"data", RAMP)], ["PCM", "8 bits", "16, 24 or 32"]),
        ([by_hand.fmt(tag=0x11, bits=4), by_hand.chunk(b"data", RAMP)], ["IMA ADPCM", "0x0011"]),
        ([by_hand.fmt(tag=7, bits=8), by_hand.chunk(b"data", RAMP)], ["µ-law", "float"]),
        ([by_hand.fmt(tag=0x55, bits=0), by_hand.chunk(b"data", RAMP)], ["MPEG layer 3"]),
        ([by_hand.fmt(channels=0), by_hand.chunk(b"data", RAMP)], ["0 channels"]),
        ([by_hand.fmt(channels=2), by_hand.chunk(b"data", RAMP)], ["10 bytes", "4 bytes"]),
        ([by_hand.fmt(), b"\x80abc" + bytes(8)], ["byte 36", "chunk should start"]),
    ],
)
def test_faulty_wav_files(tmp_path, chunks, parts):
    path = tmp_path / "a.wav"
    path.write_bytes(by_hand.riff(*chunks))
    refused(path, *parts)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_not_finite_is_refused_with_its_position(tmp_path, value, subtype):
    samples = np.zeros((70_000, 2))
    samples[66_001, 1] = samples[69_000, 0] = value  # not in the first block
    path = tmp_path / "a.wav"
    sf.write(path, samples, 48000, subtype=subtype)
    refused(path, "sample 66001 of channel 2", "(1.375 s)", str(value), "finite")


def test_infinities_of_both_signs_and_huge_values(tmp_path):
    path = tmp_path / "a.wav"
    sf.write(path, np.array([0.0, np.inf, -np.inf]), 48000, subtype="DOUBLE")
    refused(path, "sample 1 of channel 1")
    huge = np.full(9, 1.7e308)  # finite, although their sum is not
    sf.write(path, huge, 48000, subtype="DOUBLE")
    assert np.array_equal(read_track(path).samples[:, 0], huge)


@pytest.mark.parametrize("name", ["ALAW", "ULAW", "IMA_ADPCM"])
def test_compressed_aiff_is_named(tmp_path, name):
    path = tmp_path / "a.aiff"
    sf.write(path, np.zeros((1000, 1)), 48000, format="AIFF", subtype=name)
    refused(path, sf.available_subtypes("AIFF")[name])


def test_the_decoders_own_complaint_is_passed_on(tmp_path):
    path = tmp_path / "a.flac"
    samples = np.random.default_rng(0).uniform(-0.5, 0.5, 9000)
    sf.write(path, samples, 48000, subtype="PCM_24")
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    refused(path, "samples")
    damaged = bytearray(raw)
    damaged[len(raw) // 2] ^= 0x55
    path.write_bytes(damaged)
    refused(path, "samples")


def test_reading_changes_nothing(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(by_hand.riff(by_hand.fmt(), by_hand.chunk(b"data", RAMP)))
    path.chmod(0o444)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    read_track(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert list(tmp_path.iterdir()) == [path]
