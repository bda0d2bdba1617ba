# SPDX-License-Identifier: GPL-3.0-or-later
"""The Markdown table."""

from __future__ import annotations

import pytest

from dsp.compare.contents import MeasureRow
from dsp.compare.table import beside, markdown, shown

ROWS = [
    MeasureRow("top", "bleed", "dB", "between strokes", (-40.04, None)),
    MeasureRow("top", "decay", "s", "of the ring", (0.5, 0.25)),
    MeasureRow("sum", "loudness", "LUFS", "of all", (-20.0, -20.0)),
]


def test_one_table_a_track_and_what_the_measures_mean():
    text = markdown("Snare", ["raw", "A"], ROWS, "Matched.")
    assert "| top | | raw | A |\n|---|---|--:|--:|\n| bleed | dB | −40.0 | – |" in text
    assert "| decay | s | 0.50 | 0.25 |" in text
    assert "| sum | | raw | A |" in text
    assert "- decay: of the ring" in text
    assert text.startswith("# Snare\n\nMatched.\n")


def test_names_stay_text_and_within_their_column():
    text = markdown("a\nb", ["raw", "<b>|x</b>"], ROWS, "")
    assert text.startswith("# a b\n")
    assert r"| \<b\>\|x\</b\> |" in text


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [(None, "dB", "–"), (-0.04, "dB", "0.0"), (99.6, "%", "100"), (-0.104, "ms", "−0.10")],
)
def test_numbers(value, unit, expected):
    assert shown(value, unit) == expected


def test_lists_of_different_order_are_a_fault_of_the_program():
    with pytest.raises(ValueError, match="zip"):
        beside("top", [[], [None]])  # type: ignore[list-item]
