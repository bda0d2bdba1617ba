# SPDX-License-Identifier: GPL-3.0-or-later
"""From float64 to the bytes of a sample format.

Decisions:

- A sample that lies exactly on a code keeps that code, whatever the format: unaltered samples and
  digital silence come back bit for bit.
- 24 and 32 bits: rounded to the nearest code, ties to even; at −144 dBFS and below, rounding is
  inaudible and dither would only make neutral results differ.
- 16 bits: triangular dither of ±1 code (two uniform variables added), which makes the mean and the
  power of the error independent of the signal (Lipshitz, Wannamaker, Vanderkooy, "Quantization and
  Dither: A Theoretical Survey", JAES 40(5), 1992; from memory). Only samples off the codes get it.
  The noise is drawn for every sample in file order, so neither the block size nor which samples
  use it changes any sample's noise.
- What is beyond the largest code becomes that code and is counted. Float formats hold it as it is.
"""

from __future__ import annotations

import numpy as np

from dsp.audio.formats import SampleFormat
from dsp.take import Samples

_FLOAT32_MAX = float(np.finfo(np.float32).max)


class Quantiser:
    """Turns consecutive blocks of one track into bytes, and counts what clips.

    `seed` starts the dither of 16-bit formats; tracks that are heard together need different ones.
    """

    def __init__(self, sample_format: SampleFormat, seed: int) -> None:
        self.clipped = 0
        self.peak = 0.0
        self._format = sample_format
        self._generator = np.random.Generator(np.random.PCG64(seed))

    def encode(self, block: Samples) -> bytes:
        """Return `block` (frames, channels) as little-endian interleaved samples."""
        self.peak = max(self.peak, float(block.max()), -float(block.min()))
        if self._format.subtype == "float64":
            return block.astype("<f8").tobytes()
        if self._format.subtype == "float32":
            return self._limited(block, -_FLOAT32_MAX, _FLOAT32_MAX).astype("<f4").tobytes()
        bits = self._format.bits
        if bits == 24:
            return self._packed_24(block)
        largest = 2.0 ** (bits - 1)
        codes = self._rounded(block * largest, dithered=bits == 16)
        return _packed(self._limited(codes, -largest, largest - 1), bits)

    def _packed_24(self, block: Samples) -> bytes:
        from dsp.kernels.codes import pack_24  # numba takes long to load, and reading needs none

        packed = np.empty(3 * block.size, np.uint8)
        self.clipped += int(pack_24(block, packed))
        return packed.tobytes()

    def _rounded(self, scaled: Samples, *, dithered: bool) -> Samples:
        codes = np.rint(scaled)
        if dithered:
            noise = self._triangular(scaled.shape)
            off_code = codes != scaled
            codes[off_code] = np.rint(scaled[off_code] + noise[off_code])
        return codes

    def _triangular(self, shape: tuple[int, ...]) -> Samples:
        """Return noise of triangular density within ±1 and mean 0, 32 random bits a sample."""
        count = int(np.prod(shape))
        # One whole 32-bit draw a sample: splitting the track never splits a draw.
        halves = self._generator.integers(0, 2**32, count, dtype=np.uint32)
        noise = ((halves >> 16).astype(np.float64) + (halves & 0xFFFF) - 65535.0) / 65536.0
        return noise.reshape(shape)

    def _limited(self, values: Samples, lowest: float, highest: float) -> Samples:
        if values.min() >= lowest and values.max() <= highest:
            return values
        self.clipped += int(np.count_nonzero((values < lowest) | (values > highest)))
        return np.clip(values, lowest, highest)


def _packed(codes: Samples, bits: int) -> bytes:
    """Return integer `codes` as little-endian bytes of 16 or 32 bits."""
    return codes.astype("<i2" if bits == 16 else "<i4").tobytes()
