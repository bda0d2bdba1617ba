# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading a track while the rest of the program is still being loaded."""

from __future__ import annotations

import threading
from concurrent.futures import Future
from pathlib import Path

from dsp.audio.reading import TrackFile, read_track


class TrackAhead:
    """One audio file, which is read from now on. Nobody has to wait for it to end."""

    def __init__(self, path: Path) -> None:
        self._read: Future[TrackFile] = Future()
        threading.Thread(target=self._work, args=(path,), daemon=True).start()

    def _work(self, path: Path) -> None:
        try:
            self._read.set_result(read_track(path))
        except BaseException as fault:
            self._read.set_exception(fault)

    def result(self) -> TrackFile:
        """The file, or what `read_track` raises."""
        return self._read.result()
