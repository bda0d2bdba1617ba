# SPDX-License-Identifier: GPL-3.0-or-later
"""The steps and their registry: YAML key → class, in the order of the reference."""

from __future__ import annotations

from dsp.steps.base import AUTO, Decision, Scene, Settings, Step
from dsp.steps.blend import Blend
from dsp.steps.compress import Compress
from dsp.steps.dynamic_eq import DynamicEq
from dsp.steps.gate import Gate
from dsp.steps.insert import Insert
from dsp.steps.level import Level
from dsp.steps.ride_level import RideLevel
from dsp.steps.shape_transient import ShapeTransient
from dsp.steps.soften import Soften
from dsp.steps.suppress_bleed import SuppressBleed
from dsp.steps.tone import Tone

STEPS: dict[str, type[Step]] = {
    step.name: step
    for step in (
        SuppressBleed,
        RideLevel,
        Gate,
        DynamicEq,
        ShapeTransient,
        Tone,
        Blend,
        Compress,
        Soften,
        Insert,
        Level,
    )
}

__all__ = [
    "AUTO",
    "STEPS",
    "Blend",
    "Compress",
    "Decision",
    "DynamicEq",
    "Gate",
    "Insert",
    "Level",
    "RideLevel",
    "Scene",
    "Settings",
    "ShapeTransient",
    "Soften",
    "Step",
    "SuppressBleed",
    "Tone",
]
