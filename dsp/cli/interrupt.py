# SPDX-License-Identifier: GPL-3.0-or-later
"""Ctrl-C that is not lost.

Where Ctrl-C arrives while a library calls back into Python, `KeyboardInterrupt` ends there: it is
printed and dropped, and the library sees only that a read came short. So the request itself is
remembered, and whatever error follows from it counts as the stop that was asked for.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any


class Interrupt:
    """Whether Ctrl-C was pressed."""

    def __init__(self) -> None:
        self.requested = False

    def handle(self, _signal: int, _frame: FrameType | None) -> None:
        """Remember it, and do what Python does."""
        self.requested = True
        raise KeyboardInterrupt

    def check(self) -> None:
        """Raise `KeyboardInterrupt` where an earlier one was dropped."""
        if self.requested:
            raise KeyboardInterrupt


INTERRUPT = Interrupt()


@contextmanager
def interruptible() -> Iterator[Interrupt]:
    """Watch for Ctrl-C within the block, where that is possible: in the main thread."""
    INTERRUPT.requested = False
    quiet, former = sys.unraisablehook, signal.getsignal(signal.SIGINT)

    def unraisable(dropped: Any) -> None:
        if not issubclass(dropped.exc_type, KeyboardInterrupt):
            quiet(dropped)

    try:
        signal.signal(signal.SIGINT, INTERRUPT.handle)
    except ValueError:  # not the main thread
        yield INTERRUPT
        return
    sys.unraisablehook = unraisable
    try:
        yield INTERRUPT
    finally:
        sys.unraisablehook = quiet
        signal.signal(signal.SIGINT, former)
