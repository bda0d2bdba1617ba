# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings of every step for the laws that hold for all of them."""

from dataclasses import dataclass, field
from typing import Any

Given = dict[str, Any]


@dataclass(frozen=True)
class Example:
    """What the laws need to know about one step.

    Attributes:
        neutral: settings that must do nothing.
        typical: settings to hold the laws against, with the gains in dB they may lead to.
        changes: for every setting, settings before and after a change of it alone; names of
            settings within bands are written `bands.NAME`.

    """

    neutral: list[Given]
    typical: list[tuple[Given, float, float]]
    changes: dict[str, tuple[Given, Given]] = field(default_factory=dict)


def changed(name: str, value: Any, **base: Any) -> tuple[Given, Given]:
    """Settings `base`, and the same with `name` at `value`."""
    return base, {**base, name: value}


def band(name: str, value: Any, **base: Any) -> tuple[Given, Given]:
    """One band of `dynamic_eq` before and after a change."""
    whole = {"name": "one", "at": 540, "active": -6, **base}
    return {"bands": [whole]}, {"bands": [{**whole, name: value}]}


def tone_band(name: str, value: Any, **base: Any) -> tuple[Given, Given]:
    """One band of `tone` before and after a change."""
    whole = {"name": "one", "at": 540, "gain": -6, **base}
    return {"bands": [whole]}, {"bands": [{**whole, name: value}]}


RING = {"name": "ring", "at": 540, "width": 0.6, "active": -7, "delay": 12}
WEIGHT = {"name": "weight", "at": "fundamental", "width": 0.8, "active": 4}
WIRES = {"name": "wires", "shape": "high shelf", "at": 4000, "rest": -15}
PEAK = {"effect": "PeakFilter", "settings": {"cutoff_frequency_hz": 540, "gain_db": -6}}
FLAT = {"name": "flat", "at": 540}
BODY = {"name": "body", "at": "fundamental", "width": 1.5, "gain": 3}
HONK = {"name": "honk", "at": 600, "gain": -4}
AIR = {"name": "air", "shape": "high shelf", "at": 8000, "gain": 2}

