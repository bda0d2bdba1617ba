# SPDX-License-Identifier: GPL-3.0-or-later
"""Options that several commands share, and how their values are read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

Option = Callable[[Callable[..., Any]], Callable[..., Any]]


def folder_option(metavar: str, help_text: str) -> Option:
    """`-o`: the folder that a command writes."""
    return click.option(
        "-o",
        "--out",
        required=True,
        type=click.Path(path_type=Path),
        metavar=metavar,
        help=help_text,
    )


def file_option(*names: str, metavar: str, help_text: str) -> Option:
    """A file or folder that may be given."""
    return click.option(*names, type=click.Path(path_type=Path), metavar=metavar, help=help_text)


def jobs_option(does: str) -> Option:
    """`--jobs`: how many tracks are `does` at once."""
    return click.option(
        "--jobs",
        type=click.IntRange(min=1),
        default=1,
        show_default=True,
        help=f"Tracks {does} at once; each needs memory. The result does not depend on it.",
    )


def plugins_option(recipe: str) -> Option:
    """`--allow-plugins`, for plug-in files that `recipe` names."""
    return click.option(
        "--allow-plugins",
        is_flag=True,
        help=f"Let plug-in files that {recipe} names run; they are programs.",
    )


def notes_option(help_text: str) -> Option:
    """`--notes`: MIDI notes."""
    return click.option(
        "--notes", callback=note_list, default="38,40", show_default=True, help=help_text
    )


def seconds(_ctx: click.Context, _option: click.Parameter, value: str | None) -> float | None:
    """Seconds from the start of the take: `12`, `12.5 s`, `800 ms` or `1:23.5`."""
    if value is None:
        return None
    try:
        minutes, colon, rest = value.rpartition(":")
        if colon:
            return 60.0 * int(minutes) + float(rest)
        from dsp.units import Quantity

        unit = "s" if value.strip()[-1:].isdigit() else ""
        return float(Quantity("ms", 0, 1e9).parse(f"{value}{unit}")) / 1000
    except ValueError:
        accepted = "12, 12.5 s, 800 ms or 1:23.5"
        raise click.BadParameter(f"found {value!r}; accepted: {accepted}") from None


def note_list(_ctx: click.Context, _option: click.Parameter, value: str) -> tuple[int, ...]:
    """MIDI notes, separated by commas."""
    try:
        return tuple(int(note) for note in value.split(","))
    except ValueError:
        accepted = "MIDI notes, for example 38 or 38,40"
        raise click.BadParameter(f"found {value!r}; accepted: {accepted}") from None
