# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint follow`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dsp.cli.console import print_json, print_line
from dsp.cli.options import file_option, notes_option

if TYPE_CHECKING:
    from dsp.samples.following import FollowReport


@click.command("follow")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("-o", "--out", type=click.Path(path_type=Path), metavar="MIDI", help="The MIDI file.")
@file_option(
    "--set",
    "samples_from",
    metavar="SET",
    help_text="Velocities that play this sample set at the strokes' own levels.",
)
@click.option("--bpm", type=float, help="A steady tempo; by default 120 and finest ticks.")
@file_option(
    "--tempo-from",
    "tempo",
    metavar="MIDI",
    help_text="Take tempo map and time signatures from a MIDI file that starts with the take.",
)
@notes_option("One note, or two for right and left: fast strokes go from hand to hand.")
@file_option(
    "--hits", metavar="CSV", help_text="A hits file with the strokes, instead of finding them."
)
@file_option(
    "--write-hits",
    metavar="CSV",
    help_text="Write the strokes to a hits file, to be edited and given to --hits.",
)
@click.option("--overwrite", is_flag=True, help="Replace existing outputs.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every note.")
def command(
    file: Path,
    out: Path | None,
    samples_from: Path | None,
    bpm: float | None,
    tempo: Path | None,
    notes: tuple[int, ...],
    hits: Path | None,
    write_hits: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Follow the drummer in FILE: a MIDI note for every stroke, at its time, with its strength.

    Every stroke's time is kept to 0.05 ms at least. Velocity goes by 40·lg(v/127): with --set, the
    set then plays each stroke at its real level; without, 127 is the take's loudest stroke.
    """
    from dsp.samples.following import follow

    report = follow(
        file,
        out,
        samples_from=samples_from,
        bpm=bpm,
        tempo=tempo,
        notes=notes,
        hits=hits,
        write_hits=write_hits,
        overwrite=overwrite,
    )
    if as_json:
        print_json(report.content | {"files": report.files})
        return
    show(report)


def show(report: FollowReport) -> None:
    """Tell people what the part holds."""
    content = report.content
    if not content["strokes"]:
        print_line("; ".join(content["remarks"]) or "no strokes")
    else:
        velocity = report.part.velocity
        print_line(
            f"{content['strokes']} strokes, of which {content['ghosts']} ghost notes; "
            f"velocity {velocity.min()} to {velocity.max()}, "
            f"127 is {content['full_dbfs']:.1f} dBFS".replace("-", "−")
        )
    if beyond := content["louder_than_127"]:
        print_line(f"{beyond} strokes are louder than the set's loudest stage plays")
    print_line(f"written: {', '.join(report.files)}")
