# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint schema`."""

from __future__ import annotations

import click

from dsp.cli.console import print_json


@click.command("schema")
def command() -> None:
    """Print the JSON Schema of recipes, for editors that check and complete YAML."""
    from dsp.recipe import recipe_schema

    print_json(recipe_schema())
