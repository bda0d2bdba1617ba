# SPDX-License-Identifier: GPL-3.0-or-later
"""The example of each step: a track of the demo take, and the step as a recipe writes it."""

from __future__ import annotations

EXAMPLES: dict[str, tuple[str, str]] = {
    "suppress_bleed": ("top", "suppress_bleed: {reduction: 18 dB}"),
    "ride_level": (
        "top",
        "ride_level: {toward: typical, share: 60 %, lift_at_most: 6 dB, ghosts: keep}",
    ),
    "gate": ("top", "gate: {range: 30 dB, hold: 20 ms, release: 80 ms}"),
    "dynamic_eq": (
        "top",
        "dynamic_eq:\n"
        "    bands:\n"
        "      - {name: ring, at: 540 Hz, width: 0.6 oct, active: -7 dB, delay: 12 ms}\n"
        "      - {name: weight, at: fundamental, width: 0.8 oct, active: 3 dB}",
    ),
    "shape_transient": ("top", "shape_transient: {attack: 4 dB, sustain: -5 dB}"),
    "tone": (
        "top",
        "tone:\n"
        "    bands:\n"
        "      - {name: weight, at: 200 Hz, width: 2 oct, gain: 2 dB}\n"
        "      - {name: air, shape: high shelf, at: 8 kHz, gain: 3 dB}",
    ),
    "compress": ("top", "compress: {threshold: -24 dB, ratio: 4, attack: 5 ms, release: 80 ms}"),
    "soften": ("top", "soften: {ceiling: -15 dBTP, knee: 6 dB}"),
    "blend": (
        "top",
        "blend:\n"
        "    level: -6 dB\n"
        "    steps:\n"
        "      - shape_transient: {attack: -6 dB, sustain: 6 dB}",
    ),
    "insert": (
        "top",
        "insert:\n"
        "    effect: Compressor\n"
        "    settings: {threshold_db: -24 dB, ratio: 4, attack_ms: 5 ms, release_ms: 80 ms}\n"
        "    mix: 70 %",
    ),
    "level": ("bottom", "level: {gain: -3 dB, polarity: auto, delay: auto, against: top}"),
}
