# SPDX-License-Identifier: GPL-3.0-or-later
"""The sounds of the page as FLAC, which every current browser decodes.

They get as many bits as fit: 24 where the page stays small, down to 16 where it would not. TPDF
dither of one step each way makes the rounding a steady noise that does not follow the sound
(Lipshitz, Wannamaker and Vanderkooy, "Quantization and dither", JAES 40(5), 1992). All variants of
a sound get the same dither, so that what is equal in two of them stays equal.
"""

from __future__ import annotations

import io
import math
import zlib
from collections.abc import Mapping

import numpy as np

from dsp.errors import UsageError
from dsp.take import Samples

MOST_BITS, LEAST_BITS = 24, 16
Key = tuple[int, str]
"""Number of the variant and name of the sound."""


def encode_sounds(
    sounds: Mapping[Key, Samples], rate: int, budget: int
) -> tuple[int, dict[Key, bytes]]:
    """Encode sounds (frames, channels), full scale at ±1; returns the bits used and the files.

    Together the files have at most `budget` bytes, unless 16 bits need more.
    Raises `UsageError` where a sound is louder than full scale.
    """
    for (variant, name), samples in sounds.items():
        peak = float(np.abs(samples).max(initial=0.0))
        if not peak <= 1.0:
            raise UsageError(
                f"page: variant {variant + 1}, {name}: found a peak of {peak:.6g}; "
                "accepted: up to full scale, 1"
            )
    values = max(1, sum(samples.size for samples in sounds.values()))
    bits = MOST_BITS
    while True:
        files = {key: encode(samples, rate, bits, key[1]) for key, samples in sounds.items()}
        over = sum(map(len, files.values())) - budget
        if over <= 0 or bits == LEAST_BITS:
            return bits, files
        bits = max(LEAST_BITS, bits - max(1, math.ceil(8 * over / values)))


def encode(samples: Samples, rate: int, bits: int, name: str) -> bytes:
    """One FLAC file of samples rounded to `bits` with dither that depends on `name` only.

    Between 16 and 24 bits the low bits are zero, which FLAC leaves out.
    """
    import soundfile

    noise = np.random.default_rng(zlib.crc32(name.encode("utf-8", "surrogatepass")))
    steps = 2.0 ** (bits - 1)
    dither = noise.random(samples.shape) - noise.random(samples.shape)
    whole = np.floor(samples * steps + dither + 0.5)
    whole = np.clip(whole, -steps, steps - 1).astype(np.int32) << (32 - bits)
    file = io.BytesIO()
    subtype = "PCM_16" if bits == LEAST_BITS else "PCM_24"
    soundfile.write(file, whole, rate, format="FLAC", subtype=subtype)
    return file.getvalue()
