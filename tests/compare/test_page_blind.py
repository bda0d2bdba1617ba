# SPDX-License-Identifier: GPL-3.0-or-later
"""The blind test and the ranking: chance, scoring, and that nothing gives X away."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import binom

from tests.compare.browser import Browser
from tests.compare.contents import RATE

# One-sided binomial probabilities, computed; the least scores for 5 % are those of the published
# tables for ABX listening tests with 10 to 25 trials.
PROBABILITIES = {
    (5, 5): 0.03125, (7, 8): 0.03516, (8, 8): 0.00391, (8, 10): 0.05469, (9, 10): 0.01074,
    (10, 10): 0.00098, (10, 12): 0.01929, (12, 16): 0.03841, (13, 16): 0.01064,
    (14, 16): 0.00209, (14, 20): 0.05766, (15, 20): 0.02069, (16, 20): 0.00591,
    (18, 25): 0.02164, (20, 30): 0.04937,
}  # fmt: skip
NEEDED = {
    10: 9, 11: 9, 12: 10, 13: 10, 14: 11, 15: 12, 16: 12, 17: 13, 18: 13, 19: 14, 20: 15,
    21: 15, 22: 16, 23: 16, 24: 17, 25: 18,
}  # fmt: skip


@pytest.fixture(autouse=True)
def opened(window: Browser, harness_file: Path) -> None:
    window.size(1366, 900)
    window.open(harness_file)
    window.run("Object.assign(globalThis, await page)")


def test_binomial_table(window: Browser) -> None:
    got = window.run(
        "return arguments_[0].map(([k, n]) => parts.atLeast(k, n))", list(PROBABILITIES)
    )
    assert got == pytest.approx(list(PROBABILITIES.values()), abs=5.1e-6)
    every = [(k, n) for n in (5, 16, 50, 100) for k in range(n + 1)]
    got = window.run("return arguments_[0].map(([k, n]) => parts.atLeast(k, n))", every)
    assert got == pytest.approx([binom.sf(k - 1, n, 0.5) for k, n in every], rel=1e-12)
    needed = window.run("return arguments_[0].map((n) => parts.needed(n))", list(NEEDED))
    assert needed == list(NEEDED.values())


def test_what_a_score_means(window: Browser) -> None:
    words = [window.run(f"return parts.meaning({k}, 16)") for k in (8, 12, 14)]
    assert "60 % of such tests. That is too often" in words[0]
    assert "does not show that there is none" in words[0]
    assert "3.8 % of such tests. That is good evidence" in words[1]
    assert "0.2 % of such tests. You heard a difference" in words[2]


def test_draws_are_even(window: Browser) -> None:
    script = """
      let seed = 1;
      const random = () => {
        seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0;
        return (seed ^ (seed >>> 16)) >>> 0;
      };
      const count = [0, 0, 0];
      for (let i = 0; i < 30000; i++) count[parts.below(3, random)]++;
      const firsts = [0, 0, 0, 0];
      for (let i = 0; i < 8000; i++) firsts[parts.shuffled([0, 1, 2, 3], random)[0]]++;
      return [...count, ...firsts];"""
    counts = window.run(script)
    assert counts[:3] == pytest.approx([10000] * 3, rel=0.04)
    assert counts[3:] == pytest.approx([2000] * 4, rel=0.1)
    # what would make some numbers likelier than others is drawn again
    assert window.run("const d = [2 ** 32 - 1, 4]; return parts.below(3, () => d.shift())") == 1


def json_saved(path: Path) -> dict[str, Any]:
    """What the browser saved, once it has."""
    until = time.monotonic() + 10
    while not path.exists() and time.monotonic() < until:
        time.sleep(0.05)
    return json.loads(path.read_text("utf-8"))


def begin(window: Browser, draws: list[int], count: int) -> None:
    window.run(
        "draws.push(...arguments_[0]);document.getElementById('blind-count').value = arguments_[1]",
        draws,
        count,
    )
    window.click("Start the test")


def test_a_scripted_listener_is_scored_rightly(window: Browser, page_folder: Path) -> None:
    xs = [0, 1, 1, 0, 1, 0]  # 0: X is A
    says = ["A", "B", "A", "A", "B", "B"]  # right, right, wrong, right, right, wrong
    begin(window, [*xs, 0], 6)
    for i, (x, answer) in enumerate(zip(xs, says, strict=True)):
        assert window.get("blind-now").text == f"Trial {i + 1} of 6"
        same = window.run(
            """const paths = listening.player ? listening.player.paths : listening.sounds;
            const sound = (name) => (paths.get(name).sound || paths.get(name))[0];
            return ["A", "B"].map((name) => sound(name).every((v, i) => v === sound("X")[i]))"""
        )
        assert same == [x == 0, x == 1]
        window.press("x")
        window.press(answer, shift=True)
    assert window.get("blind-result").text.startswith("4 of 6 right")
    assert "p = 0.344" in window.get("blind-result").text
    window.click("Save this result")
    saved = json_saved(page_folder / "blind-test.json")
    assert saved["trials"] == [
        {"x": "AB"[x], "answer": answer} for x, answer in zip(xs, says, strict=True)
    ]
    assert (saved["right"], saved["count"]) == (4, 6)
    assert saved["probability"] == pytest.approx(22 / 64)
    assert (saved["a"], saved["b"], saved["sound"]) == ("raw", "soft", "sum")
    assert window.console() == []


def test_an_answer_counts_only_after_x_was_heard(window: Browser) -> None:
    begin(window, [0, 0], 5)
    window.press("A", shift=True)
    assert window.said() == "Listen to X before you answer."
    assert window.get("blind-now").text == "Trial 1 of 5"


STATE = """
  const words = [document.documentElement.outerHTML, document.title, location.href,
    Object.keys(globalThis).length, JSON.stringify([{ ...localStorage }, { ...sessionStorage }])];
  const { player } = listening;
  const graph = [...player.paths].map(([name, path]) => [name, path.gain.numberOfInputs,
    path.source && path.source.loop, path.sound.length, path.sound[0].length]);
  return [...words, graph];"""


def test_nothing_on_the_page_differs_with_what_x_is(window: Browser, harness_file: Path) -> None:
    states = []
    for x in (0, 1):
        window.open(harness_file)
        window.run("Object.assign(globalThis, await page)")
        window.get("volume").send_keys("")  # the same focus history
        window.run("listening.setLooping(true)")  # however long this machine takes, it plays on
        begin(window, [x, 0, 0, 0, 0, 0], 5)
        window.press("x")
        window.until(f"return listening.position() > {(0.3 + 0.2 * x) * RATE}")
        window.press(" ")
        window.run("document.getElementById('place').textContent = ''")
        states.append(window.run(STATE))
        assert window.console() == []
    assert states[0] == states[1]


def test_what_could_give_x_away_is_hidden_while_a_test_runs(window: Browser) -> None:
    begin(window, [1], 5)
    visible = window.run(
        "return [...document.querySelectorAll('canvas, #variants, #listen, #removed, .plot,"
        " #measures, #notes, #rank')].filter((node) => node.checkVisibility()).length"
    )
    assert visible == 0
    before = window.run("return listening.heard")
    for key in "23dh":
        window.press(key)
    assert window.run("return listening.heard") == before
    window.press("\ue00c")  # Escape
    assert "no result" in window.get("blind-result").text
    assert window.run("return document.querySelector('#waves .plot').checkVisibility()")
    assert window.run("return listening.heard") == "variant 0, sum"


def test_x_has_a_path_and_samples_of_its_own(window: Browser) -> None:
    begin(window, [1], 5)
    assert window.run("return [...listening.sounds.keys()]") == ["A", "B", "X"]
    assert window.run(
        "const { sounds } = listening; return sounds.get('X') !== sounds.get('B')"
        " && sounds.get('X')[0].buffer !== sounds.get('B')[0].buffer"
    )


def test_people_get_random_draws_that_no_address_can_set(window: Browser, page_file: Path) -> None:
    window.driver.get(f"{page_file.as_uri()}?random=0&seed=1#draws")
    window.until("return document.getElementById('say').textContent.startsWith('Ready')")
    window.run(
        "window.asked = 0; const real = crypto.getRandomValues.bind(crypto);"
        "crypto.getRandomValues = (into) => { window.asked++; return real(into); }"
    )
    begin_script = "document.getElementById('blind-count').value = 5"
    window.run(begin_script)
    window.click("Start the test")
    assert window.run("return window.asked") >= 1
    assert window.run("return typeof parts === 'undefined' && typeof page === 'undefined'")
    for i in range(5):
        window.press("x")
        window.press("A", shift=True)
        assert window.run("return window.asked") >= i + 1
    assert " of 5 right" in window.get("blind-result").text


def test_two_equal_variants_are_refused(window: Browser) -> None:
    window.run("document.getElementById('blind-b').value = 0")
    window.click("Start the test")
    assert window.get("blind-problem").text == "Choose two different variants."


def test_ranking_reveals_what_was_put_in_order(window: Browser, page_folder: Path) -> None:
    # the shuffle swaps 2 with 0, then 1 with 0: behind P, Q, R are variants 1, 2, 0
    window.run("draws.push(0, 0)")
    window.click("Start the ranking")
    assert window.run(
        "return document.querySelectorAll('canvas').length === 0 || "
        "![...document.querySelectorAll('canvas')].some((n) => n.checkVisibility())"
    )
    window.press("3")  # R
    assert window.said() == "Hearing R"
    window.press("\ue013", shift=True)  # better
    window.press("\ue013", shift=True)
    window.press("1")  # P
    window.press("\ue015", shift=True)  # worse
    assert window.said() == "P is in place 3 of 3"
    window.click("Reveal")
    text = window.get("rank-result").text
    assert [line for line in text.splitlines() if "was" in line] == [
        "raw (was R)", "hard (was Q)", "soft (was P)"
    ]  # fmt: skip
    window.click("Save this order")
    saved = json_saved(page_folder / "blind-ranking.json")
    assert [one["name"] for one in saved["best_first"]] == ["raw", "hard", "soft"]
    assert window.console() == []
