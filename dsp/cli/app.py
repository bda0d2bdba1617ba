# SPDX-License-Identifier: GPL-3.0-or-later
"""The command group and the one place where errors become messages and exit statuses.

Exit status: 0 done, 2 the command or recipe is wrong, 3 an audio file is unusable, 130 stopped
with Ctrl-C, 1 anything else. With `--json`, standard output holds exactly one JSON object,
`{"error": {"kind", "message", "status"}}` where the command failed; the message is also on
standard error, as without `--json`.
"""

from __future__ import annotations

import gc
import importlib
import logging
import os
import sys
import traceback
from collections.abc import Sequence
from typing import Any

import click

from dsp.cli.interrupt import interruptible
from dsp.errors import DrumprintError, FaultsError

STOPPED = 130
COMMANDS = {
    "demo": "Make a demo take and print it.",
    "inspect": "Report tuning, hits, bleed and ring of a file, and propose a recipe.",
    "check": "Validate a recipe; touch no audio.",
    "render": "Run a recipe over the tracks of a take and write the results.",
    "cut": "Cut a drum's own samples from single strokes.",
    "follow": "Write a MIDI part that follows the drummer.",
    "layer": "Lay a drum's samples under its real strokes.",
    "compare": "Print variants of a take, match their loudness, and measure them side by side.",
    "reference": "Write a page for every step, with its settings and a picture.",
    "schema": "Print the JSON Schema of recipes.",
    "completion": "Print the shell's completion script.",
}


class LazyGroup(click.Group):
    """A group whose commands live in `dsp.cli.NAME`, as `command`, and load on use."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the overview."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command's file, or None where there is no such command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"dsp.cli.{cmd_name}")
        command: click.Command = module.command
        command.short_help = COMMANDS[cmd_name]
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; an unknown name is answered with the nearest one."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError:
            from difflib import get_close_matches

            near = get_close_matches(args[0], COMMANDS, n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            accepted = ", ".join(COMMANDS)
            raise click.UsageError(
                f"no command {args[0]!r}{hint}; accepted: {accepted}", ctx
            ) from None


def _print_version(ctx: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    from dsp.cli.console import print_line
    from dsp.version import version

    print_line(f"drumprint {version()}")
    ctx.exit()


@click.command(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Raw snare-drum microphone tracks in, mix-ready ones out: offline and repeatable.",
    epilog="Exit status: 0 done, 2 the command or recipe is wrong, 3 an audio file is unusable, "
    "130 stopped with Ctrl-C, 1 anything else.",
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Print the version and stop.",
)
@click.option("--debug", is_flag=True, help="Show where in the program an error arose.")
def app(debug: bool) -> None:
    """Hold the options that every command shares."""


def main(args: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit status; `args` defaults to the process's."""
    given = list(sys.argv[1:] if args is None else args)
    # Most of what a command allocates are the libraries that it loads, and they stay to its end:
    # looking for garbage among them takes longer than reading a track.
    gc.set_threshold(30_000)
    # Work that threads share hardly needs the interpreter, but often for a moment; where a library
    # is being loaded beside it, each moment would be waited for ten times as long as it takes.
    sys.setswitchinterval(0.0005)
    # BLAS has next to nothing to do here; threads of its own would keep a core busy at the start.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    status = run(given)
    gc.freeze()
    sys.exit(status)


def run(args: list[str]) -> int:
    """Run the command line; return the exit status."""
    # Standard error is for this program's own messages, not for a library's folders.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    with interruptible() as interrupt:
        try:
            status = app.main(args=args, prog_name="drumprint", standalone_mode=False)
            sys.stdout.flush()
        except BaseException as fault:
            if isinstance(fault, SystemExit):
                raise
            return _told(args, KeyboardInterrupt() if interrupt.requested else fault)
    return status if isinstance(status, int) else 0


def _told(args: list[str], fault: BaseException) -> int:
    """Tell people what went wrong; return the exit status."""
    match fault:
        case BrokenPipeError():
            # The reader went away (`drumprint schema | head -1`): nobody is left to tell. Standard
            # output is pointed elsewhere so that the interpreter's own flush at exit is quiet too.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 1
        case KeyboardInterrupt() | click.Abort():
            return _fail(args, "Stopped", "stopped; no file is left half-written", STOPPED)
        case click.ClickException():
            context = getattr(fault, "ctx", None)
            tail = f"\nHelp: {context.command_path if context else 'drumprint'} --help"
            return _fail(args, "UsageError", fault.format_message(), 2, tail=tail)
        case DrumprintError():
            faults = [vars(f) for f in fault.faults] if isinstance(fault, FaultsError) else None
            return _fail(args, type(fault).__name__, str(fault), fault.exit_status, faults)
        case OSError():
            where = f"{fault.filename}: " if fault.filename else ""
            return _fail(args, "OSError", f"{where}{fault.strerror or fault}", 1)
        case MemoryError():
            return _fail(args, "MemoryError", "not enough memory for this take", 1)
    # The last net: a fault of the program still gets one message.
    message = f"internal fault, {type(fault).__name__}: {fault} (--debug shows where)"
    return _fail(args, "InternalError", message, 1)


def _fail(
    args: list[str],
    kind: str,
    message: str,
    status: int,
    faults: list[dict[str, Any]] | None = None,
    tail: str = "",
) -> int:
    if "--debug" in args:
        traceback.print_exc()
    try:
        print(f"drumprint: {message}{tail}", file=sys.stderr)
        if "--json" in args:
            from dsp.cli.console import print_json

            error: dict[str, Any] = {"kind": kind, "message": message, "status": status}
            print_json({"error": error if faults is None else error | {"faults": faults}})
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return status
