# SPDX-License-Identifier: GPL-3.0-or-later
"""The page in a browser: opens from disk alone, is safe, readable, and obeys the keyboard."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dsp.compare.page import write_page
from tests.compare.browser import Browser
from tests.compare.contents import contents

PHONE = (360, 740)


@pytest.fixture(autouse=True)
def laptop(window: Browser) -> None:
    window.size(1366, 900)
    window.scheme("light")


def test_the_page_opens_from_disk_and_asks_for_nothing(window: Browser, page_file: Path) -> None:
    window.open(page_file)
    window.get("play").click()
    window.until("return document.getElementById('play').textContent === 'Pause'")
    for key in "23dhlse":
        window.press(key)
    window.press(" ")
    assert window.requests() == [page_file.as_uri()]
    assert window.console() == []


def test_the_policy_forbids_requests_and_foreign_programs(window: Browser, page_file: Path) -> None:
    window.open(page_file)
    tries = """
      const refused = [];
      addEventListener("securitypolicyviolation", (e) => refused.push(e.effectiveDirective));
      const image = document.createElement("img");
      image.src = "https://example.invalid/x.png";
      const script = document.createElement("script");
      script.textContent = "globalThis.owned = true";
      document.body.append(image, script);
      await fetch("https://example.invalid/").catch(() => 0);
      await new Promise((go) => setTimeout(go, 100));
      return [refused.sort(), globalThis.owned === undefined];"""
    assert window.run(tries) == [["connect-src", "img-src", "script-src-elem"], True]
    window.console()


HOSTILE = '</script><script>window.owned = 1</script><img src=x onerror="window.owned=2">&amp;'


def test_markup_in_names_is_shown_as_text(window: Browser, page_folder: Path) -> None:
    path = page_folder / "hostile.html"
    made = contents(HOSTILE, ("raw", HOSTILE), (f"top{HOSTILE}", "<b>bottom</b>"), HOSTILE)
    path.write_bytes(write_page(made))
    window.open(path)
    assert window.run("return window.owned === undefined")
    assert window.run("return document.title") == HOSTILE
    assert window.run("return document.querySelector('h1').textContent") == HOSTILE
    foreign = "img, main script, b:not(#care > b, .label > b)"
    assert window.run("return document.querySelectorAll(arguments_[0]).length", foreign) == 0
    shown = window.run("return document.body.innerText")
    assert shown.count(HOSTILE) > 10
    assert "<b>bottom</b>" in shown
    assert window.requests() == [path.as_uri()]
    assert window.console() == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_sideways_scroll_on_a_phone(window: Browser, page_file: Path, scheme: str) -> None:
    window.scheme(scheme)
    window.size(*PHONE, mobile=True)
    window.open(page_file)
    wide = "return [document.documentElement.scrollWidth, innerWidth]"
    assert window.run(wide) == [360, 360]
    window.click("Start the test")
    assert window.run(wide) == [360, 360]
    assert window.console() == []


def test_colours_follow_the_system_and_the_switch(window: Browser, page_file: Path) -> None:
    window.open(page_file)
    paper = "return getComputedStyle(document.body).backgroundColor"
    light = window.run(paper)
    window.scheme("dark")
    dark = window.run(paper)
    assert dark != light
    window.get("theme").click()
    assert window.run(paper) == light
    window.press("m")
    window.scheme("light")
    assert window.run(paper) == dark
    window.press("m")
    assert window.run(paper) == light


CONTRAST = """
  const lum = (rgb) => rgb.map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const rgba = (text) => text.match(/[\\d.]+/g).map(Number);
  const ground = (node) => {
    for (; node; node = node.parentElement) {
      const colour = rgba(getComputedStyle(node).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour.slice(0, 3);
    }
    return [255, 255, 255];
  };
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !node.getClientRects().length) continue;
    const pair = [lum(rgba(getComputedStyle(node).color).slice(0, 3)), lum(ground(node))];
    const ratio = (Math.max(...pair) + 0.05) / (Math.min(...pair) + 0.05);
    found.push([ratio, walk.currentNode.data.trim().slice(0, 40)]);
  }
  return found.sort((a, b) => a[0] - b[0]);"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_word_stands_out(window: Browser, page_file: Path, scheme: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: contrast at least 4.5 to 1."""
    window.scheme(scheme)
    window.open(page_file)
    ratios = window.run(CONTRAST)
    window.click("Start the test")
    ratios += window.run(CONTRAST)
    assert len(ratios) > 150
    assert min(ratios)[0] >= 4.5, min(ratios)


