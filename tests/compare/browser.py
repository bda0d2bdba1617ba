# SPDX-License-Identifier: GPL-3.0-or-later
"""A headless browser that opens pages from disk, and what it did."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait

BROWSER, DRIVER = "chromium", "chromedriver"  # Debian: apt-get install chromium chromium-driver
SECONDS = 30.0  # to wait for what must come


class Browser:
    """One window; `open` forgets what the page before it did."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver

    def open(self, page: Path, wait: bool = True) -> None:
        """Open a page and wait until its sounds are decoded."""
        self.driver.get("about:blank")
        self.console(), self.requests()
        self.driver.get(page.as_uri())
        if wait:
            self.until("return document.getElementById('say').textContent.startsWith('Ready')")

    def run(self, script: str, *given: Any) -> Any:
        """The value of a script, awaited; `given` are its arguments."""
        wrapped = (
            "const done = arguments[arguments.length - 1];"
            f"(async (...arguments_) => {{ {script} }})(...arguments)"
            ".then((value) => done({ value }), (error) => done({ error: String(error.stack) }));"
        )
        answer = self.driver.execute_async_script(wrapped, *given)
        assert "error" not in answer, answer["error"]
        return answer.get("value")

    def until(self, script: str) -> None:
        """Wait until a script returns true."""
        WebDriverWait(self.driver, SECONDS, 0.02).until(lambda d: d.execute_script(script))

    def get(self, name: str) -> WebElement:
        """The element with this id."""
        return self.driver.find_element(By.ID, name)

    def click(self, words: str) -> None:
        """Press the visible button that begins with these words."""
        for button in self.driver.find_elements(By.TAG_NAME, "button"):
            if button.is_displayed() and " ".join(button.text.split()).startswith(words):
                button.click()
                return
        raise AssertionError(f"no button says {words!r}")

    def press(self, keys: str, shift: bool = False) -> None:
        """Type on the page, wherever the focus is."""
        actions = ActionChains(self.driver)
        if shift:
            actions.key_down("\ue008")
        actions.send_keys(keys)
        if shift:
            actions.key_up("\ue008")
        actions.perform()

    def said(self) -> str:
        """What the status line says."""
        return str(self.driver.execute_script("return document.getElementById('say').textContent"))

    def console(self) -> list[str]:
        """What the console got since it was last asked."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Addresses that were asked for since it was last asked."""
        events = [json.loads(e["message"])["message"] for e in self.driver.get_log("performance")]
        return [
            event["params"]["request"]["url"]
            for event in events
            if event["method"] == "Network.requestWillBeSent"
        ]

    def size(self, width: int, height: int, mobile: bool = False) -> None:
        """The size of the window in CSS pixels."""
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": mobile},
        )

    def scheme(self, name: str) -> None:
        """What the system prefers: light or dark."""
        feature = {"name": "prefers-color-scheme", "value": name}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})


@contextlib.contextmanager
def browser(downloads: Path) -> Iterator[Browser]:
    """A browser, headless; skips the test where there is none, fails under CI."""
    program, driver = shutil.which(BROWSER), shutil.which(DRIVER)
    if program is None or driver is None:
        missing = f"needs {BROWSER} and {DRIVER} (Debian: chromium, chromium-driver)"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    options = webdriver.ChromeOptions()
    options.binary_location = program
    for argument in (
        "--headless=new",
        "--no-sandbox",
        "--window-size=1366,900",
        "--disable-gpu",
        "--disable-dev-shm-usage",
    ):
        options.add_argument(argument)
    options.add_experimental_option("prefs", {"download.default_directory": str(downloads)})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    chrome = webdriver.Chrome(options=options, service=Service(driver))
    chrome.set_script_timeout(SECONDS)
    try:
        yield Browser(chrome)
    finally:
        chrome.quit()
