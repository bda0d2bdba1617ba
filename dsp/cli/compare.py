# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint compare`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dsp.cli.console import complete_tracks, print_json, print_line, progress_bar, track_files
from dsp.cli.options import folder_option, jobs_option, plugins_option, seconds
from dsp.cli.recipes import complete_recipe, recipe_from
from dsp.errors import UsageError

if TYPE_CHECKING:
    from dsp.compare.run import Comparison
    from dsp.compare.variants import Variant

AUDIO_ENDINGS = (".wav", ".rf64", ".aif", ".aiff", ".aifc", ".flac")


def complete(ctx: click.Context, parameter: click.Parameter, incomplete: str) -> list[Any]:
    """Completion of recipes first, of files once a track has been named."""
    if "=" in incomplete:
        return complete_tracks(ctx, parameter, incomplete)
    return [*complete_recipe(ctx, parameter, incomplete)]


@click.command("compare")
@click.argument(
    "given", nargs=-1, required=True, metavar="VARIANT... TRACK=FILE...", shell_complete=complete
)
@folder_option("DIR", "Folder for the comparison; made where it is missing.")
@click.option("--overwrite", is_flag=True, help="Replace files of an earlier comparison.")
@click.option(
    "--length",
    "length_s",
    callback=seconds,
    metavar="TIME",
    help="How much to listen to, 20 s by default: the busiest stretch.",
)
@click.option("--from", "from_s", callback=seconds, metavar="TIME", help="Where it starts.")
@click.option("--to", "to_s", callback=seconds, metavar="TIME", help="Where it ends.")
@click.option(
    "--difference",
    "differences",
    nargs=2,
    multiple=True,
    metavar="A B",
    help="Also write what turns variant A into B; those from raw are always written.",
)
@click.option("--title", default="", metavar="TEXT", help="What the page is called.")
@jobs_option("printed")
@plugins_option("a recipe")
@click.option("--json", "as_json", is_flag=True, help="Print the report, one JSON object.")
def command(given: tuple[str, ...], out: Path, as_json: bool, **options: Any) -> None:
    """Print variants of a take, match their loudness, and measure them beside the raw take.

    A VARIANT is a recipe (a file or the name of a ready chain) or a ready audio file. Each
    TRACK=FILE names a raw track. A recipe gets the tracks that it knows; the others stay as they
    are. NAME:TRACK=RECIPE gives one track a recipe that has one; NAME:TRACK=FILE is how ready
    files are given where the take has several tracks. The same NAME makes them one variant.
    """
    variants, tracks = sorted_out(given)
    from dsp.compare.run import compare_variants

    with progress_bar(not as_json) as progress:
        found = compare_variants(variants, tracks, out, progress=progress, **options)
    if as_json:
        print_json(found.report)
    else:
        show(found)


def sorted_out(given: Sequence[str]) -> tuple[list[Variant], dict[str, Path]]:
    """Variants, in the order given, and raw tracks, from the arguments of the command.

    Raises `UsageError` and `RecipeError` on what is neither.
    """
    from dsp.compare.variants import FileVariant, RecipeVariant

    tracks = track_files([each for each in given if _names_track(each) and ":" not in _left(each)])
    by_track: dict[str, dict[str, str]] = {}
    for each in given:
        if _names_track(each) and ":" in _left(each):
            name, _, track = _left(each).rpartition(":")
            what = each.partition("=")[2]
            if not (name and track and what) or track in by_track.get(name, {}):
                raise UsageError(
                    f"found {each!r}; accepted: NAME:TRACK=FILE or NAME:TRACK=RECIPE, "
                    "each track of a variant once"
                )
            by_track.setdefault(name, {})[track] = what
    variants: list[Variant] = []
    for each in given:
        if _names_track(each):
            name = _left(each).rpartition(":")[0]
            if name in by_track:
                variants.append(_of_tracks(name, by_track.pop(name)))
        elif _is_audio(each):
            if len(tracks) != 1:
                raise UsageError(
                    f"found the audio file {each} for a take of {len(tracks)} tracks; "
                    "accepted: NAME:TRACK=FILE, or one track"
                )
            variants.append(FileVariant(Path(each).stem, {next(iter(tracks)): Path(each)}))
        else:
            variants.append(RecipeVariant(Path(each).stem, recipe_from(each)))
    return variants, tracks


def _of_tracks(name: str, given: Mapping[str, str]) -> Variant:
    """A variant from what was given for each of its tracks: audio files, or recipes."""
    from dsp.compare.variants import FileVariant, RecipeVariant

    ready = [_is_audio(each) for each in given.values()]
    if any(ready) and not all(ready):
        raise UsageError(
            f"variant {name}: found audio files and recipes; accepted: one of the two for all "
            "tracks of a variant"
        )
    if all(ready):
        return FileVariant(name, {track: Path(each) for track, each in given.items()})
    return RecipeVariant(name, {track: recipe_from(each) for track, each in given.items()})


def _is_audio(argument: str) -> bool:
    return Path(argument).suffix.lower() in AUDIO_ENDINGS


def _names_track(argument: str) -> bool:
    return "=" in argument and not Path(argument).is_file()


def _left(argument: str) -> str:
    return argument.partition("=")[0]


def show(found: Comparison) -> None:
    """Tell people what was compared, how it was matched, and the measures side by side."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    from dsp.cli.console import console
    from dsp.compare.table import shown

    contents, out = found.contents, console()
    for track in dict.fromkeys(row.track for row in contents.measures):
        table = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="dim")
        table.add_column(Text(track, style="bold"))
        table.add_column("")
        for variant in contents.variants:
            table.add_column(Text(variant.name), justify="right")
        for row in contents.measures:
            if row.track == track and "octave" not in row.name:
                values = (shown(value, row.unit) for value in row.values)
                table.add_row(Text(row.name), Text(row.unit), *values)
        out.print(table)
    stretch = found.report["stretch"]
    print_line(f"stretch: {stretch['from_s']:.2f} s to {stretch['to_s']:.2f} s, {stretch['how']}")
    print_line(contents.match)
    for note in contents.notes:
        print_line(f"note: {note}")
    for variant in contents.variants:
        for note in variant.notes:
            print_line(f"note: {variant.name}: {note}")
    print_line(f"written to {found.folder}; all measures in measures.md")
    print_line(f"Open {found.folder / 'page.html'} to look and listen. Start at a low level.")
