# SPDX-License-Identifier: GPL-3.0-or-later
"""Audio files put together and taken apart by hand, without any code of the package."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import soundfile as sf


def chunk(name: bytes, data: bytes, size: int | None = None) -> bytes:
    length = len(data) if size is None else size
    return name + struct.pack("<I", length) + data + b"\0" * (len(data) & 1)


def fmt(tag: int = 1, channels: int = 1, rate: int = 48000, bits: int = 16) -> bytes:
    frame = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits))


def riff(*chunks: bytes) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def rf64(*chunks: bytes, data_size: int, frames: int, magic: bytes = b"RF64") -> bytes:
    length = 4 + 36 + sum(map(len, chunks))
    ds64 = chunk(b"ds64", struct.pack("<QQQI", length, data_size, frames, 0))
    return magic + b"\xff\xff\xff\xffWAVE" + ds64 + b"".join(chunks)


def walk(path: Path) -> list[tuple[str, bytes]]:
    """Return (id, bytes) of every chunk; checks the lengths of the form and the pad bytes."""
    raw = path.read_bytes()
    assert raw[8:12] == b"WAVE"
    sizes = {}
    if raw[:4] == b"RF64":
        assert raw[4:8] == b"\xff\xff\xff\xff"
        assert raw[12:16] == b"ds64"
        form, sizes["data"] = struct.unpack_from("<QQ", raw, 20)
    else:
        (form,) = struct.unpack_from("<I", raw, 4)
    assert form + 8 == len(raw)
    found, at = [], 12
    while at < len(raw):
        name, size = raw[at : at + 4].decode(), struct.unpack_from("<I", raw, at + 4)[0]
        size = sizes[name] if size == 0xFFFFFFFF else size
        found.append((name, raw[at + 8 : at + 8 + size]))
        assert len(found[-1][1]) == size
        if size % 2:
            assert raw[at + 8 + size] == 0
        at += 8 + size + size % 2
    assert at == len(raw)
    return found


def flac_block(kind: int, body: bytes) -> bytes:
    return bytes([kind]) + len(body).to_bytes(3, "big") + body


def flac_with(path: Path, *blocks: bytes, rate: int = 48000) -> np.ndarray:
    """Write a FLAC file with `blocks` after its STREAMINFO; return its samples."""
    samples = np.random.default_rng(5).integers(-(2**23), 2**23, (300, 2)) / 2.0**23
    sf.write(path, samples, rate, format="FLAC", subtype="PCM_24")
    raw = path.read_bytes()
    path.write_bytes(raw[:42] + b"".join(blocks) + raw[42:])  # 4 + block header 4 + 34
    return samples


def vorbis_comment(*comments: str) -> bytes:
    def text(value: str) -> bytes:
        return struct.pack("<I", len(value.encode())) + value.encode()

    body = text("by hand") + struct.pack("<I", len(comments)) + b"".join(map(text, comments))
    return flac_block(4, body)


def aiff_chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack(">I", len(data)) + data + b"\0" * (len(data) & 1)


def aiff_with(path: Path, *chunks: bytes, subtype: str = "PCM_24") -> np.ndarray:
    """Write an AIFF file with `chunks` added at its end; return its samples."""
    samples = np.random.default_rng(6).integers(-(2**15), 2**15, (300, 2)) / 2.0**15
    sf.write(path, samples, 48000, format="AIFF", subtype=subtype)
    raw = path.read_bytes() + b"".join(chunks)
    path.write_bytes(raw[:4] + struct.pack(">I", len(raw) - 8) + raw[8:])
    return samples
