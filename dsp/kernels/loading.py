# SPDX-License-Identifier: GPL-3.0-or-later
"""The decorator of all kernels: compiled once, kept, and quick to load from then on.

Before numba looks for a kernel that it has kept, it fills its tables of everything that it could
compile, for which it loads 200 modules, half of them SciPy's: a quarter of a second, in which
no other Python code runs. Machine code that is kept needs none of that; whatever must be compiled
has the tables filled by the compiler itself.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit
from numba.core.caching import FunctionCache
from numba.core.dispatcher import Dispatcher
from numba.core.runtime.nrt import rtsys

NEEDED = ("_load_overload", "_guard_against_spurious_io_errors")  # of numba, and no promise of its


class _Kept(FunctionCache):
    """Compiled kernels in files, loaded without numba's tables."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """The kernel compiled for these types of arguments, or None where none was kept."""
        rtsys.initialize(target_context)  # the one part that kernels need: arrays of their own
        with self._guard_against_spurious_io_errors():
            return self._load_overload(sig, target_context)


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a loop at its first call, without the interpreter's lock, and keep it."""
    if not all(hasattr(FunctionCache, name) for name in NEEDED):
        return njit(nogil=True, cache=True)(function)
    compiled = njit(nogil=True)(function)
    if not isinstance(compiled, Dispatcher):  # with NUMBA_DISABLE_JIT it is the function itself
        return function
    setattr(compiled, "_cache", _Kept(function))  # noqa: B010 (as `cache=True` would set it)
    return compiled
