# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint layer`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dsp.cli.console import complete_tracks, print_json, print_line, track_files
from dsp.cli.options import file_option, folder_option, notes_option

if TYPE_CHECKING:
    from dsp.samples.layer_files import LayerReport


@click.command("layer")
@click.argument("samples_from", metavar="SET", type=click.Path(path_type=Path))
@click.argument("song", metavar="SONG", type=click.Path(path_type=Path))
@click.argument("track", metavar="TRACK=FILE", shell_complete=complete_tracks)
@folder_option("DIR", "Folder for the stems; made where it is missing.")
@click.option(
    "--reach",
    "reach_ms",
    type=float,
    default=2.0,
    show_default=True,
    metavar="MS",
    help="How far a stroke may be moved so that it adds to the real one; 0 to 10 ms.",
)
@notes_option("The notes of a MIDI file that are played.")
@file_option(
    "--levels",
    metavar="CSV",
    help_text="Levels over time: a table of time, level_db and, if you like, glide_s.",
)
@click.option("--overwrite", is_flag=True, help="Replace files of an earlier layer.")
@click.option("--json", "as_json", is_flag=True, help="Print the check, one JSON object.")
def command(
    samples_from: Path,
    song: Path,
    track: str,
    out: Path,
    reach_ms: float,
    notes: tuple[int, ...],
    levels: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Lay the samples of SET under the strokes of a track.

    SONG is a MIDI file that follows the drummer, or a hits file. TRACK=FILE is the drum's close
    microphone. One stem is written for each microphone of the set, aligned to the real strokes, and
    a check of every stroke: layer.json and layer.png.
    """
    (close,) = track_files([track]).values()
    from dsp.samples.layer_files import layer

    report = layer(
        samples_from,
        song,
        close,
        out,
        reach_ms=reach_ms,
        notes=notes,
        levels=levels,
        overwrite=overwrite,
    )
    if as_json:
        print_json(report.content)
        return
    show(report)


def show(report: LayerReport) -> None:
    """Tell people how well the layer follows, the worst strokes first."""
    content = report.content
    check = content["check"]
    numbers = check["summary"]
    if numbers["strokes"]:
        print_line(
            f"{numbers['strokes']} strokes, polarity {content['polarity']}; medians: level "
            f"{numbers['level_apart_db']:.2f} dB apart, correlation {numbers['correlation']:.2f}, "
            f"moved by {numbers['moved_samples']:.0f} samples"
        )
    if numbers.get("add_at_fundamental") is not None:
        hz, share = content["fundamental_hz"], 100 * numbers["add_at_fundamental"]
        print_line(f"at the fundamental, {hz:.0f} Hz, {share:.1f} % add to the real stroke")
    for stroke in check["worst"]:
        print_line(f"  {stroke['time_s']:.3f} s: {', '.join(stroke['wrong'])}")
    clipped = sum(stem["clipped"] for stem in content["stems"].values())
    if clipped:
        print_line(f"{clipped} samples of the stems were limited to full scale")
    for remark in content["remarks"]:
        print_line(remark)
    print_line(f"written to {report.folder}: {', '.join(report.files)}")
