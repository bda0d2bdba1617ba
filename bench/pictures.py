# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of the sound bench: clean, raw, treated and what is wrong with it, on one time axis."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.float64]

FLOOR_DB = -90.0


def save(
    path: Path, name: str, rate: int, sounds: dict[str, Sound], arrivals: NDArray[np.int64]
) -> None:
    """Write a PNG with one wave and one spectrogram per sound, strokes marked."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(16, 3.0 * len(sounds)), layout="constrained")
    axes = figure.subplots(len(sounds), 2, sharex=True, squeeze=False)
    highest = max(float(np.max(np.abs(sound))) for sound in sounds.values())
    for (wave, picture), (label, sound) in zip(axes, sounds.items(), strict=True):
        seconds = np.arange(len(sound)) / rate
        wave.plot(seconds, sound, linewidth=0.4, color="black")
        wave.plot(arrivals / rate, np.full(len(arrivals), 0.95 * highest), "v", markersize=3)
        wave.set_ylim(-highest, highest)
        wave.set_ylabel(label)
        levels, hertz, times = _levels(sound, rate)
        picture.pcolormesh(times, hertz / 1000.0, levels, vmin=FLOOR_DB, vmax=-20.0, cmap="magma")
        picture.set_ylim(0.0, 16.0)
        picture.set_ylabel("kHz")
    axes[-1][0].set_xlabel("s")
    axes[-1][1].set_xlabel("s")
    figure.suptitle(name)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=70)


def _levels(
    sound: Sound, rate: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Spectrogram in dB re a full-scale sine, its frequencies in Hz and times in s."""
    from scipy.signal import stft

    hertz, times, made = stft(sound, fs=rate, window="hann", nperseg=1024, noverlap=512)
    floor = 10.0 ** (FLOOR_DB / 20.0)
    return 20.0 * np.log10(np.maximum(2.0 * np.abs(made), floor)), hertz, times
