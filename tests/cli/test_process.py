# SPDX-License-Identifier: GPL-3.0-or-later
"""The command as a process: start-up, pipes, Ctrl-C, caches that cannot be written."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.cli import takes

COMMAND = [sys.executable, "-m", "dsp.cli"]
HEAVY = {"matplotlib", "pedalboard", "scipy", "rich", "numba", "soundfile"}
SCIPY = {"scipy.signal", "scipy.linalg", "scipy.ndimage", "scipy.fft"}


def loaded(code: str) -> set[str]:
    """Modules loaded by `code` in a new interpreter."""
    report = "; import sys; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code + report], capture_output=True, text=True, check=True
    )
    return set(done.stdout.split())


def test_importing_the_package_loads_nothing_heavy():
    assert not loaded("import dsp") & (HEAVY | {"numpy", "pydantic"})


def test_the_command_group_loads_nothing_heavy():
    assert not loaded("import dsp.cli") & (HEAVY | {"numpy", "pydantic"})


def test_rendering_loads_no_signal_library():
    # numba looks at scipy's version, which loads no part of it that costs anything.
    heavy = {"matplotlib", "pedalboard", *SCIPY}
    assert not loaded("import dsp.rendering, dsp.steps") & heavy


def test_check_loads_only_what_recipes_need():
    # how long it takes is in bench/results/speed.md
    seen = loaded(
        "import sys; from dsp.cli import main; sys.argv = ['drumprint', 'check', 'snare_full']; "
        "status = []; sys.exit = status.append; main(); assert status in ([], [0]); print()"
    )
    assert "dsp.recipe.load" in seen
    heavy = {"matplotlib", "pedalboard", "soundfile", "PIL", *SCIPY}
    assert not seen & heavy
    parts = ("audio", "lanes", "rendering", "worker", "demo", "compare", "samples", "inserts")
    assert not {name for name in seen if name.startswith(tuple(f"dsp.{part}" for part in parts))}


def test_a_reader_that_goes_away_is_no_fault():
    with subprocess.Popen(
        [*COMMAND, "schema"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode in {0, 1}


@pytest.mark.parametrize("wait", [0.0, 0.3])  # while the file is read, and while it is treated
def test_ctrl_c_ends_with_130_and_leaves_nothing(tmp_path, wait):
    source = takes.write(tmp_path / "in.wav", takes.strokes(60.0))
    command = [*COMMAND, "render", "snare_bottom", f"x={source}", "-o", str(tmp_path / "out")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        deadline = time.monotonic() + 60
        while not (tmp_path / "out").exists():  # it is made when the work begins
            assert time.monotonic() < deadline
            assert process.poll() is None
            time.sleep(0.005)
        time.sleep(wait)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert err.decode().strip() == "drumprint: stopped; no file is left half-written"
    assert not (tmp_path / "out").exists()


def copied_package(folder: Path) -> Path:
    """The package without any compiled cache, in a folder of its own."""
    root = Path(__file__).parents[2]
    kept = shutil.ignore_patterns("__pycache__")
    shutil.copytree(root / "dsp", folder / "dsp", ignore=kept)
    if not (folder / "dsp/chains").is_dir():
        shutil.copytree(root / "chains", folder / "chains")
    return folder


def without_cache(folder: Path) -> dict[str, str]:
    """An environment in which no place for a compiled cache can be written."""
    blocked = folder / "blocked"
    blocked.write_text("a file, so that nothing can be made below it")
    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    return environment | {
        "HOME": str(blocked),
        "XDG_CACHE_HOME": str(blocked),
        "PYTHONDONTWRITEBYTECODE": "1",
        "PYTHONPATH": str(folder),
    }


def test_a_cache_that_cannot_be_written_stops_nothing(tmp_path):
    package = copied_package(tmp_path / "installed")
    for place in (package / "dsp/kernels", package / "dsp/kernels/__pycache__"):
        if place.name == "__pycache__":
            place.write_text("a file in the way, which stops even root")
    source = takes.write(tmp_path / "in.wav", takes.strokes(0.5))
    (tmp_path / "one.yaml").write_text(takes.ONE)
    arguments = ["render", str(tmp_path / "one.yaml"), f"x={source}", "-o", str(tmp_path / "out")]
    done = subprocess.run(
        [*COMMAND, *arguments],
        env=without_cache(package),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    assert done.returncode == 0
    assert (tmp_path / "out/x.wav").exists()


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts_name_the_command(shell):
    done = subprocess.run(
        [*COMMAND, "completion", shell], capture_output=True, text=True, check=False
    )
    if shell == "bash" and shutil.which("bash") is None:
        assert done.returncode != 0
        return
    assert done.returncode == 0
    assert "_DRUMPRINT_COMPLETE" in done.stdout


def test_completion_offers_commands_and_ready_chains():
    environment = os.environ | {
        "_DRUMPRINT_COMPLETE": "bash_complete",
        "COMP_WORDS": "drumprint check sna",
        "COMP_CWORD": "2",
    }
    code = "from dsp.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    assert "plain,snare_top" in done.stdout.splitlines()
