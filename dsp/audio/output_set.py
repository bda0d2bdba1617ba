# SPDX-License-Identifier: GPL-3.0-or-later
"""Several output files that appear under their names together, or not at all.

Decisions: as in `dsp.audio.atomic` for each file. All names are given at the end; files that are
replaced are kept aside by hard link (or copy) until the last name is given, and come back if one
cannot be. Between the first name and the last the set is incomplete for the moment that the
renames take: no file system renames several files at once.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from dsp.audio.atomic import (
    cannot_write,
    give_name,
    is_taken,
    refuse_taken,
    remove,
    temporary_file,
    temporary_name,
)
from dsp.errors import OutputError, UsageError


class OutputSet:
    """A set of output files that appear together, when all of them are complete.

    Use as a context manager; within it, `open` each of `targets` once and write to it. Folders are
    made as needed. On entry everything that can be known is refused: a target that exists
    (`OutputError`, unless `overwrite`), one that is one of `inputs` or is named twice
    (`UsageError`), a folder that cannot be written (`OutputError`). On any failure nothing appears
    under a target's name, files already there stay, and folders made are removed again. `open` may
    be called from several threads.
    """

    def __init__(
        self, targets: Iterable[Path], inputs: Iterable[Path] = (), overwrite: bool = False
    ) -> None:
        self._targets = [Path(target) for target in targets]
        self._inputs = [Path(given) for given in inputs]
        self._overwrite = overwrite
        self._staged: dict[Path, Path] = {}
        self._folders_made: list[Path] = []

    def __enter__(self) -> Self:
        self._refuse_same_files()
        for target in self._targets:
            refuse_taken(target, self._overwrite, folder_needed=False)
        try:
            for folder in dict.fromkeys(target.parent for target in self._targets):
                self._prepare(folder)
        except BaseException:  # Ctrl-C, too
            self._discard()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        published = False
        try:
            if kind is None:
                self._refuse_unwritten()
                self._publish()
                published = True
        finally:
            self._discard(keep_folders=published)

    @contextlib.contextmanager
    def open(self, target: Path) -> Iterator[BinaryIO]:
        """Open one of the targets for writing; it is staged when the block ends well."""
        target = Path(target)
        if target not in self._targets or target in self._staged:
            raise UsageError(
                f"{target}: found a name that is not open to write; accepted: a target once"
            )
        temporary: Path | None = None
        try:
            with temporary_file(target) as file:
                temporary = Path(file.name)
                yield file
            self._staged[target], temporary = temporary, None
        except OSError as error:
            raise cannot_write(target, error) from error
        finally:
            if temporary is not None:
                remove(temporary)

    def staged(self, target: Path) -> Path:
        """Where the content of a target that has been written lies until it gets its name."""
        return self._staged[Path(target)]

    def _refuse_same_files(self) -> None:
        seen: dict[Path, Path] = {}
        for target in self._targets:
            for given in self._inputs:
                if _same_file(target, given):
                    raise UsageError(
                        f"{target}: found an output that is the input {given}; "
                        "accepted: another name or folder"
                    )
            if target.resolve() in seen:
                raise UsageError(f"{target}: found two outputs of this name; accepted: one")
            seen[target.resolve()] = target

    def _prepare(self, folder: Path) -> None:
        """Make `folder` where it is missing, and try that files can be made in it."""
        if folder.exists() and not folder.is_dir():
            raise OutputError(f"{folder}: found a file; accepted: a folder, or a new name for one")
        try:
            missing = [each for each in (folder, *folder.parents) if not each.exists()]
            for each in reversed(missing):
                self._folders_made.append(each)  # first: Ctrl-C may come in between
                each.mkdir(exist_ok=True)
            probe = temporary_name(folder)
            try:
                probe.open("xb").close()
            finally:
                probe.unlink(missing_ok=True)
        except OSError as error:
            raise cannot_write(folder, error) from error

    def _refuse_unwritten(self) -> None:
        for target in self._targets:
            if target not in self._staged:
                raise UsageError(f"{target}: found nothing written; accepted: every output written")

    def _publish(self) -> None:
        """Give every file its name, or none."""
        named: list[tuple[Path, Path | None]] = []
        kept_aside: list[Path] = []
        try:
            for target, temporary in self._staged.items():
                try:
                    former = _keep_aside(target) if self._overwrite else None
                    kept_aside += [former] if former else []
                    give_name(temporary, target, self._overwrite)
                except OSError as error:
                    raise cannot_write(target, error) from error
                named.append((target, former))
        except BaseException:
            for target, former in reversed(named):
                _take_back(target, former)
            raise
        finally:
            for former in kept_aside:
                remove(former)

    def _discard(self, *, keep_folders: bool = False) -> None:
        for temporary in self._staged.values():
            remove(temporary)
        self._staged.clear()
        if not keep_folders:
            for folder in reversed(self._folders_made):
                with contextlib.suppress(OSError):
                    folder.rmdir()


def _keep_aside(target: Path) -> Path | None:
    """Keep what stands under `target`, if anything, under a second name; return that."""
    if not is_taken(target):
        return None
    former = temporary_name(target.parent)
    try:
        os.link(target, former, follow_symlinks=False)
    except OSError:
        shutil.copy2(target, former, follow_symlinks=False)
    return former


def _take_back(target: Path, former: Path | None) -> None:
    with contextlib.suppress(OSError):
        if former is None:
            target.unlink()
        else:
            former.replace(target)


def _same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:  # one of them does not exist
        return one.resolve() == other.resolve()
