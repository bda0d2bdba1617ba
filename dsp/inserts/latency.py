# SPDX-License-Identifier: GPL-3.0-or-later
"""How late an effect answers, measured by a known sound.

What is to be removed is processing latency: the time by which the sound as a whole is late for no
reason of its own. What is not to be removed is delay that the effect is for (an echo, a room) and
delay that every filter of its kind has (the slow start of a steep low-pass). Hence:

- Where the effect has a setting that mixes in the untouched sound, its latency is that of the
  untouched sound: it is measured with that setting all the way there. An echo of half a second has
  then no latency, however much of it the recipe asks for. pedalboard already removes what effects
  report; the measurement is of what is left.
- The transfer function H is measured with a period of noise of flat magnitude and random phase,
  played twice, the second answer taken: exact for a linear effect (with wrap-around), and an
  estimate of the linear part for others.
- H is compared with the minimum-phase filter of the same magnitude (the least delay with which
  any filter can do this to the spectrum; A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal
  Processing, chapter on the complex cepstrum) and with the zero-phase one, for effects of linear
  phase. The latency is the lag of the higher peak of the two cross-correlations.
- The height of the peak, 1 for a pure delay, tells how clear the answer is. Below `CLEAR` (a
  shifted pitch, a room without direct sound) nothing is removed and a note says so.

An effect without such a mixing setting whose whole purpose is a delay cannot be told from one
with latency; there the recipe must say `latency: 0`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from dsp.inserts.effects import Value
from dsp.inserts.host import Processor, run

PERIOD = 32_768
LONGEST = PERIOD // 2 - 1  # samples of latency that can be told from an advance
LEVEL = 0.5  # peak of the probe
FLOOR = 1e-9  # of the largest magnitude: about where 32-bit float leaves nothing
CLEAR = 0.4
SAME = 0.999  # of the peak: a lag that is as good as none is none

# Settings that mix, and which of their ends is the untouched sound
DRY = {"mix": "low", "dry_wet": "low", "wet": "low", "wet_level": "low", "dry_level": "high"}

Values = NDArray[np.float64]


@dataclass(frozen=True)
class Measured:
    """Latency in samples; `clear` says whether it could be told."""

    samples: int
    clear: bool


def dry(settings: Mapping[str, Value], ends: Mapping[str, tuple[float, float]]) -> dict[str, Value]:
    """The settings with the untouched sound alone, where they can say so.

    `ends` are the least and the greatest value of each mixing setting that the effect has.
    """
    low_or_high = {"low": 0, "high": 1}
    untouched = {name: span[low_or_high[DRY[name]]] for name, span in ends.items() if name in DRY}
    return {**settings, **untouched}


@cache
def probe() -> Values:
    """One period of noise with the same magnitude at every frequency."""
    phase = np.random.default_rng(1).uniform(-np.pi, np.pi, PERIOD // 2 + 1)
    phase[[0, -1]] = 0.0
    noise = np.fft.irfft(np.exp(1j * phase))
    noise *= LEVEL / np.abs(noise).max()
    noise.flags.writeable = False
    return noise


def measure_latency(processor: Processor, channels: int, rate: int, who: str) -> Measured:
    """Play the probe through an effect and say how late it answers."""
    played = np.repeat(np.tile(probe(), 2)[:, None], channels, axis=1)
    answer = run(processor, played, rate, 0, f"{who}, measuring its latency")[PERIOD:].astype(
        np.float64
    )
    spectra = np.fft.rfft(answer, axis=0) / np.fft.rfft(probe())[:, None]
    return latency_of(spectra[:, int(np.argmax(np.abs(spectra).sum(axis=0)))])


def latency_of(transfer: NDArray[np.complex128]) -> Measured:
    """Latency of a transfer function, (PERIOD / 2 + 1,) from 0 Hz to half the sample rate."""
    magnitude = np.abs(transfer)
    energy = _whole(magnitude**2)
    if energy == 0.0:
        return Measured(0, False)
    likeness = np.zeros(PERIOD)
    for like in (_minimum_phase(magnitude), magnitude):
        found = np.abs(np.fft.irfft(transfer * np.conj(like))) / energy
        if found.max() > likeness.max() + 1e-6:
            likeness = found
    peak = int(np.argmax(likeness))
    clear = bool(likeness[peak] >= CLEAR)
    if not clear or likeness[0] >= SAME * likeness[peak]:
        return Measured(0, clear)
    return Measured(peak if peak <= LONGEST else peak - PERIOD, clear)


def _whole(power: Values) -> float:
    """Energy of the impulse response that has this power at each frequency."""
    return float((power[0] + power[-1] + 2.0 * power[1:-1].sum()) / PERIOD)


def _minimum_phase(magnitude: Values) -> NDArray[np.complex128]:
    """The minimum-phase transfer function of a magnitude: its cepstrum folded to one side."""
    cepstrum = np.fft.irfft(np.log(np.maximum(magnitude, FLOOR * magnitude.max())))
    cepstrum[1 : PERIOD // 2] *= 2.0
    cepstrum[PERIOD // 2 + 1 :] = 0.0
    return np.asarray(np.exp(np.fft.rfft(cepstrum)))
