# SPDX-License-Identifier: GPL-3.0-or-later
"""The kernel tests once more without the compiler, and once more with bounds checked."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from dsp.kernels.envelope import peaks_between

HERE = Path(__file__).resolve().parent
SWITCHES = ("NUMBA_DISABLE_JIT", "NUMBA_BOUNDSCHECK")


@pytest.mark.parametrize("switch", SWITCHES)
@pytest.mark.skipif(any(s in os.environ for s in SWITCHES), reason="this is such a run already")
def test_kernels_hold_with(switch, tmp_path):
    # a cache of its own: compiled code is not kept apart by these switches
    environment = {**os.environ, switch: "1", "NUMBA_CACHE_DIR": str(tmp_path)}
    command = [sys.executable, "-m", "pytest", "-x", "-p", "no:cacheprovider", str(HERE)]
    run = subprocess.run(
        command, env=environment, cwd=HERE.parents[1], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stdout + run.stderr
    assert " passed" in run.stdout


@pytest.mark.skipif("NUMBA_BOUNDSCHECK" not in os.environ, reason="only where bounds are checked")
def test_bounds_are_checked_where_they_should_be():
    out = np.empty(1)
    with pytest.raises(IndexError):
        peaks_between(np.zeros((4, 1)), np.array([0]), np.array([5]), out)


@pytest.mark.skipif("NUMBA_DISABLE_JIT" not in os.environ, reason="only without the compiler")
def test_kernels_are_plain_functions_without_the_compiler():
    assert not hasattr(peaks_between, "py_func")
