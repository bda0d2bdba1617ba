# SPDX-License-Identifier: GPL-3.0-or-later
"""Sample formats, and the one form that every complaint about an audio file takes.

Decisions:

- Integer samples become float64 as code / 2^(bits − 1), so 24-bit codes run from −1 to 1 − 2^−23
  and every code of 16, 24 and 32 bits is exact in float64; so is the way back, if unaltered.
- 8-bit and companded or compressed samples are refused: they are no recording formats of a
  microphone track, and a result could not be written back in them without loss.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from dsp.errors import AudioError, UsageError

Container = Literal["wav", "rf64", "aiff", "flac"]
Subtype = Literal["pcm16", "pcm24", "pcm32", "float32", "float64"]

ACCEPTED_SAMPLES = "PCM of 16, 24 or 32 bits, float of 32 or 64 bits"

_BITS: dict[Subtype, int] = {"pcm16": 16, "pcm24": 24, "pcm32": 32, "float32": 32, "float64": 64}
_CONVERTER_BITS = 24  # float files come from converters of at most this many bits


@dataclass(frozen=True)
class SampleFormat:
    """How samples lie in a file.

    `channel_mask` is the loudspeaker mask of WAVE_FORMAT_EXTENSIBLE (0: none assigned); None asks
    for the plain format header. Raises `UsageError` on an unknown container or subtype.
    """

    container: Container
    subtype: Subtype
    channel_mask: int | None = None

    def __post_init__(self) -> None:
        for found, accepted in ((self.container, Container), (self.subtype, Subtype)):
            if found not in get_args(accepted):
                raise UsageError(
                    f"sample format: found {found!r}; accepted: {', '.join(get_args(accepted))}"
                )

    @property
    def is_float(self) -> bool:
        """True for floating-point samples."""
        return self.subtype.startswith("float")

    @property
    def bits(self) -> int:
        """Bits of one sample."""
        return _BITS[self.subtype]

    @property
    def full_scale(self) -> float:
        """Largest positive value of a converter: 1 − 2^−(bits − 1); 24 bits for float files."""
        bits = _CONVERTER_BITS if self.is_float else self.bits
        return 1.0 - 2.0 ** (1 - bits)


def unusable(path: Path, place: str, found: str, accepted: str) -> AudioError:
    """Return the error for an audio file: which file, where in it, what is there, what may be."""
    return AudioError(f"{path}: {place}: found {found}; accepted: {accepted}")
