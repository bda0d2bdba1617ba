# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes: load, validate, resolve, schema."""

from __future__ import annotations

from dsp.recipe.chains import ready_chain, ready_chains
from dsp.recipe.load import load_recipe, parse_recipe
from dsp.recipe.model import GroupRecipe, Recipe, TrackRecipe
from dsp.recipe.resolve import dump_recipe, resolved
from dsp.recipe.schema import recipe_schema

__all__ = [
    "GroupRecipe",
    "Recipe",
    "TrackRecipe",
    "dump_recipe",
    "load_recipe",
    "parse_recipe",
    "ready_chain",
    "ready_chains",
    "recipe_schema",
    "resolved",
]