def test_every_control_has_a_name_and_every_plot_words(window: Browser, page_file: Path) -> None:
    window.open(page_file)
    nameless = """
      return [...document.querySelectorAll("button, input, select, [role=img], section, table")]
        .filter((node) => !(node.getAttribute("aria-label") || node.getAttribute("aria-labelledby")
          || node.textContent.trim() && node.tagName !== "SELECT"
          || node.labels && node.labels.length))
        .map((node) => node.outerHTML.slice(0, 80))"""
    assert window.run(nameless) == []
    assert window.run("return document.querySelectorAll('main, header, footer').length") == 3
    plots = window.run(
        "return [...document.querySelectorAll('.plot[role=img]')].map((n) => n.ariaLabel)"
    )
    assert "strokes, top. 2 full, up, filled; 2 ghost, down, open" in plots
    # 1 ruler, 2 rows of strokes, 3 waveforms, 1 level, 2 variants × 2 tracks × 5 bands and lanes
    assert len(plots) == 27


def test_tab_reaches_every_control_and_shows_where_it_is(window: Browser, page_file: Path) -> None:
    window.open(page_file)
    wanted = window.run(
        "const tabbed = 'a, button, input, select, summary, [tabindex=\"0\"]';"
        "window.all = [...document.querySelectorAll(tabbed)]"
        ".filter((n) => n.checkVisibility() && !n.disabled); return window.all.length"
    )
    reached = set()
    for _ in range(wanted + 3):
        window.press("\ue004")
        reached.add(window.run("return window.all.indexOf(document.activeElement)"))
        assert window.run(
            "const a = document.activeElement;"
            "return a === document.body || getComputedStyle(a).outlineStyle !== 'none'"
        )
    assert set(range(wanted)) <= reached


def test_every_action_has_a_key(window: Browser, harness_file: Path) -> None:
    window.open(harness_file)
    window.run("Object.assign(globalThis, await page)")
    state = """return [listening.heard, listening.looping, listening.selection, listening.place,
      listening.volumeDb, [view.from, view.to], controls.removed, document.activeElement.id,
      document.documentElement.dataset.theme, document.getElementById("say").textContent]"""
    window.run("listening.seek(30000)")
    seen = window.run(state)
    # each key changes something, in an order that leaves something to change
    left, right, home = "\ue012", "\ue014", "\ue011"
    for key in [*"231nppddhs", right, *"e+-fcl", right, left, *"..,", home, *"vmtrk"]:
        window.press(key)
        now = window.run(state)
        assert now != seen, key
        seen = now
    window.press("V", shift=True)
    assert window.run("return listening.volumeDb") == -30
    window.run("view.show(40000, 50000)")
    window.press("\ue012", shift=True)
    assert window.run("return view.from") == 35000
    window.press("\ue014", shift=True)
    assert window.run("return view.from") == 40000
    window.press(" ")
    window.until("return listening.playing")
    window.press(" ")
    assert not window.run("return listening.playing")
    assert window.console() == []


def test_single_keys_can_be_switched_off_and_do_not_act_in_fields(
    window: Browser, harness_file: Path
) -> None:
    window.open(harness_file)
    window.run("Object.assign(globalThis, await page)")
    heard = window.run("return listening.heard")
    window.get("blind-count").click()
    window.press("2")
    assert window.run("return listening.heard") == heard
    window.get("keys-on").click()
    window.run("document.activeElement.blur()")
    window.press("2")
    assert window.run("return listening.heard") == heard


def test_the_volume_starts_low_every_time(window: Browser, page_file: Path) -> None:
    window.open(page_file)
    assert window.get("volume").get_attribute("value") == "-30"
    window.press("v")
    assert window.get("volume").get_attribute("value") == "-28"
    window.open(page_file)
    assert window.get("volume").get_attribute("value") == "-30"
    assert "turn it up slowly" in window.get("care").text


def test_dragging_selects_and_loops_and_tapping_seeks(window: Browser, harness_file: Path) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By

    window.open(harness_file)
    window.run("Object.assign(globalThis, await page)")
    plot = window.driver.find_element(By.CSS_SELECTOR, "#waves .plot")
    window.run("arguments_[0].scrollIntoView({ block: 'center' })", plot)
    width = int(window.run("return arguments_[0].clientWidth", plot))
    middle = (58 + width - 10) / 2 - width / 2  # of the drawing, seen from the middle of the row
    quarter = (width - 68) / 4
    actions = ActionChains(window.driver).move_to_element_with_offset(plot, round(middle), 0)
    actions.click_and_hold().move_by_offset(round(quarter), 0).release().perform()
    first, stop = window.run("return listening.selection")
    assert first == pytest.approx(48000, abs=300)
    assert stop == pytest.approx(72000, abs=300)
    assert window.run("return listening.looping")
    ActionChains(window.driver).move_to_element_with_offset(
        plot, round(middle - quarter), 0
    ).click().perform()
    assert window.run("return listening.place") == pytest.approx(24000, abs=300)


