# SPDX-License-Identifier: GPL-3.0-or-later
"""Versions of the program and of the libraries that a print depends on."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed


def version() -> str:
    """The program's version, `0+unknown` where it runs without being installed."""
    try:
        return installed("drumprint")
    except PackageNotFoundError:
        return "0+unknown"


def library_versions() -> dict[str, str]:
    """Libraries whose version may change a print, by distribution name."""
    names = ("numpy", "numba", "llvmlite", "soundfile", "matplotlib", "pillow")
    return {name: installed(name) for name in names}
