# SPDX-License-Identifier: GPL-3.0-or-later
"""Stand-ins for plug-in files: Python objects with the methods of pedalboard's plug-ins."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pedalboard


@dataclass
class Range:
    """Range of a parameter as pedalboard tells it."""

    range: tuple[float, float, float]


class Double:
    """Halves what it gets, or does what `inner` does, `late` samples later.

    `seed` adds noise that goes on from run to run, `bad` puts NaN at that sample.
    """

    name = "double"
    version = "1.2.3"

    def __init__(self, inner: Any = None, late: int = 0, gain: float = 1.0, **odd: Any) -> None:
        self.inner, self.late, self.gain = inner, late, gain
        self.odd = odd
        self.noise = np.random.default_rng(odd.get("seed"))
        self.calls: list[tuple[int, float, int, bool]] = []

    @property
    def parameters(self) -> dict[str, Range]:
        return {"gain": Range((0.0, 2.0, 0.1))}

    def process(self, input_array, sample_rate, buffer_size=8192, reset=True):
        self.calls.append((input_array.shape[1], sample_rate, buffer_size, reset))
        assert input_array.dtype == np.float32
        if len(input_array) not in self.odd.get("channels", (1, 2)):
            raise ValueError(f"does not support {len(input_array)}-channel output")
        out = np.float32(self.gain) * input_array
        if self.inner is not None:
            out = self.inner.process(out, sample_rate, buffer_size, reset)
        if "seed" in self.odd:
            noise = self.noise.standard_normal(out.shape).astype(np.float32)
            out = out + np.float32(1e-4) * noise
        if "bad" in self.odd:
            out = out.copy()
            out[:, self.odd["bad"] : self.odd["bad"] + 1] = np.nan
        if self.odd.get("short"):
            out = out[:, : -self.odd["short"]]
        return np.concatenate([np.zeros((len(out), self.late), np.float32), out], axis=1)[
            :, : out.shape[1]
        ]


def load(path: str) -> Any:
    """In place of `dsp.inserts.host.load_plugin`: what a file does is told by its name."""
    made = {
        "whole.vst3": lambda: Double(),
        "half.vst3": lambda: Double(gain=0.5),
        "noisy.vst3": lambda: Double(seed=None),
        "bad.vst3": lambda: Double(bad=5000),
        "late bad.vst3": lambda: Double(bad=100_000),
        "stereo.vst3": lambda: Double(gain=0.5, channels=(2,)),
        "surround.vst3": lambda: Double(channels=(6,)),
        "short.vst3": lambda: Double(short=7),
        "peak.vst3": lambda: Double(pedalboard.PeakFilter(540.0, -6.0, 1.0)),
    }
    if path.startswith("late") and path not in made:
        late = int(path.removeprefix("late").split(".")[0])
        return Double(pedalboard.PeakFilter(540.0, -6.0, 1.0), late)
    return made[path]()
