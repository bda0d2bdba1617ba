# SPDX-License-Identifier: GPL-3.0-or-later
"""Hits: the drum's tuning, every stroke with its onset and strength, and the bleed between."""

from dsp.hits.find import find_hits
from dsp.hits.hitmap import HitMap, Ring

__all__ = ["HitMap", "Ring", "find_hits"]
