# SPDX-License-Identifier: GPL-3.0-or-later
"""Output files that appear under their names only when they are complete.

Decisions:

- Bytes go to a temporary file in the target's own folder (a rename cannot cross file systems), are
  forced to the disk, and only then get their name. On any failure the temporary file is removed.
- Without `overwrite` the name is given by a hard link, which fails if the name is taken, so that a
  file that another program made meanwhile survives. Where a file system has no hard links, the name
  is looked at first and the file renamed.
- What a crash of the machine or a kill can leave behind is a hidden `.drumprint-….part` file, never
  half a file under its final name.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from dsp.errors import DrumprintError, OutputError


@contextlib.contextmanager
def complete_file(path: Path, overwrite: bool = False) -> Iterator[BinaryIO]:
    """Open a new binary file for writing that gets the name `path` when the block ends well.

    Raises `OutputError`, naming path and cause, where it cannot be written, or exists and
    `overwrite` is false. Whatever is raised within the block, nothing changes under `path`.
    """
    path = Path(path)
    refuse_taken(path, overwrite)
    temporary: Path | None = None
    try:
        with temporary_file(path) as file:
            temporary = Path(file.name)
            yield file
        give_name(temporary, path, overwrite)
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        if temporary is not None:
            remove(temporary)


@contextlib.contextmanager
def temporary_file(target: Path) -> Iterator[BinaryIO]:
    """Open a temporary file beside `target`; forced to the disk when the block ends well."""
    name = temporary_name(target.parent)
    file = name.open("xb")
    try:
        yield file
        file.flush()
        os.fsync(file.fileno())
        file.close()
    except BaseException:
        with contextlib.suppress(OSError):  # closing flushes, which fails again on a full disk
            file.close()
        remove(name)
        raise


def temporary_name(folder: Path) -> Path:
    """Return a free name in `folder`, on the file system of its files."""
    return folder / f".drumprint-{secrets.token_hex(8)}.part"


def give_name(temporary: Path, target: Path, overwrite: bool) -> None:
    """Let `temporary` appear as `target`, at once and whole."""
    if overwrite:
        temporary.replace(target)
        return
    try:
        target.hardlink_to(temporary)
    except FileExistsError:
        raise
    except OSError:  # no hard links here
        if is_taken(target):
            raise FileExistsError("it appeared meanwhile") from None
        temporary.rename(target)


def refuse_taken(path: Path, overwrite: bool, *, folder_needed: bool = True) -> None:
    """Refuse a folder, an existing file unless `overwrite`, and a missing folder."""
    if path.is_dir():
        raise OutputError(f"{path}: found a folder; accepted: a file name")
    if is_taken(path) and not overwrite:
        raise OutputError(f"{path}: found an existing file; accepted: a new name, or --overwrite")
    if folder_needed and not path.parent.is_dir():
        raise OutputError(f"{path}: found no folder {path.parent}; accepted: an existing folder")


def is_taken(path: Path) -> bool:
    """Tell whether something has this name, be it a link to nowhere."""
    return path.is_symlink() or path.exists()


def remove(path: Path) -> None:
    """Remove a file of ours that may be gone already."""
    with contextlib.suppress(OSError):
        path.unlink()


def cannot_write(path: Path, error: OSError) -> OSError:
    """Name path and cause; errors of our own pass as they are."""
    if isinstance(error, DrumprintError):
        return error
    cause = error.strerror or str(error) or type(error).__name__
    return OutputError(f"{path}: cannot be written ({cause}); nothing was written under this name")
