# SPDX-License-Identifier: GPL-3.0-or-later
"""The ready recipes that come with the program."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from dsp.errors import UsageError
from dsp.recipe.scalars import nearest, shown


def ready_chains() -> dict[str, Path]:
    """Return the ready recipes by name, in the order of the alphabet."""
    package = Path(str(resources.files("dsp")))
    inside, beside = package / "chains", package.parent / "chains"  # installed, or a checkout
    folder = inside if inside.is_dir() else beside
    return {path.stem: path for path in sorted(folder.glob("*.yaml"))}


def ready_chain(name: str) -> Path:
    """Return the file of the ready recipe `name`, as `snare_pair`.

    Raises `UsageError` where there is none of that name.
    """
    chains = ready_chains()
    if name not in chains:
        raise UsageError(f"found the ready recipe {shown(name)}; {nearest(name, list(chains))}")
    return chains[name]
