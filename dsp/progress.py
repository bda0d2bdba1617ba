# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a run is: told by its workers as they go on, shown as one share that never falls."""

from __future__ import annotations

import threading
from collections.abc import Callable

Progress = Callable[[float, str], None]
"""Called with the share done, 0 to 1, and what is being done; from any worker."""


class Stopped(Exception):  # noqa: N818 (it is no error: another track failed, or the user stopped)
    """Ends the work on a track whose result nobody will take."""


class Going:
    """Counts the parts of a run, `total` in all; may be told of them from any worker.

    Where several are at work, parts overlap, and what is within them is a guess.
    """

    def __init__(self, total: int, progress: Progress | None) -> None:
        self._total = total
        self._progress = progress
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._begun = 0
        self._share = 0.0

    def stop(self) -> None:
        """Have every worker stop where it next tells how far it is."""
        self._stop.set()

    def advance(self, doing: str) -> None:
        """A part begins; raises `Stopped` where the whole run has been stopped."""
        self._refuse_stopped()
        with self._lock:
            self._tell(self._begun, doing)
            self._begun += 1

    def within(self, doing: str, share: float) -> None:
        """Of the part that began last so much is done, 0 to 1; raises as `advance` does."""
        self._refuse_stopped()
        with self._lock:
            self._tell(self._begun - 1 + share, doing)

    def _refuse_stopped(self) -> None:
        if self._stop.is_set():
            raise Stopped

    def _tell(self, done: float, doing: str) -> None:
        self._share = max(self._share, min(done / self._total, 1.0))
        if self._progress is not None:
            self._progress(self._share, doing)
