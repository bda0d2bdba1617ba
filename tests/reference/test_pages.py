# SPDX-License-Identifier: GPL-3.0-or-later
"""The reference pages that are kept are those that the code makes."""

import io
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import dsp.reference
from dsp.cli.app import run
from dsp.reference import pictures
from dsp.reference.examples import EXAMPLES
from dsp.reference.files import INDEX
from dsp.reference.words import index, inner, page
from dsp.steps import STEPS

PAGES = Path(dsp.reference.__file__).parent / "pages"
REMAKE = "remake with: drumprint reference dsp/reference/pages --overwrite"
BLOCK = 10  # pixels: other versions of matplotlib draw letters and edges a little otherwise
LEVELS, SHARE = 40, 0.01  # of 255; of the blocks that may differ by more


@cache
def made(name):
    return pictures.example(name)


def pixels(png):
    with Image.open(io.BytesIO(png)) as image:
        return np.asarray(image.convert("RGB"), float)


def unlike(one, other):
    """Share of blocks that differ; 1 where the sizes do."""
    a, b = pixels(one), pixels(other)
    if a.shape != b.shape:
        return 1.0
    rows, columns = (n // BLOCK for n in a.shape[:2])
    cut = (a - b)[: rows * BLOCK, : columns * BLOCK]
    blocks = cut.reshape(rows, BLOCK, columns, BLOCK, 3).mean(axis=(1, 3))
    return float((np.abs(blocks).max(axis=2) > LEVELS).mean())


def test_every_step_has_its_example_and_its_pages_and_there_are_no_others():
    assert set(EXAMPLES) == set(STEPS), "dsp/reference/examples.py"
    names = {INDEX, *(name + ending for name in STEPS for ending in (".md", ".png"))}
    assert {path.name for path in PAGES.iterdir()} == names, REMAKE


def test_the_list_of_steps_is_as_the_code_makes_it():
    assert (PAGES / INDEX).read_text() == index(), REMAKE


@pytest.mark.parametrize("name", STEPS)
def test_the_page_is_as_the_code_makes_it(name):
    assert (PAGES / f"{name}.md").read_text() == page(STEPS[name], made(name).decision), REMAKE


@pytest.mark.parametrize("name", STEPS)
def test_the_picture_is_as_the_code_makes_it(name):
    kept = (PAGES / f"{name}.png").read_bytes()
    assert unlike(kept, made(name).png) <= SHARE, REMAKE


def test_the_comparison_of_pictures_can_fail(monkeypatch):
    kept = (PAGES / "gate.png").read_bytes()
    assert unlike(kept, kept) == 0.0
    changed = {"gate": ("top", "gate: {range: 30 dB, hold: 20 ms, release: 300 ms}")}
    monkeypatch.setattr(pictures, "EXAMPLES", changed)
    assert unlike(kept, pictures.example("gate").png) > 2 * SHARE


def test_pictures_are_the_same_bytes_each_time():
    assert pictures.example("gate").png == made("gate").png


@pytest.mark.parametrize("name", STEPS)
def test_the_page_names_every_setting(name):
    text = (PAGES / f"{name}.md").read_text()
    for model in (STEPS[name], *(kind for _, kind in inner(STEPS[name]))):
        for setting in model.model_fields:
            assert f"| `{setting}` |" in text


def test_the_pictures_are_small():
    assert sum(path.stat().st_size for path in PAGES.iterdir()) < 1_500_000


def test_the_readme_points_to_the_pages():
    root = PAGES.parents[2]
    readme = (root / "README.md").read_text()
    assert f"({(PAGES / INDEX).relative_to(root).as_posix()})" in readme


def test_the_command_writes_them_and_keeps_what_is_there(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("dsp.reference.files.STEPS", {"gate": STEPS["gate"]})
    monkeypatch.setattr("dsp.reference.files.example", made)
    folder = tmp_path / "pages"
    assert run(["reference", str(folder)]) == 0
    assert {path.name for path in folder.iterdir()} == {INDEX, "gate.md", "gate.png"}
    assert (folder / "gate.png").read_bytes() == made("gate").png
    assert run(["reference", str(folder)]) == 1
    assert "README.md: found an existing file" in capsys.readouterr().err
    assert run(["reference", str(folder), "--overwrite"]) == 0