EXAMPLES: dict[str, Example] = {
    "ride_level": Example(
        neutral=[{"share": 0}, {"lift_at_most": 0, "lower_at_most": 0}],
        typical=[
            ({"share": 100}, -6, 6),
            ({"toward": -3, "share": 70, "lift_at_most": 4, "lower_at_most": 1}, -1, 4),
            ({"ghosts": "ride"}, -6, 6),
        ],
        changes={
            "toward": changed("toward", -20),
            "share": changed("share", 30),
            "lift_at_most": changed("lift_at_most", 0.5, toward=0),
            "lower_at_most": changed("lower_at_most", 0.5, toward=-30),
            "ghosts": changed("ghosts", "ride"),
            "key": changed("key", "other"),
        },
    ),
    "gate": Example(
        neutral=[{"range": 0}],
        typical=[
            ({}, -30, 0),
            ({"key": "own", "range": 50, "hold": 0, "release": 20}, -50, 0),
            ({"key": "own", "listen_from": 120, "listen_to": 2000}, -30, 0),
        ],
        changes={
            "open_at": changed("open_at", -12),
            "close_at": changed("close_at", -40, key="own"),
            "hold": changed("hold", 60),
            "attack": changed("attack", 3),
            "release": changed("release", 20),
            "range": changed("range", 12),
            "lead": changed("lead", 0.5),
            "listen_from": changed("listen_from", 400, key="own", open_at=-12),
            "listen_to": changed("listen_to", 250, key="own", open_at=-12),
            "key": changed("key", "other"),
        },
    ),
    "dynamic_eq": Example(
        neutral=[{"bands": [FLAT]}],
        typical=[
            ({"bands": [RING]}, -7, 0),
            ({"bands": [WEIGHT]}, 0, 4),
            ({"bands": [WIRES, FLAT]}, -15, 0),
            ({"bands": [{**RING, "delay": 0, "threshold": -24}], "key": "own"}, -7, 0),
        ],
        changes={
            "bands": ({"bands": [RING]}, {"bands": [RING, WEIGHT]}),
            "key": changed("key", "other", bands=[RING]),
            "bands.name": band("name", "two"),
            "bands.shape": band("shape", "low shelf"),
            "bands.at": band("at", "fundamental"),
            "bands.width": band("width", 0.3),
            "bands.rest": band("rest", 2),
            "bands.active": band("active", -3),
            "bands.threshold": band("threshold", -20),
            "bands.delay": band("delay", 10),
            "bands.lead": band("lead", 20),
            "bands.hold": band("hold", 30),
            "bands.attack": band("attack", 6),
            "bands.release": band("release", 10),
        },
    ),
    "shape_transient": Example(
        neutral=[{}],
        typical=[
            ({"attack": 4, "sustain": -6}, -6, 4),
            ({"attack": -5, "sustain": 4, "sustain_span": "stroke"}, -5, 4),
        ],
        changes={
            "attack": changed("attack", 3, sustain=-2),
            "sustain": changed("sustain", 3, attack=2),
            "attack_span": changed("attack_span", 40, attack=3),
            "sustain_span": changed("sustain_span", 100, sustain=-6),
            "key": changed("key", "other", attack=3),
        },
    ),
    "tone": Example(
        neutral=[{"bands": [FLAT]}, {"bands": [FLAT], "phase": "none"}],
        typical=[
            ({"bands": [BODY, HONK, AIR]}, -4, 3),
            ({"bands": [BODY, HONK, FLAT], "phase": "none"}, -4, 3),
        ],
        changes={
            "bands": ({"bands": [BODY]}, {"bands": [BODY, AIR]}),
            "phase": changed("phase", "none", bands=[BODY]),
            "bands.name": tone_band("name", "two"),
            "bands.shape": tone_band("shape", "low shelf"),
            "bands.at": tone_band("at", "fundamental"),
            "bands.width": tone_band("width", 0.3),
            "bands.gain": tone_band("gain", 2),
        },
    ),
    "compress": Example(
        neutral=[{"ratio": 1}, {"threshold": 24}],
        typical=[
            ({}, -15, 0),
            ({"detector": "rms", "threshold": -24, "ratio": 10, "lead": 1.5, "makeup": 3}, -33, 3),
            ({"key": "hits", "threshold": -30, "ratio": 20, "attack": 1, "release": 30}, -42, 0),
        ],
        changes={
            "threshold": changed("threshold", -20),
            "ratio": changed("ratio", 2),
            "knee": changed("knee", 0),
            "attack": changed("attack", 3),
            "release": changed("release", 40),
            "lead": changed("lead", 5),
            "makeup": changed("makeup", "auto"),
            "detector": changed("detector", "rms"),
            "window": changed("window", 20, detector="rms"),
            "link": changed("link", "mean", key="other", threshold=-20),
            "key": changed("key", "other"),
        },
    ),
    "soften": Example(
        neutral=[{"ceiling": 0, "knee": 0.5}],
        typical=[
            ({}, -30, 0),
            ({"ceiling": -12, "clip": 0, "release": 20}, -50, 0),
            ({"ceiling": -6, "knee": 12, "oversampling": 4, "lead": 5}, -40, 0),
        ],
        changes={
            "ceiling": changed("ceiling", -3),
            "knee": changed("knee", 12),
            "clip": changed("clip", 6, ceiling=-14),
            "lead": changed("lead", 4, ceiling=-14),
            "release": changed("release", 20, ceiling=-14),
            "oversampling": changed("oversampling", 16),
        },
    ),
    "suppress_bleed": Example(
        neutral=[{"reduction": 0}, {"reduction": 0, "bands": "one"}],
        typical=[
            ({}, -18, 0),
            ({"reduction": 40, "bands": "one"}, -40, 0),
            ({"witnesses": ["other"]}, -18, 0),
            ({"fundamental": 196, "threshold": -40, "reduction": 12}, -12, 0),
        ],
        changes={
            "fundamental": changed("fundamental", 400),
            "threshold": changed("threshold", -12),
            "reduction": changed("reduction", 30),
            "bands": changed("bands", "one"),
            "witnesses": changed("witnesses", ["far"]),
            "key": changed("key", "other"),
        },
    ),
    "insert": Example(
        neutral=[
            {"effect": "Gain", "settings": {"gain_db": 0}},
            {"effect": "Distortion", "mix": 0},
        ],
        typical=[
            (PEAK, -6.1, 0.1),
            ({**PEAK, "mix": 40}, -3, 0.1),
            ({"effect": "Gain", "settings": {"gain_db": -3}}, -3.1, 0),
        ],
        changes={
            "effect": ({"effect": "Gain"}, {"effect": "Invert"}),
            "plugin": ({"plugin": "whole.vst3"}, {"plugin": "half.vst3"}),
            "settings": changed("settings", {"gain_db": 3}, effect="Gain"),
            "mix": changed("mix", 50, **PEAK),
            "latency": changed("latency", 300, **PEAK),
        },
    ),
    "blend": Example(
        neutral=[
            {"level": "off", "steps": ["level"]},
            {"level": "off", "steps": [{"gate": {"range": 40}}]},
        ],
        typical=[
            ({"steps": ["level"]}, 0, 6),
            ({"level": -3, "dry": -2, "steps": [{"gate": {"range": 40}}]}, -2, 6),
            # 1 + g, g from -6 to 4 dB
            (
                {"level": 0, "steps": [{"shape_transient": {"attack": 4, "sustain": -6}}]},
                3.52,
                8.25,
            ),
            ({"dry": "off", "level": -4, "steps": [{"level": {"gain": -3}}]}, -7, -7),
        ],
        changes={
            "level": changed("level", -9, steps=["level"]),
            "dry": changed("dry", "off", steps=["level"]),
            "steps": changed("steps", [{"gate": {"key": "other"}}], steps=["gate"]),
        },
    ),
    "level": Example(
        neutral=[{}],
        typical=[({"gain": -4}, -4, -4)],
        changes={
            "gain": changed("gain", -3),
            "polarity": changed("polarity", "invert"),
            "delay": changed("delay", 5),
            "against": (
                {"polarity": "auto", "against": "other"},
                {"polarity": "auto", "against": "opposite"},
            ),
        },
    ),
}
