# SPDX-License-Identifier: GPL-3.0-or-later
"""The files of a print: written into an `OutputSet`, and hashed on the way."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, cast

from dsp.audio import OutputSet


class HashedFile:
    """Passes bytes on to a file and hashes them on the way."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._hash = hashlib.sha256()
        self.size = 0

    def write(self, data: bytes) -> int:
        """Write to the file."""
        self._hash.update(data)
        self.size += len(data)
        return self._file.write(data)

    def hexdigest(self) -> str:
        """SHA-256 of all that was written."""
        return self._hash.hexdigest()


class Writer:
    """Writes the files of a print; `sha256` and `sizes` (bytes) are by name.

    May be used by several threads.
    """

    def __init__(self, outputs: OutputSet, folder: Path) -> None:
        self.sha256: dict[str, str] = {}
        self.sizes: dict[str, int] = {}
        self._outputs = outputs
        self._folder = folder

    def write(self, name: str, content: bytes) -> None:
        """Write a whole file."""
        with self.open(name) as file:
            file.write(content)

    def write_by_path(self, name: str, write: Callable[[Path], None]) -> None:
        """Write a small file with a function that wants a path and not a file."""
        with tempfile.TemporaryDirectory(prefix="drumprint-") as folder:
            path = Path(folder) / "content"
            write(path)
            self.write(name, path.read_bytes())

    @contextmanager
    def open(self, name: str) -> Iterator[BinaryIO]:
        """Open a file of the print; only `write` may be called on it."""
        with self._outputs.open(self._folder / name) as file:
            hashed = HashedFile(file)
            yield cast(BinaryIO, hashed)
        self.sha256[name] = hashed.hexdigest()
        self.sizes[name] = hashed.size
