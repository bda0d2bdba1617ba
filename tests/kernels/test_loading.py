# SPDX-License-Identifier: GPL-3.0-or-later
"""Kernels are kept, and load quickly where they were kept."""

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from dsp.kernels.loading import kernel

CODE = """
import sys
import numpy as np
from dsp.kernels.envelope import peaks_between
out = np.empty(1)
peaks_between(np.array([[0.25], [-0.5]]), np.array([0]), np.array([2]), out)
print(out[0], "scipy.linalg" in sys.modules, sum(peaks_between.stats.cache_hits.values()))
"""


@pytest.mark.skipif("NUMBA_DISABLE_JIT" in os.environ, reason="nothing is compiled")
def test_a_kernel_that_was_kept_loads_without_what_compiling_takes(tmp_path):
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    command = [sys.executable, "-c", CODE]
    first, second = (
        subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        for _ in range(2)
    )
    assert first.stdout.split() == ["0.5", "True", "0"]
    assert second.stdout.split() == ["0.5", "False", "1"]


def test_other_types_than_were_kept_are_compiled():
    @kernel
    def first_of(x):
        return x[0]

    assert first_of(np.array([0.5])) == 0.5
    assert first_of(np.array([2], np.int16)) == 2


def test_the_import_contract_names_every_other_part_of_the_package():
    root = Path(__file__).parents[2]
    (contract,) = tomllib.loads((root / "pyproject.toml").read_text())["tool"]["importlinter"][
        "contracts"
    ]
    parts = {path.stem for path in (root / "dsp").glob("*.py")}
    parts |= {path.parent.name for path in (root / "dsp").glob("*/__init__.py")}
    expected = {f"dsp.{part}" for part in parts - {"__init__", "kernels"}}
    assert set(contract["forbidden_modules"]) == expected
