# SPDX-License-Identifier: GPL-3.0-or-later
"""Metadata of AIFF and FLAC files, as chunks of a WAV file."""

from __future__ import annotations

import struct

import numpy as np
import pytest
import soundfile as sf

from dsp.audio import Place, build_cue, build_info, build_labels, read_track, write_track
from dsp.errors import AudioError

from . import by_hand

MARK = struct.pack(">H", 2) + struct.pack(">hIB", 4, 100, 3) + b"one"
MARK += struct.pack(">hIB", 9, 250, 2) + b"to\0"


@pytest.mark.parametrize(
    ("subtype", "endian", "ours"),
    [
        ("PCM_16", "FILE", "pcm16"),
        ("PCM_24", "FILE", "pcm24"),
        ("PCM_32", "FILE", "pcm32"),
        ("FLOAT", "FILE", "float32"),
        ("DOUBLE", "FILE", "float64"),
        ("PCM_16", "LITTLE", "pcm16"),  # AIFC, sowt
    ],
)
def test_every_sample_format_of_aiff(tmp_path, subtype, endian, ours):
    path = tmp_path / "a.aif"
    samples = np.random.default_rng(1).integers(-(2**15), 2**15, (200, 2)) / 2.0**15
    sf.write(path, samples, 88200, format="AIFF", subtype=subtype, endian=endian)
    track = read_track(path)
    assert (track.format.container, track.format.subtype, track.rate) == ("aiff", ours, 88200)
    assert np.array_equal(track.samples, samples)


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24)])
def test_every_sample_format_of_flac(tmp_path, subtype, bits):
    path = tmp_path / "a.flac"
    scale = 2.0 ** (bits - 1)
    samples = np.random.default_rng(1).integers(-scale, scale, (200, 4)) / scale
    sf.write(path, samples, 192000, format="FLAC", subtype=subtype)
    track = read_track(path)
    assert (track.format.container, track.format.subtype) == ("flac", f"pcm{bits}")
    assert track.format.channel_mask == 0
    assert np.array_equal(track.samples, samples)
    write_track(tmp_path / "a.wav", track.samples, track.rate, track.format)
    assert sf.info(str(tmp_path / "a.wav")).format == "WAVEX"
    assert np.array_equal(read_track(tmp_path / "a.wav").samples, samples)


def test_aiff_texts_and_markers(tmp_path):
    path = tmp_path / "a.aiff"
    samples = by_hand.aiff_with(
        path,
        by_hand.aiff_chunk(b"NAME", b"Snare"),
        by_hand.aiff_chunk(b"AUTH", "Zoë".encode("mac_roman")),
        by_hand.aiff_chunk(b"(c) ", b"2024 us"),
        by_hand.aiff_chunk(b"ANNO", b"first"),
        by_hand.aiff_chunk(b"ANNO", b"second"),
        by_hand.aiff_chunk(b"MARK", MARK),
        by_hand.aiff_chunk(b"INST", bytes(20)),
    )
    track = read_track(path)
    texts = {"INAM": "Snare", "IART": "Zoë", "ICOP": "2024 us", "ICMT": "first\nsecond"}
    assert np.array_equal(track.samples, samples)
    assert track.chunks == (build_cue([100, 250]), build_labels(["one", "to"]), build_info(texts))
    assert track.left_behind == ("AIFF chunk 'INST'",)
    write_track(tmp_path / "a.wav", track.samples, track.rate, track.format, track.chunks)
    with sf.SoundFile(tmp_path / "a.wav") as file:  # an independent reader understands them
        assert (file.title, file.artist, file.copyright) == ("Snare", "Zoë", "2024 us")
        assert file.comment == "first\nsecond"


@pytest.mark.parametrize(
    ("chunks", "parts"),
    [
        ([by_hand.aiff_chunk(b"MARK", MARK[:9])], ["'MARK'", "0 whole markers of 2"]),
        ([by_hand.aiff_chunk(b"COMM", bytes(18))], ["2 COMM chunks"]),
        ([b"ANNO\0\0\1\0abc"], ["'ANNO'", "256 bytes", "3 bytes"]),
    ],
)
def test_faulty_aiff(tmp_path, chunks, parts):
    path = tmp_path / "a.aiff"
    by_hand.aiff_with(path, *chunks)
    with pytest.raises(AudioError) as caught:
        read_track(path)
    assert all(part in str(caught.value) for part in [str(path), *parts])


