# SPDX-License-Identifier: GPL-3.0-or-later
"""The recordings as sources: one channel, 48 kHz, index 0 is the first sample of the sound."""

import struct
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

from tests.open_takes import fetch

RATE = 48_000
"""Sample rate of every source and take, Hz."""

ONSET_BELOW_PEAK_DB = -54.0
"""A sound begins where it first comes this near to its own peak (noise is below it in all files).

The slope of the slowest attack used (`sn_generic`) passes this level 5 samples after digital
silence ends, so the choice of level moves a beginning by a few samples at most.
"""

FADE_S = 0.005
"""Files that end before their sound has died are faded over this time; a cut end is a click."""


@dataclass(frozen=True)
class Recording:
    """Where one source comes from.

    Attributes:
        file: file name in the package.
        tuning: frequency ratio that the recording is resampled up by.
        optional: true when the file is from the optional package.
        floor_db: what lies before the sound is under this, re the peak.

    """

    file: str
    tuning: float = 1.0
    optional: bool = False
    floor_db: float = ONSET_BELOW_PEAK_DB


RECORDINGS: dict[str, Recording] = {
    # snares: two drums, and the same at other tunings (mode in Hz in the name's comment)
    "snare soft": Recording("drum_snare_soft.flac"),  # 203 Hz
    "snare soft low": Recording("drum_snare_soft.flac", 0.86),  # 175 Hz
    "snare soft high": Recording("drum_snare_soft.flac", 2.22),  # 451 Hz
    "snare generic": Recording("sn_generic.flac"),  # 185 Hz
    "snare generic tight": Recording("sn_generic.flac", 1.27),  # 235 Hz
    "snare hard": Recording("drum_snare_hard.flac", floor_db=-40.0),  # clipped; 205 Hz
    "snare late wires": Recording("sn_zome.flac", floor_db=-40.0),  # they swell for 0.1 s; 193 Hz
    "snare ambient": Recording("038_Snare_1.pat", optional=True),  # 202 Hz
    "snare ambient two": Recording("040_Snare_2.pat", optional=True),  # 240 Hz
    "side stick": Recording("037_Stick_Rim.pat", optional=True, floor_db=-22.0),
    # the rest of the kit
    "hat closed": Recording("drum_cymbal_closed.flac"),
    "hat closed two": Recording("hat_cab.flac"),
    "hat pedal": Recording("drum_cymbal_pedal.flac"),
    "hat open": Recording("drum_cymbal_open.flac"),
    "crash": Recording("drum_splash_hard.flac"),
    "crash two": Recording("drum_cymbal_hard.flac"),
    "splash": Recording("drum_splash_soft.flac"),
    "ride": Recording("ride_via.flac"),
    "ride two": Recording("ride_tri.flac"),
    "china": Recording("052_Cymbal_Chinese.pat", optional=True),
    "kick": Recording("drum_bass_soft.flac"),
    "kick two": Recording("bd_jazz.flac"),
    "tom high": Recording("drum_tom_hi_soft.flac"),
    "tom mid": Recording("drum_tom_mid_soft.flac"),
    "tom low": Recording("drum_tom_lo_soft.flac"),
}


@cache
def load(name: str) -> NDArray[np.float64]:
    """Source `name` of `RECORDINGS`: float64 (frames,) at 48 kHz, peak 1, sound from index 0.

    The array is read-only because it is shared.

    Raises:
        RecordingsMissingError: the package that holds it cannot be fetched.

    """
    recording = RECORDINGS[name]
    if recording.optional:
        raw, rate = read_patch(fetch.optional_folder() / recording.file)
    else:
        raw, rate = _read_mono(fetch.required_folder() / recording.file)
    sound = retune(raw[first_sample(raw, recording.floor_db) :], RATE / rate / recording.tuning)
    sound = sound - _rest(sound)
    fade = min(len(sound), round(FADE_S * RATE))
    sound[-fade:] *= np.linspace(1.0, 0.0, fade)
    sound /= np.max(np.abs(sound))
    sound.flags.writeable = False
    return sound


def first_sample(sound: NDArray[np.float64], floor_db: float = ONSET_BELOW_PEAK_DB) -> int:
    """Index of the first sample that is within `floor_db` of the peak."""
    size = np.abs(sound)
    return int(np.argmax(size >= size.max() * 10.0 ** (floor_db / 20.0)))


def retune(sound: NDArray[np.float64], ratio: float) -> NDArray[np.float64]:
    """`sound` made `ratio` times as long by band-limited resampling; index 0 stays index 0.

    The symmetric filter would also write samples before index 0; they are not computed, so a
    sound that starts at its first sample still does.
    """
    fraction = Fraction(ratio).limit_denominator(640)
    if fraction == 1:
        return np.array(sound, dtype=np.float64)
    made: NDArray[np.float64] = resample_poly(sound, fraction.numerator, fraction.denominator)
    return made


def read_patch(path: Path) -> tuple[NDArray[np.float64], int]:
    """First sample of a GUS patch file as (frames,) in -1..1, and its rate in Hz.

    Layout: header 129 bytes, instrument 63, layer 47 (number of samples in byte 6 of the
    instrument's end), sample header 96 with size at 8, rate at 20, mode at 55 (bit 0: 16 bits,
    bit 1: unsigned); from memory, and every file used ends exactly where the sizes say.

    Raises:
        ValueError: not such a file, or shorter than it says.

    """
    data = path.read_bytes()
    if data[:8] != b"GF1PATCH":
        raise ValueError(f"{path.name}: begins with {data[:8]!r}, expected b'GF1PATCH'")
    start = 129 + 63 + 47
    head = data[start : start + 96]
    (size,) = struct.unpack_from("<I", head, 8)
    (rate,) = struct.unpack_from("<H", head, 20)
    body = data[start + 96 : start + 96 + size]
    if len(body) != size:
        raise ValueError(f"{path.name}: sample holds {len(body)} bytes, its header says {size}")
    if head[55] & 0b11 != 0b01:
        raise ValueError(f"{path.name}: mode {head[55]:#x}, only signed 16-bit is read")
    return np.frombuffer(body, "<i2").astype(np.float64) / 32768.0, int(rate)


def _read_mono(path: Path) -> tuple[NDArray[np.float64], int]:
    """Left channel: the mean of two spaced microphones would comb and blur the first sample."""
    sound, rate = soundfile.read(path, always_2d=True, dtype="float64")
    return sound[:, 0], int(rate)


def _rest(sound: NDArray[np.float64]) -> float:
    """Constant offset that the recording carries, read where it is quiet."""
    return float(np.median(sound[-max(len(sound) // 10, 1) :]))
