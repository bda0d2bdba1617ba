# SPDX-License-Identifier: GPL-3.0-or-later
"""What every step is: declared settings, and one method that decides a gain curve.

A step never touches the track's audio. It looks at the whole take and returns a `Decision`;
carrying it out is one piece of code for all steps: apply the gain curve (`dsp.curves.apply_curve`),
or, where what was asked for is no gain over time (a fixed minimum-phase filter, a clipper, a
parallel copy, a foreign effect), run the `Treatment` that the step hands over.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Literal, Protocol, Self

from pydantic import BaseModel, ConfigDict, Field

from dsp.curves import GainCurve
from dsp.hits.hitmap import HitMap
from dsp.take import Samples

AUTO = "auto"
Key = Annotated[
    str,
    Field(
        min_length=1,
        description="What drives the step: `hits` (the strokes the track is keyed by), `own` (the "
        "sound of this track as it reaches the step), or the name of another track",
    ),
]


StrokesKey = Annotated[
    str,
    Field(
        min_length=1,
        description="Whose strokes it follows: `hits` (those the track is keyed by), `own` (those "
        "found on this track), or the name of another track",
    ),
]


class Settings(BaseModel):
    """Declared settings: at once Python arguments, YAML keys, JSON Schema and reference text.

    Unknown names are refused, defaults are checked like any other value, and instances do not
    change.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)

    def updated(self, **changes: Any) -> Self:
        """A copy with some settings replaced, checked like new ones."""
        return type(self)(
            **{**{name: getattr(self, name) for name in type(self).model_fields}, **changes}
        )


def untold(_share: float) -> None:
    """Nobody asked how far a step is."""


@dataclass(frozen=True)
class Scene:
    """What a step may look at when it decides. Arrays are never written to.

    `audio`   this track as it reaches the step, float64, (frames, channels)
    `hits`    the hit map the track is keyed by
    `raw`     gives a track of the take by name, as it was recorded
    `hits_of` gives the hit map of a track by name
    `allow_plugins` whether the user lets plug-in files run
    `listened` what the step's own `listen` told of this very audio; None where it was not asked
    `told`    a step that takes long calls it with the share it has done, 0 to 1, rising; it raises
              where the whole run has been stopped
    """

    track: str
    rate: int
    audio: Samples
    hits: HitMap
    tracks: tuple[str, ...]
    raw: Callable[[str], Samples]
    hits_of: Callable[[str], HitMap]
    allow_plugins: bool = False
    listened: object | None = None
    told: Callable[[float], None] = untold


class Treatment(Protocol):
    """Does to the audio what a gain curve cannot say."""

    def apply(self, samples: Samples) -> None:
        """Treat samples (frames, channels), float64, in place; as many, at the same places."""


@dataclass(frozen=True)
class Decision:
    """What a step decided.

    `curve` is the gain curve: what is applied, or, with a `treatment`, what the lane shows of what
    it does, and nothing else is applied then; `step` the same settings with each `auto` replaced by
    its number (rounded before use, so that the resolved recipe repeats the print exactly).
    `polarity` and `delay` (samples, positive is later) are for the one step that may move a track.
    `facts` is what else the print sheet should say, as JSON can hold it.
    `inner` is what the steps inside this one decided, in order.
    """

    curve: GainCurve
    step: Step
    treatment: Treatment | None = None
    polarity: int = 1
    delay: int = 0
    notes: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    inner: tuple[Decision, ...] = ()


class Step(Settings, ABC):
    """One processor with its settings, as written in a recipe.

    Subclasses set `name` (the YAML key) and declare fields; the class docstring is the
    reference text.
    """

    name: ClassVar[str]
    key_gives: ClassVar[Literal["audio", "hits"]] = "audio"  # what a key that is a track is for

    @abstractmethod
    def decide(self, scene: Scene) -> Decision:
        """Look at the scene and return a gain curve."""

    def listen(self, audio: Samples, rate: int) -> object | None:
        """What can be told of the audio before its strokes are known, for `Scene.listened`.

        The first step of a track is asked for it while the strokes are being found. None where
        `decide` has all to do.
        """
        return None

    @property
    def main_thread(self) -> bool:
        """Whether it must run in the main thread; then one track is worked on at a time."""
        return False

    def before(self, allow_plugins: bool) -> None:
        """Refuse what can be refused before any work, in the main thread."""

    def sources(self) -> Mapping[str, str]:
        """Other tracks this step needs: name → `audio` or `hits`."""
        key = getattr(self, "key", "hits")
        return {} if key in {"hits", "own"} else {key: self.key_gives}

    def aligns_with(self) -> str | None:
        """The track that this step moves its own to, by what is measured; None for none."""
        return None
