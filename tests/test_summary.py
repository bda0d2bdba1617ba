# SPDX-License-Identifier: GPL-3.0-or-later
"""The summary a person reads at the end of a run."""

import io
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import pytest
from rich.console import Console

from dsp.measures import Measures, compare
from dsp.ringing import RingMeasure
from dsp.steps.base import Decision, Scene, Settings, Step
from dsp.summary import FileWritten, TrackSummary, rows, show_summary, size, strokes, summarise
from dsp.units import Quantity

BEFORE = Measures(
    hits=42,
    ghosts=12,
    bleed_rms_dbfs=-48.0,
    bleed_peak_dbfs=-38.0,
    spread_db=3.4,
    spread_90_db=9.0,
    typical_dbfs=-9.0,
    ghost_distance_db=19.0,
    rings=(RingMeasure(540.0, -30.0, 0.62, 20),),
    peak_dbfs=-1.0,
    clipped=0,
)
AFTER = replace(
    BEFORE,
    bleed_rms_dbfs=-66.0,
    spread_db=1.5,
    rings=(RingMeasure(540.0, -37.5, None, 20),),
    peak_dbfs=0.0,
    clipped=3,
    notes=("rings not measured: no full stroke has 200 ms to itself",),
)
NOTHING = Measures(
    hits=0,
    ghosts=0,
    bleed_rms_dbfs=None,
    bleed_peak_dbfs=None,
    spread_db=None,
    spread_90_db=None,
    typical_dbfs=None,
    ghost_distance_db=None,
    rings=(),
    peak_dbfs=None,
    clipped=0,
    notes=("between the strokes there is digital silence",),
)


def shown(*tracks, width=100, others=()):
    text = io.StringIO()
    show_summary(Console(file=text, width=width), tracks, others)
    return text.getvalue()


def test_rows_say_what_changed_in_plain_words():
    found = {row[0]: row[1:] for row in rows(compare(BEFORE, AFTER))}
    assert found["bleed between strokes, RMS"] == ("−48.0 dBFS", "−66.0 dBFS", "down by 18.0 dB")
    assert found["spread of full strokes (σ)"] == ("3.4 dB", "1.5 dB", "narrower by 1.9 dB")
    assert found["ghosts below full strokes"][2] == "unchanged"
    assert found["ring at 540 Hz, RMS"][2] == "down by 7.5 dB"
    assert found["highest peak"] == ("−1.0 dBFS", "0.0 dBFS", "3 samples clipped")


def test_what_grew_is_said_to_have_grown():
    found = {row[0]: row[3] for row in rows(compare(AFTER, BEFORE))}
    assert found["bleed between strokes, RMS"] == "up by 18.0 dB"
    assert found["spread of full strokes (σ)"] == "wider by 1.9 dB"


def test_rows_that_were_never_measured_are_left_out():
    assert rows(compare(NOTHING, NOTHING)) == []


def test_summary_names_track_files_sizes_and_notes_once():
    files = (FileWritten("top.wav", 34_560_044), FileWritten("top.lanes.png", 377_391))
    text = shown(
        TrackSummary("top", BEFORE, AFTER, files, ("input is clipped at 3 samples",) * 2),
        others=(FileWritten("print.json", 8123),),
    )
    for words in (
        "top  42 strokes: 30 full, 12 ghost notes",
        "down by 18.0 dB",
        "files: top.wav       34.6 MB",
        "       top.lanes.png  377 kB",
        "after: rings not measured",
        "for all tracks: print.json 8.12 kB",
    ):
        assert words in text
    assert text.count("input is clipped") == 1


@pytest.mark.parametrize("width", [40, 80, 200])
def test_summary_of_an_empty_track_at_any_width(width):
    text = shown(TrackSummary("[bold]odd[/name]", NOTHING, NOTHING), width=width)
    assert "[bold]odd[/name]" in text  # names are no markup
    assert "no strokes found" in text
    assert "digital silence" in " ".join(text.split())


def test_counts_and_sizes():
    assert strokes(replace(BEFORE, hits=1, ghosts=1)) == "1 stroke: 0 full, 1 ghost note"
    assert [size(n) for n in (0, 999, 1000, 34_560_044, 2_000_000_000)] == [
        "0 B",
        "999 B",
        "1 kB",
        "34.6 MB",
        "2 GB",
    ]


class Band(Settings):
    """A band."""

    name: str = "band"
    shape: Literal["bell", "low shelf"] = "bell"
    at: Annotated[float, Quantity("Hz", 20, 20_000)]
    active: Annotated[float, Quantity("dB", -24, 24)] = 0.0


class Example(Step):
    """A step."""

    name: ClassVar[str] = "example"

    range: Annotated[float, Quantity("dB", 0, 90)] = 18.0
    lift_at_most: Annotated[float, Quantity("dB", -20, 20)] = 6.0
    bands: tuple[Band, ...] = ()

    def decide(self, scene: Scene) -> Decision:
        raise NotImplementedError


def test_summarise_tells_what_differs_from_the_defaults():
    bands = (Band(name="ring", at=540, active=-7.25), Band(name="low", shape="low shelf", at=100))
    step = Example(lift_at_most=-3.123456, bands=bands)
    assert summarise(step) == (
        "lift at most −3.123 dB; ring: bell at 540 Hz, active −7.25 dB; low: low shelf at 100 Hz"
    )


def test_summarise_of_defaults_tells_them_all():
    assert summarise(Example()) == "range 18 dB, lift at most 6 dB"