def test_a_waveform_shows_every_peak_at_any_zoom(window: Browser, harness_file: Path) -> None:
    window.open(harness_file)
    script = """
      const sound = [new Float32Array(100000)];
      sound[0][54321] = 0.9;
      sound[0][54322] = -0.8;
      const wave = parts.pyramid(sound);
      const seen = [];
      for (const width of [100000, 30000, 5000, 400, 20]) {
        const [at, high, low] = parts.waveColumns(wave, 54321 - width / 2, 54321 + width / 2, 300);
        const i = high.findIndex((value) => value > 0.89);
        seen.push([Math.max(...high), Math.min(...low), Math.abs(at[i] - 54321) <= width / 150]);
      }
      return seen;"""
    for high, low, near in window.run(script):
        assert high == pytest.approx(0.9)
        assert low == pytest.approx(-0.8)
        assert near


def test_averages_of_a_lane_are_exact(window: Browser, harness_file: Path) -> None:
    window.open(harness_file)
    script = """const [at, db] = [[0, 10, 12, 20], [0, 1, -10, 1, -10, 1, 0, 1]];
      return Array.from(parts.averages(at, db, 2, 0, 20, 2));"""
    # band 1: 0 to −10 over ten samples, −10 for two, back to 0 over eight
    assert window.run(script) == pytest.approx([-5.0, (-10 * 2 - 5 * 8) / 10, 1.0, 1.0])


def test_one_stereo_track_without_strokes_or_lanes(window: Browser, page_folder: Path) -> None:
    """The least there is to compare; silence and the raw take alone."""
    made = contents()
    raw = replace(
        made.variants[0], name="only", sounds={"top": np.zeros((made.frames, 2))}, lanes={}
    )
    path = page_folder / "least.html"
    path.write_bytes(
        write_page(replace(made, listen=("top",), variants=(raw,), hits={}, measures=(), notes=()))
    )
    window.open(path)
    window.press(" ")
    window.until("return document.getElementById('play').textContent === 'Pause'")
    for key in "1d.,h":
        window.press(key)
    window.press(" ")
    window.click("Start the test")
    assert window.get("blind-problem").text == "Choose two different variants."
    assert not window.get("measures").is_displayed()
    assert "nothing: they are equal" in window.get("removed-rows").text
    assert window.console() == []


def test_space_plays_after_a_button_was_clicked(window: Browser, page_file: Path) -> None:
    window.open(page_file)
    window.click("soft")
    window.press(" ")
    window.until("return document.getElementById('play').textContent === 'Pause'")
    assert window.said() == "Hearing soft"


def test_keys_act_on_keyboards_with_other_letters(window: Browser, harness_file: Path) -> None:
    window.open(harness_file)
    window.run("Object.assign(globalThis, await page)")
    window.run(
        "document.body.dispatchEvent("
        "new KeyboardEvent('keydown', { key: 'д', code: 'KeyL', bubbles: true }))"
    )
    assert window.run("return listening.looping")


def test_a_difference_that_had_to_be_lowered_says_so(window: Browser, page_folder: Path) -> None:
    made = contents()
    phase = np.sin(2 * np.pi * 100 * np.arange(made.frames) / made.rate)[:, None]
    sounds = [{"top": 0.9 * phase}, {"top": -0.9 * phase}, {"top": 0.8 * phase}]
    variants = tuple(
        replace(variant, sounds=sound, match_db={"top": 0.0})
        for variant, sound in zip(made.variants, sounds, strict=True)
    )
    path = page_folder / "loud.html"
    path.write_bytes(write_page(replace(made, listen=("top",), variants=variants)))
    window.open(path)
    window.press("d")
    assert window.said() == "Hearing raw minus soft, lowered by 5.1 dB so that it fits"
    window.run(
        "const box = document.getElementById('pair-minus'); box.value = 2;"
        "box.dispatchEvent(new Event('change'))"
    )
    window.press("d")
    window.press("d")
    assert window.said() == "Hearing raw minus hard"
    assert "at most −20.0 dBFS" in window.get("removed-rows").text
