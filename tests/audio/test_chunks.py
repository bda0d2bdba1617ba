# SPDX-License-Identifier: GPL-3.0-or-later
"""Chunks against the byte layouts that their standards print."""

from __future__ import annotations

import struct

import pytest

from dsp.audio import (
    Chunk,
    bext_time_reference,
    build_bext,
    build_cue,
    build_info,
    build_labels,
    describes_input,
)
from dsp.errors import UsageError


def bext(time_reference: int, **more: str) -> Chunk:
    return build_bext("Snare, top", "drumprint", "2024-05-06", "10-00-00", time_reference, **more)


def test_bext_has_the_layout_of_ebu_tech_3285():
    """Offsets and sizes: EBU Tech 3285 (the table of the `bext` structure)."""
    data = bext(1_728_000_000, originator_reference="REF1", coding_history="A=PCM\r\n").data
    assert data[0:256] == b"Snare, top".ljust(256, b"\0")
    assert data[256:288] == b"drumprint".ljust(32, b"\0")
    assert data[288:320] == b"REF1".ljust(32, b"\0")
    assert data[320:330] == b"2024-05-06"
    assert data[330:338] == b"10-00-00"
    assert data[338:346] == bytes.fromhex("0030FF66 00000000")
    assert data[346:348] == b"\x01\x00"  # version 1
    assert data[348:602] == bytes(254)  # no UMID, reserved
    assert data[602:] == b"A=PCM\r\n"


@pytest.mark.parametrize(
    ("time_reference", "low", "high"),
    [
        (0, 0, 0),
        (10 * 3600 * 48_000, 0x66FF3000, 0),  # 10 h at 48 kHz
        (24 * 3600 * 192_000, 0xDCC50000, 0x3),  # 24 h at 192 kHz = 0x3DCC50000
        (2**64 - 1, 0xFFFFFFFF, 0xFFFFFFFF),
    ],
)
def test_time_reference_is_a_low_and_a_high_word(time_reference, low, high):
    chunk = bext(time_reference)
    assert struct.unpack_from("<II", chunk.data, 338) == (low, high)
    assert bext_time_reference([Chunk("iXML", b"<x/>"), chunk]) == time_reference


def test_no_time_reference_without_a_whole_bext():
    assert bext_time_reference([]) is None
    assert bext_time_reference([Chunk("bext", bytes(345))]) is None
    assert bext_time_reference([Chunk("bext", bytes(346))]) == 0


@pytest.mark.parametrize(
    ("description", "time_reference"), [("x" * 257, 0), ("é", 0), ("x", -1), ("x", 2**64)]
)
def test_bext_refuses_what_does_not_fit(description, time_reference):
    with pytest.raises(UsageError, match="bext"):
        build_bext(description, "", "2024-05-06", "10-00-00", time_reference)


def test_cue_has_the_layout_of_the_riff_specification():
    """Multimedia Programming Interface and Data Specifications 1.0: 24 bytes a point."""
    assert build_cue([7, 48_000]).data == (
        b"\x02\0\0\0"
        b"\x01\0\0\0\x07\0\0\0data\0\0\0\0\0\0\0\0\x07\0\0\0"
        b"\x02\0\0\0\x80\xbb\0\0data\0\0\0\0\0\0\0\0\x80\xbb\0\0"
    )
    with pytest.raises(UsageError, match="4294967296"):
        build_cue([2**32])


def test_labels_and_info_pad_odd_entries():
    assert build_labels(["a", "bc"]).data == (
        b"adtllabl\x06\0\0\0\x01\0\0\0a\0labl\x07\0\0\0\x02\0\0\0bc\0\0"
    )
    assert build_info({"INAM": "ab", "ICMT": "xyz"}).data == (
        b"INFOINAM\x03\0\0\0ab\0\0ICMT\x04\0\0\0xyz\0"
    )


@pytest.mark.parametrize("name", ["data", "fmt ", "ds64", "fact", "abc", "ab\0c", "äbcd"])
def test_a_chunk_has_a_usable_id(name):
    with pytest.raises(UsageError, match="chunk id"):
        Chunk(name, b"")


def test_statements_about_sample_values_are_named():
    """Version 2 holds loudness; −23.00 LUFS is −2300 = 04 F7 (EBU Tech 3285 v2)."""
    plain = bext(0)
    loud = bytearray(plain.data)
    loud[346:348] = b"\x02\0"
    loud[412:422] = b"\xff\x7f" * 5
    unused = Chunk("bext", bytes(loud))
    loud[412:414] = b"\x04\xf7"
    assert struct.unpack_from("<h", loud, 412) == (-2300,)
    stated = Chunk("bext", bytes(loud))
    assert describes_input([plain, unused, Chunk("iXML", b"")]) == ()
    assert describes_input([stated, Chunk("PEAK", bytes(16))]) == ("PEAK", "bext loudness")
