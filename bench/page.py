# SPDX-License-Identifier: GPL-3.0-or-later
"""How large the page of a comparison is, and how quickly it opens.

    python -m bench.page

Four minutes of the demo take's top and bottom microphones go through `drumprint compare` with
three recipes; its page is opened from disk in headless Chromium. Opening ends when the sounds are
decoded and everything is drawn and ready to play. The table goes to bench/results/page.md.
"""

from __future__ import annotations

import json
import os
import platform
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bench.asking import nothing_but_help
from bench.speed import RATE, SECONDS, Run, timed

REPEATS = 7
RESULTS = Path(__file__).parent / "results" / "page.md"
READY = "return document.getElementById('say').textContent.startsWith('Ready')"
PAINTED = "return performance.getEntriesByName('first-contentful-paint')[0].startTime / 1000"
SCREENS = {"laptop, 1366 × 900": (1366, 900, False), "phone, 360 × 740": (360, 740, True)}


@dataclass(frozen=True)
class Opening:
    """Seconds until something is seen, and until everything is ready; medians."""

    painted: float
    ready: float


def make_take(folder: Path) -> dict[str, Path]:
    """Four minutes of two microphones of the demo take, going round."""
    from dsp.audio import SampleFormat, write_track
    from dsp.demo import make_demo

    once = make_demo().take.tracks
    files = {track: folder / f"{track}.wav" for track in ("top", "bottom")}
    for track, path in files.items():
        samples = np.resize(once[track], (RATE * SECONDS, once[track].shape[1]))
        write_track(path, samples, RATE, SampleFormat("wav", "pcm24"))
    return files


def make_recipes(folder: Path) -> list[str]:
    """The ready pair, and two that differ from it."""
    from dsp.recipe import ready_chain

    text = Path(ready_chain("snare_pair")).read_text("utf-8")
    others = {
        "deeper.yaml": text.replace("reduction: 18 dB", "reduction: 30 dB"),
        "open.yaml": text.replace("rest: -15 dB", "rest: -6 dB"),
    }
    for name, content in others.items():
        (folder / name).write_text(content, "utf-8")
    return ["snare_pair", *(str(folder / name) for name in others)]


def opening(page: Path, screen: tuple[int, int, bool]) -> Opening:
    """Open the page some times in one browser."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(argument)
    driver: Any = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        size = dict(zip(("width", "height", "mobile"), screen, strict=True))
        driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride", {**size, "deviceScaleFactor": 1}
        )
        painted, ready = [], []
        for _ in range(REPEATS):
            driver.get("about:blank")
            start = time.perf_counter()
            driver.get(page.as_uri())
            while not driver.execute_script(READY):
                time.sleep(0.01)
            ready.append(time.perf_counter() - start)
            painted.append(float(driver.execute_script(PAINTED)))
        return Opening(statistics.median(painted), statistics.median(ready))
    finally:
        driver.quit()


def table(page: Path, compared: Run, openings: dict[str, Opening]) -> str:
    """The results as a Markdown page."""
    text = page.read_text("utf-8")
    data = json.loads(text.split('id="data">', 1)[1].split("</script>", 1)[0])
    lanes = sum(len(steps) for each in data["variants"] for steps in each["lanes"].values())
    lines = [
        "# The page of a comparison",
        "",
        f"Raw and {len(data['variants']) - 1} variants of {SECONDS // 60} minutes of two tracks, "
        f"{RATE / 1000:g} kHz; {data['frames'] / data['rate']:.0f} s of them on the page; "
        f"{os.cpu_count()} cores, {platform.machine()}. Openings are medians of {REPEATS}. "
        "Made by `python -m bench.page`.",
        "",
        "| | |",
        "|---|---:|",
        f"| `drumprint compare`, whole process | {compared.seconds:.1f} s, "
        f"{compared.megabytes:.0f} MB |",
        f"| page | {page.stat().st_size / 1e6:.1f} MB |",
        f"| sound | {data['bits']} bits |",
        f"| lanes | {lanes} |",
    ]
    for name, found in openings.items():
        lines.append(f"| {name}: seen | {found.painted:.2f} s |")
        lines.append(f"| {name}: ready to play | {found.ready:.2f} s |")
    return "\n".join(lines) + "\n"


def main(given: Sequence[str] | None = None) -> None:
    """Measure, print the table, and save it."""
    nothing_but_help("python -m bench.page", __doc__, given)
    with tempfile.TemporaryDirectory(prefix="drumprint-bench-") as scratch:
        folder = Path(scratch)
        files = [f"{track}={path}" for track, path in make_take(folder).items()]
        command = [sys.executable, "-m", "dsp.cli", "compare", *make_recipes(folder), *files]
        compared = timed([*command, "-o", str(folder / "out")])
        page = folder / "out" / "page.html"
        openings = {name: opening(page, screen) for name, screen in SCREENS.items()}
        text = table(page, compared, openings)
    RESULTS.write_text(text, "utf-8")
    print(text)


if __name__ == "__main__":
    main()
