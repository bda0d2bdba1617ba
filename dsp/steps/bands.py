# SPDX-License-Identifier: GPL-3.0-or-later
"""What the bands of `tone` and `dynamic_eq` have in common: where they stand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from dsp.curves import ShapedBand
from dsp.steps.base import Settings
from dsp.units import Quantity

NO_DRUM_HZ = 200.0  # where a band stands that has no fundamental to stand at; it stays at 0 dB


class PlacedBand(Settings):
    """A bell or a shelf at a place."""

    name: str = Field(min_length=1, description="Name of the band, shown in picture and sheet")
    shape: Literal["bell", "low shelf", "high shelf"] = Field(
        "bell", description="Form of the band"
    )
    at: Annotated[float | str, Quantity("Hz", 20, 20_000, words=("fundamental",))] = Field(
        description="Centre of a bell, or the frequency at which a shelf has half its gain in dB; "
        "`fundamental`: that of the drum"
    )
    width: Annotated[float, Quantity("oct", 0.05, 5)] | None = Field(
        None, description="Octaves between the points of half the gain in dB; bells only, 1 oct "
        "unless given"
    )  # fmt: skip

    @model_validator(mode="after")
    def _width_has_a_meaning(self) -> Self:
        if self.width is not None and self.shape != "bell":
            raise ValueError(f"found width on a {self.shape}; accepted: width on a bell only")
        return self

    def resolved(self, fundamental_hz: float) -> Self:
        """The band with numbers for every word that a number can replace."""
        changes: dict[str, float] = {}
        if self.at == "fundamental" and math.isfinite(fundamental_hz):
            changes["at"] = round(fundamental_hz, 2)
        if self.shape == "bell" and self.width is None:
            changes["width"] = 1.0
        return self.updated(**changes)

    def placed(self, gain_db: float) -> ShapedBand:
        """Where a resolved band stands, with this gain."""
        at_hz = NO_DRUM_HZ if isinstance(self.at, str) else self.at
        return ShapedBand(self.name, self.shape, at_hz, self.width or 1.0, gain_db)


def check_names(bands: Sequence[PlacedBand]) -> None:
    """Raise ValueError where two bands have one name."""
    names = [band.name for band in bands]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"found two bands named {twice[0]!r}; accepted: a name for each band")


def untuned_notes(bands: Sequence[PlacedBand]) -> tuple[str, ...]:
    """What is to be said of resolved bands that found no fundamental."""
    return tuple(
        f"band {band.name}: no drum was found, so there is no fundamental and it stays at 0 dB"
        for band in bands
        if band.at == "fundamental"
    )
