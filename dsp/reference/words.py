# SPDX-License-Identifier: GPL-3.0-or-later
"""The text of the reference pages, from the declarations of the steps."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel

from dsp.curves import FullBand, ShapedBands
from dsp.recipe.declared import accepted_at
from dsp.reference.examples import EXAMPLES
from dsp.steps import STEPS
from dsp.steps.base import Decision, Settings, Step

MADE = "<!-- Made by `drumprint reference`; change the declarations, not this page. -->"


def page(step: type[Step], decision: Decision) -> str:
    """The page of one step, in Markdown; `decision` is that of its example."""
    track, written = EXAMPLES[step.name]
    parts = [MADE, f"# `{step.name}`", inspect.cleandoc(str(step.__doc__))]
    parts += ["## Settings", table(step)]
    for name, model in inner(step):
        parts += [f"### Each of `{name}`", *_docstring(model), table(model)]
    parts += [
        "## Its lane",
        lane(decision),
        f"The {track} microphone of the demo take, from the start:",
        f"```yaml\n- {written}\n```",
        f"![Strokes, waveform and lane of {step.name}]({step.name}.png)",
    ]
    return "\n\n".join(parts) + "\n"


def index() -> str:
    """The page that lists all steps."""
    rows = [
        f"| [`{name}`]({name}.md) | {inspect.cleandoc(str(step.__doc__)).splitlines()[0]} |"
        for name, step in STEPS.items()
    ]
    head = [
        MADE,
        "# Steps",
        "One page for each step: its settings with units, ranges and defaults, and what it does to "
        "its lane of the picture. Numbers carry their unit; a bare number is in the setting's own "
        "unit. `drumprint reference DIR` writes these pages for the steps that are installed.",
    ]
    return "\n\n".join([*head, "\n".join(["| step | |", "|---|---|", *rows])]) + "\n"


def table(model: type[BaseModel]) -> str:
    """Settings as a table: what is accepted, the default, and what each does."""
    plain = model.model_construct().model_dump(mode="json", warnings=False)
    rows = ["| setting | accepted | default | |", "|---|---|---|---|"]
    for name, info in model.model_fields.items():
        default = "needed" if info.is_required() else _default(plain[name])
        cells = (accepted_at(model, (name,)), default, str(info.description))
        rows.append(f"| `{name}` | {' | '.join(_cell(cell) for cell in cells)} |")
    return "\n".join(rows)


def _default(value: Any) -> str:
    if value is None or value in ([], {}):
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", r"\|")


def _docstring(model: type[BaseModel]) -> list[str]:
    return [inspect.cleandoc(model.__doc__)] if model.__doc__ else []


def inner(step: type[Settings]) -> Iterator[tuple[str, type[Settings]]]:
    """Settings that are lists of settings of their own: their name, and what each is."""
    for name, info in step.model_fields.items():
        for kind in get_args(info.annotation):
            if isinstance(kind, type) and issubclass(kind, Settings):
                yield name, kind


def lane(decision: Decision) -> str:
    """What the step's lane of the picture shows."""
    layout = decision.curve.layout
    if decision.treatment is not None:
        return (
            "What this step does is no gain over time; the lane shows what it changes, in dB, as "
            "its text says."
        )
    if isinstance(layout, FullBand):
        return "One gain over time for the whole spectrum; it is what the audio is multiplied by."
    if isinstance(layout, ShapedBands):
        return "One gain over time for each band, as it is applied; bands may overlap, and add."
    return (
        "The spectrum in bands, one above the other, low at the bottom; the colour is each band's "
        "gain over time, as it is applied."
    )
