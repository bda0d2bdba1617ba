# SPDX-License-Identifier: GPL-3.0-or-later
"""A first recipe for a track, from what was measured on it.

Decisions:

- It only uses what the measurement supports: no ring band without a ring, no bleed suppression
  where nothing lies between the strokes, only neutral steps where there is no stroke at all.
- Measured frequencies stand in the recipe as numbers, so that they can be read and changed.
- The amounts (how many decibels) are a matter of taste and start moderate: common practice, no
  source.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from typing import Any

import numpy as np

from dsp.hits.hitmap import HitMap, Ring
from dsp.steps.suppress_bleed import UNDER_DB

MOST_RINGS = 3
RING_WIDTH_OCT = 0.4
COMMENT_WIDTH = 92
LOWEST_RING_HZ, HIGHEST_RING_HZ = 250.0, 4000.0  # below is the drum's body, above the wires
SHORTEST_RING_S = 0.15  # T60; what dies sooner is not heard as a ring (common practice, no source)
NEAR_FUNDAMENTAL = 1.25  # ratio; the fundamental itself is no ring to be tamed
QUIET_DBFS = -90.0  # nothing worth taking down lies between strokes that are this quiet
UNDER_SOFTEST_DB = 36.0  # where bleed should come to lie; more is hardly heard (bench.sound)
LEAST_REDUCTION_DB, MOST_REDUCTION_DB = 12.0, 40.0
LEAST_LIFT_DB, MOST_LIFT_DB = 1.0, 12.0


@dataclass(frozen=True)
class Proposal:
    """Steps as a recipe writes them, and a comment for each."""

    steps: tuple[tuple[str, dict[str, Any]], ...]
    comments: tuple[str, ...]

    def as_data(self, track: str) -> dict[str, Any]:
        """The recipe as plain data."""
        steps = [{name: settings} for name, settings in self.steps]
        return {"drumprint": 1, "about": ABOUT, "tracks": {track: {"steps": steps}}}


ABOUT = "Proposed by drumprint inspect; a place to start from"


def propose(hits: HitMap) -> Proposal:
    """A recipe for the track that `hits` was found on."""
    if len(hits) == 0:
        return Proposal(
            (("level", {"gain": "0 dB"}),),
            ("No stroke was found: this leaves the track as it is.",),
        )
    parts = [_suppress(hits), _ride(hits), _equalise(hits), _shape()]
    kept = [part for part in parts if part is not None]
    return Proposal(
        tuple((name, settings) for name, settings, _ in kept),
        tuple(comment for _, _, comment in kept),
    )


Part = tuple[str, dict[str, Any], str]


def _suppress(hits: HitMap) -> Part | None:
    if not math.isfinite(hits.bleed_dbfs) or hits.bleed_dbfs < QUIET_DBFS:
        return None
    softest = float(hits.peak_dbfs.min())
    distance = softest - hits.bleed_dbfs
    reduction = min(max(round(UNDER_SOFTEST_DB - distance), LEAST_REDUCTION_DB), MOST_REDUCTION_DB)
    threshold = math.floor((softest - UNDER_DB) * 10) / 10
    fundamental = _hz(hits.fundamental_hz) if math.isfinite(hits.fundamental_hz) else "auto"
    return (
        "suppress_bleed",
        {
            "fundamental": fundamental,
            "threshold": f"{threshold:g} dBFS",
            "reduction": f"{reduction:g} dB",
        },
        f"Bleed lies at {hits.bleed_dbfs:.0f} dBFS, the softest stroke at {softest:.0f} dBFS: "
        f"down to {UNDER_SOFTEST_DB:g} dB under it, as far as {MOST_REDUCTION_DB:g} dB will do.",
    )


def _ride(hits: HitMap) -> Part | None:
    full = hits.strength_db[~hits.ghost]
    if len(full) < 4:
        return None
    spread = float(np.percentile(full, 90) - np.percentile(full, 10))
    share = 60 if spread > 3 else 40
    reach = math.ceil(-share / 100 * float(full.min()))
    lift = min(max(reach, LEAST_LIFT_DB), MOST_LIFT_DB)
    return (
        "ride_level",
        {
            "toward": "typical",
            "share": f"{share} %",
            "lift_at_most": f"{lift:g} dB",
            "ghosts": "keep",
        },
        f"Full strokes differ by {spread:.1f} dB (10th to 90th percentile), the softest lies "
        f"{-full.min():.1f} dB under the typical one; "
        f"{int(hits.ghost.sum())} of {len(hits)} strokes are ghost notes.",
    )


def _equalise(hits: HitMap) -> Part | None:
    bands = [_ring_band(number, ring) for number, ring in enumerate(rings_to_tame(hits), 1)]
    said = ", ".join(f"{ring.hz:.0f} Hz ({ring.t60_s:.2f} s)" for ring in rings_to_tame(hits))
    comments = [f"Rings, with the time they take to fall by 60 dB: {said}." if said else ""]
    if math.isfinite(hits.fundamental_hz):
        bands.append(
            {
                "name": "weight",
                "shape": "bell",
                "at": _hz(hits.fundamental_hz),
                "width": "0.8 oct",
                "rest": "0 dB",
                "active": "2 dB",
            }
        )
        comments.append(f"The drum is tuned to {hits.fundamental_hz:.1f} Hz.")
    if not bands:
        return None
    return "dynamic_eq", {"bands": bands}, " ".join(text for text in comments if text)


def rings_to_tame(hits: HitMap) -> list[Ring]:
    """The rings worth a band, longest first: above the drum's body, and long enough to be heard.

    Of rings that one band would cover only the longest is named, since overlapping bands add.
    """
    floor = LOWEST_RING_HZ
    if math.isfinite(hits.fundamental_hz):
        floor = max(floor, NEAR_FUNDAMENTAL * hits.fundamental_hz)
    heard = [
        ring
        for ring in hits.rings
        if floor <= ring.hz <= HIGHEST_RING_HZ and ring.t60_s >= SHORTEST_RING_S
    ]
    chosen: list[Ring] = []
    for ring in sorted(heard, key=lambda ring: -ring.t60_s):
        if all(abs(math.log2(ring.hz / other.hz)) >= RING_WIDTH_OCT for other in chosen):
            chosen.append(ring)
    return chosen[:MOST_RINGS]


def _ring_band(number: int, ring: Ring) -> dict[str, Any]:
    # The longer it rings the more is taken: 4 dB at the shortest, 8 dB from half a second on.
    depth = round(min(4 + 4 * (ring.t60_s - SHORTEST_RING_S) / 0.35, 8))
    return {
        "name": f"ring {number}",
        "shape": "bell",
        "at": _hz(ring.hz),
        "width": f"{RING_WIDTH_OCT:g} oct",
        "rest": "0 dB",
        "active": f"-{depth} dB",
        "delay": "12 ms",
    }


def _shape() -> Part:
    return (
        "shape_transient",
        {"attack": "2 dB", "sustain": "-2 dB"},
        "More stick and a shorter tail, a little of each: to taste.",
    )


def _hz(value: float) -> str:
    return f"{value:.1f} Hz"


def proposal_yaml(proposal: Proposal, track: str, measured: list[str]) -> str:
    """The recipe as YAML text, with what was measured as comments."""
    import yaml

    lines = [f"# {line}" for line in measured]
    lines += ["drumprint: 1", f"about: {ABOUT}", "tracks:", f"  {_scalar(track)}:", "    steps:"]
    for (name, settings), comment in zip(proposal.steps, proposal.comments, strict=True):
        lines += [f"      # {part}" for part in textwrap.wrap(comment, COMMENT_WIDTH)]
        text = yaml.safe_dump([{name: settings}], sort_keys=False, width=200)
        lines += [f"      {line}" for line in text.rstrip().splitlines()]
    return "\n".join(lines) + "\n"


def _scalar(text: str) -> str:
    import yaml

    return str(yaml.safe_dump(text, explicit_end=False)).split("\n")[0]
