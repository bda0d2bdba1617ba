# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint inspect`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dsp.cli.console import complete_tracks, print_json, print_line, track_files

if TYPE_CHECKING:
    from dsp.audio import TrackFile
    from dsp.hits.hitmap import HitMap

MOST_ROWS = 12  # strokes listed for people; --json lists all


@click.command("inspect")
@click.argument(
    "files", nargs=-1, required=True, metavar="FILE | TRACK=FILE...", shell_complete=complete_tracks
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every stroke.")
@click.option(
    "--write",
    type=click.Path(path_type=Path),
    metavar="RECIPE",
    help="Write the proposed recipe to a new file.",
)
def command(files: tuple[str, ...], as_json: bool, write: Path | None) -> None:
    """Report tuning, strokes, bleed and ring of the snare in FILE, and propose a recipe.

    With several tracks of one take, as TRACK=FILE each, also the polarity and delay of each
    against the first, and what they gain or lose together.
    """
    if len(files) > 1:
        from dsp.cli.inspect_take import inspect_take

        inspect_take(track_files(files), as_json, write)
        return
    name, equals, path = files[0].partition("=")
    if not equals or Path(files[0]).exists():
        inspect_file(Path(files[0]), None, as_json, write)
    else:
        track_files(files)
        inspect_file(Path(path), name, as_json, write)


def inspect_file(file: Path, name: str | None, as_json: bool, write: Path | None) -> None:
    """Report one file; `name` is its track's in the proposed recipe, by default the file's own."""
    if write is not None:
        refuse_existing(write)
    from dsp.audio import read_track
    from dsp.hits import find_hits
    from dsp.instrument import with_doubts
    from dsp.proposal import proposal_yaml, propose

    track = read_track(file)
    hits = with_doubts(find_hits(track.samples, track.rate), track.samples)
    proposal = propose(hits)
    name = track_name(file) if name is None else checked_name(name)
    if write is not None:
        from dsp.audio import complete_file

        text = proposal_yaml(proposal, name, facts(track, hits))
        with complete_file(write) as out:
            out.write(text.encode())
    if as_json:
        print_json(report(track, hits) | {"proposed": proposal.as_data(name)})
        return
    show(track, hits)
    if write is None:
        print_line("\nProposed recipe (--write RECIPE puts it in a file):\n")
        print_line(proposal_yaml(proposal, name, []).rstrip())
    else:
        print_line(f"\nproposed recipe written to {write}")


def refuse_existing(path: Path) -> None:
    """Say before the work that the recipe would not be written."""
    from dsp.errors import OutputError

    if path.exists() or path.is_symlink():
        raise OutputError(f"{path}: found an existing file; accepted: a new name")
    if not path.parent.is_dir():
        raise OutputError(f"{path}: found no folder {path.parent}; accepted: an existing folder")


def track_name(file: Path) -> str:
    """The file's own name where it can name a track, else `snare`."""
    from dsp.recipe.tracks import check_track_name

    try:
        return check_track_name(file.stem)
    except ValueError:
        return "snare"


def checked_name(name: str) -> str:
    """A name that can name a track. Raises `UsageError`."""
    from dsp.errors import UsageError
    from dsp.recipe.tracks import check_track_name

    try:
        return check_track_name(name)
    except ValueError as error:
        raise UsageError(str(error)) from error


def report(track: TrackFile, hits: HitMap) -> dict[str, Any]:
    """What was measured, for `--json`."""
    columns = (hits.onset, hits.time_s, hits.peak_dbfs, hits.velocity, hits.ghost)
    return {
        "rate": track.rate,
        "frames": len(track.samples),
        "channels": track.samples.shape[1],
        "fundamental_hz": float(hits.fundamental_hz),
        "bleed_dbfs": float(hits.bleed_dbfs),
        "clipped": track.clipped,
        "rings": [{"hz": float(ring.hz), "t60_s": float(ring.t60_s)} for ring in hits.rings],
        "hits": [
            {
                "sample": int(sample),
                "time_s": float(time),
                "peak_dbfs": float(peak),
                "velocity": int(velocity),
                "ghost": bool(ghost),
            }
            for sample, time, peak, velocity, ghost in zip(*columns, strict=True)
        ],
        "notes": list(hits.notes),
    }


def facts(track: TrackFile, hits: HitMap) -> list[str]:
    """What was measured, a line each."""
    seconds = len(track.samples) / track.rate
    bleed = "bleed between strokes" if len(hits) else "level"
    lines = [
        f"{track.path.name}: {seconds:.2f} s at {track.rate / 1000:g} kHz, "
        f"{_channels(track.samples.shape[1])}, {sample_words(track.format.subtype)}",
        f"strokes: {_counted(hits)}",
        f"fundamental: {_measured(hits.fundamental_hz, 'Hz', 'no drum was found')}",
        f"{bleed}: {_measured(hits.bleed_dbfs, 'dBFS', 'digital silence')}",
    ]
    rings = ", ".join(f"{ring.hz:.0f} Hz ({ring.t60_s:.2f} s)" for ring in hits.rings)
    lines.append(f"rings (time to fall by 60 dB): {rings or 'none'}")
    if track.clipped:
        lines.append(f"clipped: {track.clipped} samples lie in flat tops at full scale")
    return [*lines, *hits.notes]


def _counted(hits: HitMap) -> str:
    if len(hits) == 0:
        return "none"
    ghosts = int(hits.ghost.sum())
    return f"{len(hits)}, of which {ghosts} ghost note{'' if ghosts == 1 else 's'}"


def _channels(count: int) -> str:
    return {1: "mono", 2: "stereo"}.get(count, f"{count} channels")


def sample_words(subtype: str) -> str:
    """`pcm24` as people say it: `24-bit`."""
    bits = "".join(filter(str.isdigit, subtype))
    return f"{bits}-bit float" if subtype.startswith("float") else f"{bits}-bit"


def _measured(value: float, unit: str, otherwise: str) -> str:
    import math

    return f"{value:.1f} {unit}".replace("-", "−") if math.isfinite(value) else otherwise


def show(track: TrackFile, hits: HitMap) -> None:
    """Print the facts and the first strokes for people."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    from dsp.cli.console import console

    for line in facts(track, hits):
        print_line(line)
    if len(hits) == 0:
        return
    title = "strokes" if len(hits) <= MOST_ROWS else f"first {MOST_ROWS} of {len(hits)} strokes"
    print_line(f"\n{title}:")
    table = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="dim")
    for heading in ("sample", "time", "peak", "velocity"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("")
    for index in range(min(len(hits), MOST_ROWS)):
        table.add_row(
            f"{hits.onset[index]}",
            f"{hits.time_s[index]:.4f} s",
            _measured(hits.peak_dbfs[index], "dBFS", "silent"),
            f"{hits.velocity[index]}",
            "ghost" if hits.ghost[index] else "",
        )
    console().print(table)
