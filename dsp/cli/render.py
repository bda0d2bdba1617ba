# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint render`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dsp.cli.console import complete_tracks, print_json, print_line, progress_bar, track_files
from dsp.cli.recipes import complete_recipe, recipe_from

if TYPE_CHECKING:
    from dsp.rendering import PrintReport


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


@click.command("render")
@click.argument("recipe", shell_complete=complete_recipe)
@click.argument(
    "tracks", nargs=-1, required=True, metavar="TRACK=FILE...", shell_complete=complete_tracks
)
@click.option(
    "-o",
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=True),
    metavar="DIR",
    help="Folder for the print; made where it is missing.",
)
@click.option("--overwrite", is_flag=True, help="Replace files of an earlier print.")
@click.option(
    "--jobs",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Tracks worked on at once; each needs memory. The result does not depend on it.",
)
@click.option(
    "--from",
    "from_s",
    callback=seconds,
    metavar="TIME",
    help="Where the picture starts, e.g. 1:05.",
)
@click.option("--to", "to_s", callback=seconds, metavar="TIME", help="Where the picture ends.")
@click.option(
    "--allow-plugins",
    is_flag=True,
    help="Let plug-in files that the recipe names run; they are programs.",
)
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
        )
    if as_json:
        print_json(report.sheet)
    else:
        show(report)


def show(report: PrintReport) -> None:
    """Tell people what was printed and what it did."""
    from dsp.cli.console import console
    from dsp.rendering import RESOLVED, SHEET
    from dsp.summary import FileWritten, show_summary

    others = [FileWritten(name, report.files[name]) for name in (RESOLVED, SHEET)]
    show_summary(console(), report.tracks, others)
    print_line(f"written to {report.folder}")
