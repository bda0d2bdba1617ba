# SPDX-License-Identifier: GPL-3.0-or-later
"""`insert`: a foreign effect on the whole track."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from dsp.errors import UsageError
from dsp.steps.base import AUTO, Decision, Scene, Step
from dsp.units import Quantity

LONGEST_LATENCY = 16_383
PERMIT = "--allow-plugins (in Python: allow_plugins=True)"


class Insert(Step):
    """Runs the track through an effect of the pedalboard library, or through a plug-in file.

    The effect's latency is measured with a known sound and removed, so nothing shifts. Where an
    effect can mix in the untouched sound, that sound's latency is meant: an echo stays an echo. A
    plug-in file is a program and runs only with `--allow-plugins`. Each insert is run twice on a
    stretch of the track; a note says where the results differ, for then the print cannot be
    repeated. Effects work in 32-bit float and are minimum-phase or worse: against the other
    microphones of the take they may turn the phase. The lane shows how the level changes over
    time, in windows of 10 ms.
    """

    name: ClassVar[str] = "insert"

    effect: str | None = Field(
        None, description="Name of an effect of pedalboard, for example `PeakFilter`"
    )
    plugin: str | None = Field(
        None,
        description="Path of a plug-in file (VST3; Audio Unit where the system has it), instead of "
        "`effect`; a relative path starts at the folder in which the program runs",
    )
    settings: dict[str, bool | float | str] = Field(
        default_factory=dict,
        description="Settings of the effect by their names in pedalboard; a number may carry the "
        "unit that the name ends in. What is not given has pedalboard's default",
    )
    mix: Annotated[float, Quantity("%", 0, 100)] = Field(
        100.0, description="Share of the effect; the rest is the untouched sound"
    )
    latency: Annotated[
        float | str, Quantity("samples", -LONGEST_LATENCY, LONGEST_LATENCY, (AUTO,), whole=True)
    ] = Field(AUTO, description="How late the effect is; so much is taken off its start")

    @field_validator("effect")
    @classmethod
    def _check_effect(cls, effect: str | None) -> str | None:
        if effect is not None:
            from dsp.inserts.effects import check_effect

            check_effect(effect)
        return effect

    @field_validator("settings")
    @classmethod
    def _check_settings(cls, settings: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        effect = info.data.get("effect")
        if effect is None:
            return settings
        from dsp.inserts.effects import check_settings

        return dict(check_settings(effect, settings))

    @model_validator(mode="after")
    def _check_one(self) -> Self:
        if (self.effect is None) == (self.plugin is None):
            found = "neither" if self.effect is None else "both"
            raise ValueError(f"found {found} of effect and plugin; accepted: one of them")
        return self

    @property
    def what(self) -> str:
        """The effect's name, for messages."""
        return str(self.effect) if self.plugin is None else Path(self.plugin).name

    @property
    def main_thread(self) -> bool:
        """Plug-in files may be opened, and opened again for a reset, in the main thread only."""
        return self.plugin is not None

    def before(self, allow_plugins: bool) -> None:
        """Refuse a plug-in file that is not allowed or not there, before any work."""
        if self.plugin is None:
            return
        if not allow_plugins:
            raise UsageError(
                f"insert: found the plug-in file {self.plugin}, which is a program; it runs only "
                f"with {PERMIT}"
            )
        from dsp.inserts import host

        host.refuse_missing(self.plugin)

    def decide(self, scene: Scene) -> Decision:
        """Run the effect; its result is the treatment."""
        self.before(scene.allow_plugins)
        from dsp.inserts.inserted import insert_decision

        return insert_decision(self, scene)
