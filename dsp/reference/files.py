# SPDX-License-Identifier: GPL-3.0-or-later
"""The reference as a folder of Markdown pages with their pictures."""

from __future__ import annotations

from pathlib import Path

from dsp.audio import OutputSet
from dsp.outputs import Writer
from dsp.progress import Progress
from dsp.reference.pictures import example
from dsp.reference.words import index, page
from dsp.steps import STEPS

INDEX = "README.md"


def write_reference(
    folder: Path, *, overwrite: bool = False, progress: Progress | None = None
) -> list[str]:
    """Write the page and the picture of every step, and the list of steps; return their names.

    Raises `OutputError` where a file exists already, unless `overwrite`; all appear, or none.
    """
    names = [INDEX, *(name + ending for name in STEPS for ending in (".md", ".png"))]
    with OutputSet([folder / name for name in names], overwrite=overwrite) as outputs:
        writer = Writer(outputs, folder)
        writer.write(INDEX, index().encode())
        for done, (name, step) in enumerate(STEPS.items()):
            if progress is not None:
                progress(done / len(STEPS), name)
            made = example(name)
            writer.write(f"{name}.md", page(step, made.decision).encode())
            writer.write(f"{name}.png", made.png)
    return names
