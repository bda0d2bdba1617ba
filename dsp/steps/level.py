# SPDX-License-Identifier: GPL-3.0-or-later
"""`level`: gain, polarity and delay of one track."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from dsp.curves import flat
from dsp.steps.base import AUTO, Decision, Scene, Step
from dsp.units import Quantity

if TYPE_CHECKING:
    from dsp.microphones import Pair

LONGEST = 48_000


class Level(Step):
    """Sets gain, polarity and delay of a track.

    The only step that may move a track against the others of its take; it does so only when
    `delay` is given. Samples moved past the end are dropped, so the length stays. With `auto`,
    polarity and delay are measured against another microphone of the same drum, from that one's
    strokes, and this track is moved so that both hear the drum at once and with one polarity.
    Where the strokes do not agree on an answer, nothing is moved and a note says so. What was
    measured is in the print sheet. A microphone that is itself moved by `auto` cannot be the one
    that others are measured against.
    """

    name: ClassVar[str] = "level"

    gain: Annotated[float, Quantity("dB", -60, 24)] = Field(
        0.0, description="Gain on the whole track"
    )
    polarity: Literal["keep", "invert", "auto"] = Field(
        "keep",
        description="`invert` turns the waveform upside down; `auto` does so where this microphone "
        "has the opposite polarity of `against`",
    )
    delay: Annotated[float | str, Quantity("samples", -LONGEST, LONGEST, (AUTO,), whole=True)] = (
        Field(
            0.0,
            description="Samples the track is moved later; negative moves it earlier. `auto` takes "
            "off how much later this microphone hears the drum than `against`",
        )
    )
    against: str | None = Field(
        None,
        min_length=1,
        description="The microphone that this one is measured against, as it was recorded: for "
        "`auto`, and for the print sheet",
    )

    @model_validator(mode="after")
    def _check_against(self) -> Self:
        if AUTO in (self.polarity, self.delay) and self.against is None:
            raise ValueError("auto: found no track to measure against; accepted: against: a track")
        return self

    def sources(self) -> Mapping[str, str]:
        """The track that this one is measured against."""
        return {} if self.against is None else {self.against: "audio"}

    def aligns_with(self) -> str | None:
        """The track that this one is moved to."""
        return self.against if AUTO in (self.polarity, self.delay) else None

    def decide(self, scene: Scene) -> Decision:
        """One gain for the whole take; polarity and delay measured where they are `auto`."""
        pair = self._pair(scene)
        step = self if pair is None else self._with(pair)
        facts = {} if pair is None else {"measured": pair.as_data(scene.rate)}
        unclear = pair is not None and not pair.sure
        return Decision(
            curve=flat(scene.rate, len(scene.audio), step.gain),
            step=step,
            polarity=-1 if step.polarity == "invert" else 1,
            delay=int(float(step.delay)),
            notes=(f"polarity and delay against {self.against} are not clear",) if unclear else (),
            facts=facts,
        )

    def _pair(self, scene: Scene) -> Pair | None:
        """How the two microphones are to each other; None where no other is named."""
        if self.against is None:
            return None
        from dsp.microphones import compare_microphones

        reference = scene.raw(self.against)
        return compare_microphones(reference, scene.audio, scene.hits_of(self.against))

    def _with(self, pair: Pair) -> Level:
        """The step with `auto` replaced by what was measured; nothing moves where it is unsure."""
        found: dict[str, float | str] = {}
        if self.polarity == AUTO:
            found["polarity"] = "invert" if pair.sure and pair.inverted else "keep"
        if self.delay == AUTO:
            found["delay"] = float(-pair.delay if pair.sure else 0)
        return self.updated(**found)
