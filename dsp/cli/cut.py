# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint cut`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from dsp.cli.console import complete_tracks, print_json, print_line, progress_bar, track_files
from dsp.cli.options import folder_option
from dsp.cli.recipes import complete_recipe, recipe_from

if TYPE_CHECKING:
    from dsp.samples.cutting import CutReport


def stages(
    _ctx: click.Context, _option: click.Parameter, value: str
) -> int | Literal["auto"]:  # the range is checked where the work is
    """A number, or `auto`."""
    if value == "auto":
        return "auto"
    try:
        return int(value)
    except ValueError:
        raise click.BadParameter(f"found {value!r}; accepted: 5 to 10, or auto") from None


@click.command("cut")
@click.argument(
    "tracks", nargs=-1, required=True, metavar="TRACK=FILE...", shell_complete=complete_tracks
)
@folder_option("SET", "Folder for the set; made where it is missing. Its name is the set's.")
@click.option(
    "--stages",
    default="7",
    show_default=True,
    callback=stages,
    metavar="5…10|auto",
    help="Stages of strength; auto takes those that the strokes fall into.",
)
@click.option(
    "--alternates", type=int, default=2, show_default=True, help="Strokes chosen in each stage."
)
@click.option(
    "--lead",
    type=int,
    default=2,
    show_default=True,
    metavar="SAMPLES",
    help="How far ahead of a stroke's arrival on the close track it is cut.",
)
@click.option("--close", metavar="TRACK", help="Close track, if not close= or the first.")
@click.option(
    "--find-with",
    metavar="RECIPE",
    shell_complete=complete_recipe,
    help="Recipe that cleans the close track, to find strokes only.",
)
@click.option(
    "--treat-with",
    metavar="RECIPE",
    shell_complete=complete_recipe,
    help="Recipe that treats the tracks it knows; the samples are cut from the result.",
)
@click.option("--normalise", is_flag=True, help="Bring each stroke's peak to -1 dBFS.")
@click.option("--overwrite", is_flag=True, help="Replace a set that is there.")
@click.option("--json", "as_json", is_flag=True, help="Print set and strokes, one JSON object.")
def command(
    tracks: tuple[str, ...],
    out: Path,
    stages: int | Literal["auto"],
    alternates: int,
    lead: int,
    close: str | None,
    find_with: str | None,
    treat_with: str | None,
    normalise: bool,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Cut a drum's own samples from a recording of single strokes.

    Each TRACK=FILE is one microphone of the recording. Strokes are found on the close one, grouped
    by strength, and the best of each group are cut from all microphones at once. The set holds WAV
    files, a manifest (set.json), SFZ files and a picture.
    """
    files = track_files(tracks)
    finder = recipe_from(find_with) if find_with else None
    treater = recipe_from(treat_with) if treat_with else None
    from dsp.samples.cutting import cut

    with progress_bar(not as_json) as progress:
        report = cut(
            files,
            out,
            close=close,
            stages=stages,
            alternates=alternates,
            lead=lead,
            normalise=normalise,
            find_with=finder,
            treat_with=treater,
            overwrite=overwrite,
            progress=progress,
        )
    if as_json:
        print_json(as_data(report))
    else:
        show(report)


def as_data(report: CutReport) -> dict[str, Any]:
    """The report as plain data: the manifest, every stroke that was found, files and notes."""
    import json

    from dsp.samples.sample_set import manifest_bytes

    survey = report.survey
    chosen = {index for group in survey.chosen for index in group}
    strokes = [
        {
            "sample": int(survey.onset[i]),
            "level_dbfs": round(float(survey.level_dbfs[i]), 3),
            "stage": int(survey.stage[i]) or None,
            "chosen": i in chosen,
            "fault": survey.fault[i] or None,
        }
        for i in range(len(survey))
    ]
    return {
        "set": json.loads(manifest_bytes(report.samples)),
        "strokes": strokes,
        "files": dict(sorted(report.files.items())),
        "notes": list(report.notes),
    }


def show(report: CutReport) -> None:
    """Tell people which strokes play at which velocities, and what was left out."""
    from rich.table import Table

    from dsp.cli.console import console
    from dsp.samples.set_files import picture_name, sfz_name

    made, survey = report.samples, report.survey
    table = Table("stage", "velocity", "level, dBFS", "at, s", box=None, padding=(0, 2))
    for number, group in enumerate(survey.chosen, 1):
        stage = [sample for sample in made.samples if sample.stage == number]
        table.add_row(
            str(number),
            f"{stage[0].velocity_low} to {stage[0].velocity_high}",
            "  ".join(f"{sample.level_dbfs:.1f}" for sample in stage),
            "  ".join(f"{survey.onset[i] / survey.rate:.3f}" for i in group),
        )
    console().print(table)
    chosen = len(made.samples)
    print_line(f"{len(survey)} strokes found, {chosen} chosen, {len(made.microphones)} microphones")
    for note in report.notes:
        print_line(f"note: {note}")
    wavs = chosen * len(made.microphones)
    print_line(f"written to {made.folder}: {wavs} WAV files, {sfz_name(made)}, set.json")
    print_line(f"Look at {made.folder / picture_name(made)} first.")
