# SPDX-License-Identifier: GPL-3.0-or-later
"""How long a print takes and how much memory, beside a general audio library.

    python -m bench.speed

A four-minute track (48 kHz, mono, 24-bit) is made once. Each whole process is timed from start to
end, imports included: `render snare_top`, which also finds strokes, draws and hashes, against a
script that reads, runs five effects of the same kind by pedalboard, and writes. First use is timed
with an empty compiled cache. Then single steps are timed in this process, beside pedalboard's
nearest effect. The table goes to bench/results/speed.md.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bench.asking import nothing_but_help

RATE, SECONDS = 48_000, 240
REPEATS = 5
RESULTS = Path(__file__).parent / "results" / "speed.md"

BASELINE = """
import sys
import soundfile
from pedalboard import Compressor, HighShelfFilter, Limiter, NoiseGate, PeakFilter, Pedalboard
samples, rate = soundfile.read(sys.argv[1], dtype="float32", always_2d=True)
board = Pedalboard([
    NoiseGate(threshold_db=-38, ratio=10, attack_ms=1, release_ms=120),
    Compressor(threshold_db=-18, ratio=3, attack_ms=5, release_ms=80),
    PeakFilter(cutoff_frequency_hz=540, gain_db=-7, q=2.4),
    HighShelfFilter(cutoff_frequency_hz=4000, gain_db=3),
    Limiter(threshold_db=-1, release_ms=60),
])
soundfile.write(sys.argv[2], board(samples.T, rate).T, rate, subtype="PCM_24")
"""


@dataclass(frozen=True)
class Run:
    """One process: wall-clock seconds, and peak resident memory in MB (10^6 bytes)."""

    seconds: float
    megabytes: float


def timed(command: list[str], environment: Mapping[str, str] | None = None) -> Run:
    """Run a command to its end."""
    # As where the package is installed, Python may keep what it has compiled.
    kept = {**(environment or os.environ), "PYTHONDONTWRITEBYTECODE": ""}
    start = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=kept) as process:
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{' '.join(command[:4])} … ended with {process.returncode}")
    unit = 1 if platform.system() == "Darwin" else 1024
    return Run(seconds, usage.ru_maxrss * unit / 1e6)


def best(command: list[str]) -> Run:
    """The quickest of some runs, after one that is not counted; the most memory of any."""
    timed(command)
    runs = [timed(command) for _ in range(REPEATS)]
    return Run(min(run.seconds for run in runs), max(run.megabytes for run in runs))


def whole_processes(folder: Path, take: Path) -> list[tuple[str, Run]]:
    """Time the command and the baseline."""
    script = folder / "baseline.py"
    script.write_text(BASELINE)
    render = [sys.executable, "-m", "dsp.cli", "render", "snare_top", f"top={take}"]
    render += ["-o", str(folder / "print"), "--overwrite"]
    empty = folder / "empty cache"
    empty.mkdir()
    first = timed(render, os.environ | {"NUMBA_CACHE_DIR": str(empty)})
    return [
        ("`drumprint render snare_top`, second use", best(render)),
        ("`drumprint render snare_top`, first use (empty cache)", first),
        (
            "pedalboard: read, gate, compressor, peak, shelf, limiter, write",
            best([sys.executable, str(script), str(take), str(folder / "baseline.wav")]),
        ),
        (
            "`drumprint check snare_top`",
            best([sys.executable, "-m", "dsp.cli", "check", "snare_top"]),
        ),
    ]


STEPS: dict[str, tuple[dict[str, Any], str]] = {
    "suppress_bleed": ({}, ""),
    "ride_level": ({}, ""),
    "gate": ({}, "NoiseGate"),
    "dynamic_eq": (
        {"bands": [{"name": "ring", "shape": "bell", "at": "540 Hz", "active": "-7 dB"}]},
        "PeakFilter",
    ),
    "shape_transient": ({"attack": "4 dB", "sustain": "-5 dB"}, ""),
    "tone": (
        {
            "bands": [
                {"name": "weight", "at": "200 Hz", "width": "2 oct", "gain": "1.5 dB"},
                {"name": "honk", "at": "700 Hz", "gain": "-2 dB"},
                {"name": "air", "shape": "high shelf", "at": "8 kHz", "gain": "2 dB"},
            ]
        },
        "PeakFilter, PeakFilter, HighShelfFilter",
    ),
    "compress": ({}, "Compressor"),
    "soften": ({"ceiling": "-9 dB"}, "Clipping, Limiter"),
    "level": ({"gain": "-3 dB"}, "Gain"),
}


def steps(samples: Any) -> list[tuple[str, float, str, float | None]]:
    """Samples per second of each step (deciding and applying), and of pedalboard's nearest."""
    from dsp.carrying import carry_out
    from dsp.hits import find_hits
    from dsp.steps import STEPS as REGISTRY
    from dsp.steps import Scene

    hits = find_hits(samples, RATE)
    timings = []
    for name, (settings, effect) in STEPS.items():
        if name not in REGISTRY:
            continue
        step = REGISTRY[name](**settings)
        seconds = []
        for _ in range(3):
            audio = samples.copy()
            scene = Scene("top", RATE, audio, hits, ("top",), lambda _: samples, lambda _: hits)
            start = time.perf_counter()
            carry_out(audio, step.decide(scene))
            seconds.append(time.perf_counter() - start)
        other = len(samples) / _effect_seconds(effect, samples) if effect else None
        timings.append((name, len(samples) / min(seconds), effect, other))
    return timings


