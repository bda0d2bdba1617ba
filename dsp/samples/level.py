# SPDX-License-Identifier: GPL-3.0-or-later
"""How strong a stroke is as it was recorded: the one measure that sets and parts share."""

from __future__ import annotations

import math

import numpy as np

from dsp.take import Samples

LEVEL_S = 0.060
SILENCE_DBFS = -300.0


def stroke_level_dbfs(samples: Samples, onset: int, rate: int) -> float:
    """RMS in dBFS of the first 60 ms of a stroke; a full-scale square wave has 0 dBFS.

    samples (frames, channels); channels are averaged in power. Where they end sooner, what there is
    is taken to be all of the stroke.
    Energy and not the peak, since that is what strokes are compared by where others sound along.
    """
    span = round(LEVEL_S * rate)
    part = samples[onset : onset + span]
    power = float(np.square(part).sum()) / (span * samples.shape[1])
    return max(10.0 * math.log10(power), SILENCE_DBFS) if power > 0.0 else SILENCE_DBFS
