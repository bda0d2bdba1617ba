# SPDX-License-Identifier: GPL-3.0-or-later
"""Numba loops: arrays in, arrays out. Nothing here imports anything else of the package.

Compiled kernels are kept beside their source, or else in the user's cache folder. Where neither
can be written numba refuses to import them; a folder of this process alone then takes their place.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile

from numba import config, njit


def _probe() -> None:
    pass


def _ensure_cache() -> None:
    """Give numba a folder it can write to, if it finds none for the files of this package.

    Not a fixed folder for temporary files: others could put compiled code there for us to run.
    """
    try:
        njit(cache=True)(_probe)
    except RuntimeError:
        folder = tempfile.mkdtemp(prefix="drumprint-kernels-")
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        setattr(config, "CACHE_DIR", folder)  # noqa: B010 (the module declares no names)


_ensure_cache()
