# SPDX-License-Identifier: GPL-3.0-or-later
"""RECIPE on the command line: a file, or the bare name of a ready chain."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dsp.errors import UsageError

if TYPE_CHECKING:
    from dsp.recipe import Recipe


def recipe_from(argument: str) -> Recipe:
    """Load the recipe that an argument means, as `recipe_path`.

    Raises `RecipeError` with all the recipe's faults.
    """
    from dsp.recipe import load_recipe

    return load_recipe(recipe_path(argument))


def recipe_path(argument: str) -> str | Path:
    """The file that an argument means; a file wins over a ready chain of that name.

    Raises `UsageError` naming the ready chains where there is neither.
    """
    from dsp.recipe import ready_chains

    chains = ready_chains()
    if not Path(argument).exists():
        if argument in chains:
            return chains[argument]
        from difflib import get_close_matches

        near = get_close_matches(argument, chains, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        accepted = f"accepted: a recipe file, or a ready chain: {', '.join(chains)}"
        raise UsageError(f"{argument}: no such recipe{hint}; {accepted}")
    return argument


def complete_recipe(
    _ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> list[click.shell_completion.CompletionItem]:
    """Completion of RECIPE: ready chains, then the shell's own file names."""
    from click.shell_completion import CompletionItem

    from dsp.recipe import ready_chains

    named = [CompletionItem(name) for name in ready_chains() if name.startswith(incomplete)]
    return [*named, CompletionItem(incomplete, type="file")]
