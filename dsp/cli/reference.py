# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint reference`."""

from __future__ import annotations

from pathlib import Path

import click

from dsp.cli.console import print_line, progress_bar


@click.command("reference")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--overwrite", is_flag=True, help="Replace pages that are there.")
def command(folder: Path, overwrite: bool) -> None:
    """Write a page for every step into DIR: its settings, and what it does, with a picture.

    The same pages come with the program; here they are for the steps that are installed.
    """
    from dsp.reference.files import INDEX, write_reference

    with progress_bar(True) as progress:
        names = write_reference(folder, overwrite=overwrite, progress=progress)
    print_line(f"{len(names)} files written; start with {folder / INDEX}")
