# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint completion bash|zsh|fish`."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from dsp.cli.console import print_line
from dsp.errors import DrumprintError

HOW = """Print the completion script of SHELL.

\b
bash  eval "$(drumprint completion bash)"          in ~/.bashrc
zsh   eval "$(drumprint completion zsh)"           in ~/.zshrc
fish  drumprint completion fish > ~/.config/fish/completions/drumprint.fish
"""


@click.command("completion", help=HOW)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> None:
    """Print click's own script for the shell."""
    from dsp.cli.app import app

    kind = get_completion_class(shell)
    if kind is None:
        raise DrumprintError(f"no completion for {shell}")
    print_line(kind(app, {}, "drumprint", "_DRUMPRINT_COMPLETE").source())
