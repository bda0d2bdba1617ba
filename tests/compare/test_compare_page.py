# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of a whole comparison: its sound is the matched one, and a browser opens it."""

from __future__ import annotations

import base64
import io
import json
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from dsp.audio import read_track
from dsp.cli.app import run
from dsp.compare.loudness import loudness
from tests.cli import takes
from tests.compare.browser import Browser

TITLE = "</script><script>window.owned = 1</script>"


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("take")
    files = takes.pair(folder)
    ready = [f"<b>mine:{name}={path}" for name, path in files.items()]
    given = [f"{name}={path}" for name, path in files.items()]
    options = ["--title", TITLE, "-o", str(folder / "cmp")]
    assert run(["compare", str(folder / "pair.yaml"), *ready, *given, *options]) == 0
    return folder / "cmp"


def sounds_in(page: Path) -> dict[tuple[str, str], np.ndarray]:
    """Sounds by variant and name, decoded from the page; sums as the page adds them."""
    text = page.read_text()
    files = re.findall(r'<script type="text/plain" id="(sound-\d+)">([^<]*)<', text)
    decoded = {
        name: sf.read(io.BytesIO(base64.b64decode(code)), always_2d=True)[0] for name, code in files
    }
    data = json.loads(re.search(r'<script type="application/json"[^>]*>([^<]*)<', text)[1])
    found = {}
    for variant in data["variants"]:
        undone = {}
        for name in data["listen"]:
            gain = 10 ** (variant["match_db"][name] / 20)
            stored = variant["sounds"][name]
            sound = gain * sum(undone.values()) if stored is None else decoded[stored]
            found[variant["name"], name] = sound
            undone[name] = sound / gain
    return found


def test_the_pages_sound_is_the_matched_files(done):
    for (variant, sound), samples in sounds_in(done / "page.html").items():
        file = read_track(done / f"matched/{variant}/{sound}.wav").samples
        assert samples == pytest.approx(file, abs=2**-15), (variant, sound)


@pytest.mark.parametrize("sound", ["top", "bottom", "sum"])
def test_the_pages_variants_are_equally_loud(done, sound):
    found = sounds_in(done / "page.html")
    levels = [loudness(x, takes.RATE).lufs for (_, name), x in found.items() if name == sound]
    assert len(levels) == 3
    assert max(levels) - min(levels) <= 0.1


def test_a_browser_opens_it_and_shows_names_as_text(window: Browser, done: Path) -> None:
    window.open(done / "page.html")
    assert window.run("return document.title") == TITLE
    assert window.run("return window.owned === undefined")
    assert "<b>mine" in window.run("return document.body.innerText")
    assert window.console() == []