def _effect_seconds(effect: str, samples: Any) -> float:
    import pedalboard

    audio = np.ascontiguousarray(samples.T.astype(np.float32))
    units = [getattr(pedalboard, name)() for name in effect.split(", ")]
    seconds = []
    for _ in range(3):
        start = time.perf_counter()
        for unit in units:
            unit(audio, RATE)
        seconds.append(time.perf_counter() - start)
    return min(seconds)


def make_take(path: Path) -> Any:
    """Four minutes of the demo take's top microphone, going round; returns the samples."""
    from dsp.audio import SampleFormat, write_track
    from dsp.demo import make_demo

    once = make_demo().take.tracks["top"]
    samples = np.resize(once, (RATE * SECONDS, once.shape[1]))
    write_track(path, samples, RATE, SampleFormat("wav", "pcm24"))
    return samples


def table(
    processes: list[tuple[str, Run]], units: list[tuple[str, float, str, float | None]]
) -> str:
    """The results as a Markdown page."""
    second, baseline = processes[0][1], processes[2][1]
    lines = [
        "# Speed",
        "",
        f"{SECONDS // 60} minutes, {RATE / 1000:g} kHz, mono, 24-bit; {os.cpu_count()} cores, "
        f"{platform.machine()}, Python {platform.python_version()}. Best of {REPEATS} after one "
        "uncounted run; memory is the peak resident size of the process. Made by "
        "`python -m bench.speed`.",
        "",
        "| whole process | time | memory |",
        "|---|---:|---:|",
        *(f"| {name} | {run.seconds:.2f} s | {run.megabytes:.0f} MB |" for name, run in processes),
        "",
        f"Ratio of render to baseline: {second.seconds / baseline.seconds:.2f} in time, "
        f"{second.megabytes / baseline.megabytes:.2f} in memory.",
        "",
        "| step, deciding and applying | million samples/s | nearest effect | million samples/s |",
        "|---|---:|---|---:|",
    ]
    for name, speed, effect, other in units:
        shown = "" if other is None else f"{other / 1e6:.1f}"
        lines.append(f"| `{name}` | {speed / 1e6:.1f} | {effect or 'none'} | {shown} |")
    return "\n".join(lines) + "\n"


def main(given: Sequence[str] | None = None) -> None:
    """Measure, print the table, and save it."""
    nothing_but_help("python -m bench.speed", __doc__, given)
    with tempfile.TemporaryDirectory(prefix="drumprint-bench-") as scratch:
        folder = Path(scratch)
        take = folder / "take.wav"
        samples = make_take(take)
        text = table(whole_processes(folder, take), steps(samples))
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text(text)
    print(text)


if __name__ == "__main__":
    main()
