# SPDX-License-Identifier: GPL-3.0-or-later
"""What the commands share: printing for people, printing JSON, progress, TRACK=FILE arguments."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dsp.cli.interrupt import INTERRUPT
from dsp.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

Progress = Callable[[float, str], None]


def print_line(text: str) -> None:
    """One line on standard output."""
    sys.stdout.write(text + "\n")


def print_json(value: Mapping[str, Any]) -> None:
    """One JSON object on standard output; numbers that are not finite become null."""
    from dsp.sheet import finite

    print_line(json.dumps(finite(value), indent=2, ensure_ascii=False, allow_nan=False))


def console() -> Console:
    """Rich's console on standard output."""
    from rich.console import Console

    return Console(highlight=False, soft_wrap=False)


@contextmanager
def progress_bar(shown: bool) -> Iterator[Progress]:
    """A bar on standard error where that is a terminal; also where a lost Ctrl-C takes effect."""
    if not shown or not sys.stderr.isatty():
        yield lambda _share, _doing: INTERRUPT.check()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=1.0)

        def show(share: float, doing: str) -> None:
            INTERRUPT.check()
            bar.update(task, completed=share, description=doing)

        yield show


def track_files(arguments: Sequence[str]) -> dict[str, Path]:
    """`TRACK=FILE` arguments as a mapping. Raises `UsageError` naming what is wrong."""
    files: dict[str, Path] = {}
    for argument in arguments:
        name, equals, file = argument.partition("=")
        if not (name and equals and file):
            raise UsageError(f"found {argument!r}; accepted: TRACK=FILE, for example top=top.wav")
        if name in files:
            raise UsageError(f"track {name} is given twice: {files[name]} and {file}")
        files[name] = Path(file)
    return files


def complete_tracks(_ctx: click.Context, _parameter: click.Parameter, incomplete: str) -> list[Any]:
    """Completion of TRACK=FILE: file names after the equals sign."""
    from click.shell_completion import CompletionItem

    name, equals, start = incomplete.partition("=")
    if not equals:
        return [CompletionItem(f"{track}=", type="plain") for track in ("top", "bottom")]
    folder = Path(start).parent if not start.endswith("/") else Path(start)
    try:
        entries = sorted(folder.iterdir())
    except OSError:
        return []
    return [CompletionItem(f"{name}={entry}") for entry in entries if str(entry).startswith(start)]
