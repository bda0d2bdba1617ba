# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages on disk, and one browser for all tests that look at them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dsp.compare.page import write_page
from dsp.compare.page.assemble import assemble
from dsp.compare.page.data import page_data
from tests.compare.contents import contents

HARNESS = Path(__file__).parent / "harness.js"


@pytest.fixture(scope="session")
def page_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where pages and downloads of the browser go."""
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="session")
def page_file(page_folder: Path) -> Path:
    """The page as people get it."""
    path = page_folder / "page.html"
    path.write_bytes(write_page(contents()))
    return path


@pytest.fixture(scope="session")
def harness_file(page_folder: Path) -> Path:
    """The same page started by the tests' own main module, within their reach."""
    made = contents()
    path = page_folder / "harness.html"
    path.write_bytes(assemble(made.title, *page_data(made), HARNESS))
    return path


@pytest.fixture(scope="session")
def window(page_folder: Path) -> Iterator[object]:
    """The browser."""
    from tests.compare.browser import browser

    with browser(page_folder) as opened:
        yield opened
