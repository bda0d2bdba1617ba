# SPDX-License-Identifier: GPL-3.0-or-later
"""What `insert` decides: the effect's result, and how it changes the level over time."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from dsp.inserts.effects import full_settings, mix_ends
from dsp.inserts.host import Processor, Single, effect_facts, open_effect, plugin_facts, run
from dsp.inserts.latency import Measured, dry, measure_latency
from dsp.level_change import level_change
from dsp.steps.base import AUTO, Decision, Scene
from dsp.take import CHUNK, Samples, sounding_part

if TYPE_CHECKING:
    from dsp.steps.insert import Insert

STRETCH_S = 10.0  # run twice, to see whether the effect repeats itself


def insert_decision(step: Insert, scene: Scene) -> Decision:
    """Measure, run and look at the effect."""
    settings = step.settings if step.effect is None else full_settings(step.effect, step.settings)
    step = step.updated(settings=settings)
    who = f"track {scene.track}, insert {step.what}"

    def opened(**changes: Any) -> Processor:
        return open_effect(step.effect, step.plugin, {**step.settings, **changes})

    spare = opened()
    found = _latency(step, spare, opened, scene, who)
    latency = found.samples if step.latency == AUTO else int(step.latency)
    step = step.updated(latency=latency)
    first, last = _stretch(scene)
    part = scene.audio[first:last]
    processor = opened()
    facts = effect_facts(step.settings)
    if step.plugin is not None:
        facts = plugin_facts(processor, step.plugin)
    wet = run(processor, scene.audio, scene.rate, latency, who)
    runs = [run(each, part, scene.rate, latency, who) for each in (processor, spare)]
    same = np.array_equal(runs[0], runs[1])
    share = float(step.mix) / 100

    def treat(part: Samples, start: int) -> None:
        mix_in(part, wet[start : start + len(part)], share)

    return Decision(
        curve=level_change(scene.audio, treat, scene.rate),
        step=step,
        treatment=Inserted(
            wet, share, lambda sound: run(opened(), sound, scene.rate, latency, who)
        ),
        notes=_notes(step, found, latency, same),
        facts=facts,
    )


def _latency(
    step: Insert, spare: Processor, opened: Callable[..., Processor], scene: Scene, who: str
) -> Measured:
    ends = mix_ends(step.effect, spare)
    untouched = dry(step.settings, ends)
    measured = spare if untouched == step.settings else opened(**untouched)
    return measure_latency(measured, scene.audio.shape[1], scene.rate, who)


def _stretch(scene: Scene) -> tuple[int, int]:
    """The first seconds that sound."""
    first, last = sounding_part(scene.audio)
    return first, max(min(last, first + round(STRETCH_S * scene.rate)), first + 1)


def _notes(step: Insert, found: Measured, latency: int, same: bool) -> tuple[str, ...]:
    notes = []
    if latency:
        notes.append(f"{step.what}: latency of {latency} samples removed")
    if not found.clear:
        notes.append(
            f"{step.what}: its latency could not be measured, for nothing of the sound comes "
            f"through unchanged; {latency} samples were taken"
        )
    elif found.samples != latency:
        notes.append(f"{step.what}: its latency was measured as {found.samples} samples")
    if not same:
        notes.append(f"{step.what}: not repeatable; two runs on the same sound gave two results")
    return tuple(notes)


class Inserted:
    """Adds what an effect has changed: x + share · (effect(x) − x).

    `wet` (frames, channels) float32 is the effect's result for the audio it was decided on; it is
    let go once it has been used, and `rerun` makes it anew where it is asked for again.
    """

    def __init__(self, wet: Single, share: float, rerun: Callable[[Samples], Single]) -> None:
        self._wet: Single | None = wet
        self._share = share
        self._rerun = rerun

    def apply(self, samples: Samples) -> None:
        """Treat samples (frames, channels) in place."""
        wet = self._rerun(samples) if self._wet is None else self._wet
        self._wet = None
        for start in range(0, len(samples), CHUNK):
            mix_in(samples[start : start + CHUNK], wet[start : start + CHUNK], self._share)


def mix_in(part: Samples, wet: Single, share: float) -> None:
    """Take `share` of the effect's result for a part, in place."""
    # What the effect left alone keeps every bit, also those that 32 bits do not hold.
    change = wet.astype(np.float64) - part.astype(np.float32)
    change *= share
    np.add(part, change, out=part, where=change != 0.0)