def test_truncated_aiff_names_both_lengths(tmp_path):
    path = tmp_path / "a.aiff"
    by_hand.aiff_with(path)
    path.write_bytes(path.read_bytes()[:-600])
    with pytest.raises(AudioError, match=r"'SSND'.*1808 bytes.*1208 bytes"):
        read_track(path)


def riff_block(body: bytes) -> bytes:
    return by_hand.flac_block(2, b"riff" + body)


def test_foreign_riff_chunks_are_restored(tmp_path):
    """One APPLICATION block a chunk; `data` only as its 8-byte header (the reference encoder)."""
    path = tmp_path / "a.flac"
    samples = by_hand.flac_with(
        path,
        riff_block(b"RIFF\0\0\0\0WAVE"),
        riff_block(by_hand.chunk(b"bext", b"b" * 603)),
        riff_block(by_hand.fmt(channels=2, bits=24)),
        riff_block(by_hand.chunk(b"iXML", b"odd")),
        riff_block(b"data\x08\x07\0\0"),
        riff_block(by_hand.chunk(b"LIST", b"INFOINAM\x04\0\0\0abc\0")),
        by_hand.vorbis_comment("TITLE=another", "MOOD=calm"),
    )
    track = read_track(path)
    assert np.array_equal(track.samples, samples)
    assert [(c.id, c.data, c.place) for c in track.chunks] == [
        ("bext", b"b" * 603, Place.BEFORE_FORMAT),
        ("iXML", b"odd", Place.BEFORE_DATA),
        ("LIST", b"INFOINAM\x04\0\0\0abc\0", Place.AFTER_DATA),  # the original, no second one
    ]
    assert "Vorbis comment MOOD" in track.left_behind


def test_foreign_aiff_and_other_blocks(tmp_path):
    path = tmp_path / "a.flac"
    by_hand.flac_with(
        path,
        by_hand.flac_block(2, b"aiff" + b"FORM\0\0\0\0AIFF"),
        by_hand.flac_block(2, b"aiff" + by_hand.aiff_chunk(b"MARK", MARK)),
        by_hand.flac_block(2, b"aiff" + b"SSND\0\0\7\x08" + bytes(8)),
        by_hand.flac_block(2, b"test" + bytes(3)),
        by_hand.flac_block(6, bytes(32)),
    )
    track = read_track(path)
    assert track.chunks[:2] == (build_cue([100, 250]), build_labels(["one", "to"]))
    assert "FLAC APPLICATION block 'test'" in track.left_behind
    assert "FLAC PICTURE block" in track.left_behind


def test_vorbis_comments_become_info(tmp_path):
    path = tmp_path / "a.flac"
    by_hand.flac_with(path)
    raw = path.read_bytes()
    at = 42
    while raw[at] & 0x7F != 4:  # replace the writer's own comments
        at += 4 + int.from_bytes(raw[at + 1 : at + 4], "big")
    end = at + 4 + int.from_bytes(raw[at + 1 : at + 4], "big")
    block = bytearray(by_hand.vorbis_comment("title=Größe", "COMMENT=a", "Comment=b", "X=1"))
    block[0] |= raw[at] & 0x80
    path.write_bytes(raw[:at] + block + raw[end:])
    track = read_track(path)
    assert track.chunks == (build_info({"INAM": "Größe", "ICMT": "a\nb"}),)
    assert track.left_behind == ("Vorbis comment X",)


@pytest.mark.parametrize(
    ("block", "part"),
    [
        (by_hand.flac_block(4, b"\xff\0\0\0"), "Vorbis comment"),
        (riff_block(b"bext\xff\0\0\0abc"), "255 bytes"),
        (riff_block(b"b\0xt\0\0\0\0"), "chunk id"),
        (b"\x01\xff\xff\xff", "16777215 bytes"),
    ],
)
def test_faulty_flac_metadata(tmp_path, block, part):
    path = tmp_path / "a.flac"
    by_hand.flac_with(path, block)
    with pytest.raises(AudioError, match=part):
        read_track(path)


def test_flac_without_a_stated_length(tmp_path):
    path = tmp_path / "a.flac"
    by_hand.flac_with(path)
    raw = bytearray(path.read_bytes())
    raw[21] &= 0xF0
    raw[22:26] = bytes(4)
    path.write_bytes(raw)
    with pytest.raises(AudioError, match="0 frames stated"):
        read_track(path)
