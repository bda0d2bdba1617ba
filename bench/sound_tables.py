# SPDX-License-Identifier: GPL-3.0-or-later
"""What the tables of the sound bench show: a column for each measure of a take."""

from __future__ import annotations

from bench.report import Table

SEPARATION = Table(
    "Drum against everything else, SI-SDR in dB",
    "Top microphone. Gate: a plain gate with the best of 2880 settings for each take, chosen "
    "with the answer, and the ghosts that it keeps. Ideal gain and ideal mask know the clean drum. "
    "With overhead: the ready recipe with the overhead microphone as witness, and its ghosts.",
    {
        "raw": "raw",
        "ours": "ours",
        "gain": "gain",
        "overhead": "with overhead",
        "overhead_ghosts_kept": "ghosts kept",
        "gate": "gate",
        "gate_ghosts_kept": "ghosts kept",
        "ideal_gain": "ideal gain",
        "ideal_mask": "ideal mask",
        "raw_snr": "raw SNR",
        "ours_snr": "ours SNR",
    },
    percent=frozenset({"overhead_ghosts_kept", "gate_ghosts_kept"}),
)
DAMAGE = Table(
    "Bleed taken away, and what it cost the drum",
    "Down in gaps and under strokes (first 100 ms, bleed and damage together), dB. Kept: share "
    "of ghosts within 1.5 dB and of full strokes within 0.5 dB of the clean stroke's energy in "
    "60 ms; own: median gain of the stroke itself, and of its decay (60 to 200 ms), dB; gain in "
    "SNR over the first 10 and 40 ms, median, dB. Drum and bleed: each alone under the same "
    "gains: energy of the drum lost or changed re the drum, and bleed down under strokes, dB.",
    {
        "gaps": "gaps",
        "under": "under",
        "ghosts_kept": "ghosts kept",
        "raw_ghosts_kept": "(raw)",
        "full_kept": "full kept",
        "raw_full_kept": "(raw)",
        "ghost_own": "ghost own",
        "full_own": "full own",
        "decay_own": "decay own",
        "first_10": "10 ms",
        "first_40": "40 ms",
        "drum_changed": "drum",
        "bleed_alone": "bleed",
    },
    percent=frozenset({"ghosts_kept", "full_kept", "raw_ghosts_kept", "raw_full_kept"}),
)
STROKES = Table(
    "Strokes found",
    "F at ±2 ms, one to one; heard: strokes under everything else are not missed; error and bias "
    "in samples, medians; rank correlation of strength; velocities within 4; false hits within "
    "10 ms after another drum or cymbal.",
    {
        "f": "F",
        "f_heard": "heard",
        "precision": "precision",
        "recall": "recall",
        "ghost_recall": "ghosts",
        "error": "error",
        "bias": "bias",
        "spearman": "strength",
        "velocities": "velocity",
        "false_others": "false",
    },
    percent=frozenset({"velocities"}),
    decimals=(
        ("f", 3),
        ("f_heard", 3),
        ("precision", 3),
        ("recall", 3),
        ("ghost_recall", 3),
        ("spearman", 3),
    ),
)
