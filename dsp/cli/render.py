# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint render`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dsp.cli.console import complete_tracks, print_json, print_line, progress_bar, track_files
from dsp.cli.options import folder_option, jobs_option, plugins_option, seconds
from dsp.cli.recipes import complete_recipe, recipe_from

if TYPE_CHECKING:
    from dsp.audio.ahead import TrackAhead
    from dsp.rendering import PrintReport


@click.command("render")
@click.argument("recipe", shell_complete=complete_recipe)
@click.argument(
    "tracks", nargs=-1, required=True, metavar="TRACK=FILE...", shell_complete=complete_tracks
)
@folder_option("DIR", "Folder for the print; made where it is missing.")
@click.option("--overwrite", is_flag=True, help="Replace files of an earlier print.")
@jobs_option("worked on")
@click.option(
    "--from",
    "from_s",
    callback=seconds,
    metavar="TIME",
    help="Where the picture starts, e.g. 1:05.",
)
@click.option("--to", "to_s", callback=seconds, metavar="TIME", help="Where the picture ends.")
@plugins_option("the recipe")
@click.option(
    "--hits",
    multiple=True,
    metavar="TRACK=CSV",
    shell_complete=complete_tracks,
    help="Strokes of a track, a hits file as follow writes it, instead of finding them.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the print sheet, one JSON object.")
def command(
    recipe: str,
    tracks: tuple[str, ...],
    out: Path,
    overwrite: bool,
    jobs: int,
    from_s: float | None,
    to_s: float | None,
    allow_plugins: bool,
    hits: tuple[str, ...],
    as_json: bool,
) -> None:
    """Run RECIPE, a file or the name of a ready chain, over a take and write the print.

    Each TRACK=FILE names a track of the recipe and its audio file (WAV, RF64, AIFF, FLAC). A
    recipe with one track takes any name.
    """
    files = track_files(tracks)
    ahead = read_ahead(files)
    loaded = recipe_from(recipe)
    from dsp.rendering import render

    with progress_bar(not as_json) as progress:
        report = render(
            loaded,
            files,
            out,
            overwrite=overwrite,
            jobs=jobs,
            from_s=from_s,
            to_s=to_s,
            progress=progress,
            allow_plugins=allow_plugins,
            hits=track_files(hits),
            ahead=ahead,
        )
    if as_json:
        print_json(report.sheet)
    else:
        show(report)


def read_ahead(files: Mapping[str, Path]) -> dict[str, TrackAhead]:
    """Begin to read what is needed first, while what treats it is being loaded.

    Only a single track: of several, the recipe says which one is first.
    """
    from dsp.audio.ahead import TrackAhead

    return {track: TrackAhead(path) for track, path in files.items() if len(files) == 1}


def show(report: PrintReport) -> None:
    """Tell people what was printed and what it did."""
    from dsp.cli.console import console
    from dsp.rendering import RESOLVED, SHEET
    from dsp.summary import FileWritten, show_summary

    others = [FileWritten(name, report.files[name]) for name in (RESOLVED, SHEET)]
    show_summary(console(), report.tracks, others)
    print_line(f"written to {report.folder}")
