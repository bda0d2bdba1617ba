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
    """Load the recipe that an argument means; a file wins over a ready chain of that name.

    Raises `RecipeError` with all the recipe's faults, and `UsageError` naming the ready chains
    where there is neither.
    """
    from dsp.recipe import load_recipe, ready_chains

    chains = ready_chains()
    if not Path(argument).exists():
        if argument in chains:
            return load_recipe(chains[argument])
        from difflib import get_close_matches

        near = get_close_matches(argument, chains, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        accepted = f"accepted: a recipe file, or a ready chain: {', '.join(chains)}"
        raise UsageError(f"{argument}: no such recipe{hint}; {accepted}")
    return load_recipe(argument)


def complete_recipe(
    _ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> list[click.shell_completion.CompletionItem]:
    """Completion of RECIPE: ready chains, then the shell's own file names."""
    from click.shell_completion import CompletionItem

    from dsp.recipe import ready_chains

    named = [CompletionItem(name) for name in ready_chains() if name.startswith(incomplete)]
    return [*named, CompletionItem(incomplete, type="file")]
