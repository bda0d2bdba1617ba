# SPDX-License-Identifier: GPL-3.0-or-later
"""What the sound bench can measure: a recipe, a function, or the track as it is.

A processor gets the top microphone (frames,) and the rate, and returns the treated track. A
finder gets the same and returns strokes. Both are named on the command line:

- `recipe:PATH` runs a recipe's first track over the top microphone; its hit map is measured too
- `raw` leaves the track as it is
- `MODULE:FUNCTION` calls any function of that form, so that work in progress can be measured
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.hit_measures import Found

Sound = NDArray[np.float64]
Finder = Callable[[Sound, int], Found]


@dataclass(frozen=True)
class Treated:
    """A treated track.

    Attributes:
        done: the treated track (frames,).
        same_gains: gives another track the same gains, so that drum and bleed can be followed
            through the treatment one by one; None where the processor cannot say.
        found: the strokes it worked with, where it says.

    """

    done: Sound
    same_gains: Callable[[Sound], Sound] | None = None
    found: Found | None = None


Processor = Callable[[Sound, int], Treated]


def processor(spec: str) -> Processor:
    """Make the processor that `spec` names.

    Raises:
        ValueError: `spec` is of no known form.

    """
    if spec == "raw":
        return lambda top, rate: Treated(top.copy())
    if spec.startswith("recipe:"):
        path = Path(spec.removeprefix("recipe:"))
        return lambda top, rate: run_recipe(path, top, rate)
    function = _function(spec)
    return lambda top, rate: Treated(np.asarray(function(top, rate), dtype=np.float64))


def finder(spec: str) -> Finder:
    """Make the stroke finder that `spec` names: `hits` (the package's own) or `MODULE:FUNCTION`.

    The function returns an object with `onset`, `strength_db` and `velocity`.

    Raises:
        ValueError: `spec` is of no known form.

    """
    if spec == "hits":
        return _own_hits
    function = _function(spec)
    return lambda top, rate: _found(function(top, rate))


def _function(spec: str) -> Callable[[Sound, int], Any]:
    module, colon, name = spec.partition(":")
    if not colon or not module or not name:
        raise ValueError(f"{spec!r}: accepted are recipe:PATH, raw, and MODULE:FUNCTION")
    made: Callable[[Sound, int], Any] = getattr(importlib.import_module(module), name)
    return made


def run_recipe(
    path: Path, top: Sound, rate: int, others: dict[str, Sound] | None = None
) -> Treated:
    """Run the first track of the recipe `path`, whose steps may listen to `others`, by name."""
    from dsp.curves import apply_curve
    from dsp.printing import print_take
    from dsp.recipe import load_recipe
    from dsp.take import Take

    recipe = load_recipe(path)
    track = next(iter(recipe.tracks))
    heard = {name: sound[:, None].copy() for name, sound in (others or {}).items()}
    take = Take(rate, {track: top[:, None].copy(), **heard})
    printed = print_take(take, recipe).tracks[track]

    def same_gains(sound: Sound) -> Sound:
        samples = sound[:, None].copy()
        for decision in printed.decisions:
            apply_curve(samples, decision.curve)
        return samples[:, 0]

    return Treated(printed.samples[:, 0], same_gains, _found(printed.hits))


def _own_hits(top: Sound, rate: int) -> Found:
    from dsp.hits import find_hits

    return _found(find_hits(top[:, None], rate))


def _found(hits: Any) -> Found:
    return Found(
        np.asarray(hits.onset, dtype=np.int64),
        np.asarray(hits.strength_db, dtype=np.float64),
        np.asarray(hits.velocity, dtype=np.int64),
    )
