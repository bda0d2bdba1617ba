# SPDX-License-Identifier: GPL-3.0-or-later
"""Work on many like things, shared by one thread a core."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor


def over_chunks(
    work: Callable[[slice], None], count: int, size: int, threads: int | None = None
) -> None:
    """Call `work` with slices of `size` that together make up `count`.

    Sizes do not follow the number of cores, so that no result does. `threads` share the work, by
    default as many as there are cores.
    """
    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        list(pool.map(work, [slice(at, min(at + size, count)) for at in range(0, count, size)]))
