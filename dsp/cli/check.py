# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint check`."""

from __future__ import annotations

import click

from dsp.cli.console import print_json, print_line
from dsp.cli.recipes import complete_recipe, recipe_path


@click.command("check")
@click.argument("recipe", shell_complete=complete_recipe)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(recipe: str, as_json: bool) -> None:
    """Validate RECIPE, a file or the name of a ready chain, and tell all its faults at once."""
    from dsp.recipe.load import read_recipe

    loaded = read_recipe(recipe_path(recipe))
    found, on = loaded.recipe, loaded.built_on
    tracks = {name: [step.name for step in track.steps] for name, track in found.tracks.items()}
    groups = {
        name: {"of": list(group.of), "steps": [step.name for step in group.steps]}
        for name, group in found.groups.items()
    }
    if as_json:
        parts = {"tracks": tracks, "groups": groups}
        print_json({"recipe": recipe, "valid": True, "built_on": list(on), **parts})
        return
    listed = [f"{name}: {', '.join(steps) or 'no steps'}" for name, steps in tracks.items()]
    listed += [
        f"{name} ({' + '.join(group['of'])}): {', '.join(group['steps']) or 'no steps'}"
        for name, group in groups.items()
    ]
    built = f", built on {', '.join(on)}," if on else ""
    print_line(f"{recipe}{built} is valid. {'; '.join(listed)}")
