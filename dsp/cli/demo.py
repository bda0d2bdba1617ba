# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint demo`."""

from __future__ import annotations

from pathlib import Path

import click

from dsp.cli.console import print_json, print_line, progress_bar

DEFAULT = Path("demo-take")


@click.command("demo")
@click.argument("folder", metavar="[DIR]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--seconds",
    type=click.FloatRange(1, 120),
    help="Length of the take; by default the whole part.",
)
@click.option("--overwrite", is_flag=True, help="Replace an earlier demo in DIR.")
@click.option("--json", "as_json", is_flag=True, help="Print the print sheet, one JSON object.")
@click.option("--examples", is_flag=True, hidden=True, help="Make the folder of short examples.")
def command(
    folder: Path | None, seconds: float | None, overwrite: bool, as_json: bool, examples: bool
) -> None:
    """Make a demo take in DIR (default ./demo-take), print it by snare_pair, and tell the result.

    The take is synthetic: an invented kit, four microphones, 24-bit WAV files with a bext chunk.
    Single strokes on its snare, for `drumprint cut`, go into DIR/singles.
    """
    from dsp.demo.files import make_examples, print_demo

    folder = DEFAULT if folder is None else folder
    with progress_bar(not as_json) as progress:
        if examples:
            names = make_examples(folder, overwrite=overwrite, progress=progress)
            print_line(f"written to {folder}: {', '.join(names)}")
            return
        report = print_demo(folder, seconds=seconds, overwrite=overwrite, progress=progress)
    if as_json:
        print_json(report.sheet)
        return
    from dsp.cli.render import show

    print_line(f"demo take written to {folder}")
    show(report)
    print_line(f"Look at {report.folder / 'top.lanes.png'} first.")
