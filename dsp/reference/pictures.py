# SPDX-License-Identifier: GPL-3.0-or-later
"""The example of each step, run on the demo take and drawn."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from dsp.errors import UsageError
from dsp.lanes import Lane, LanesData, draw_lane, wave_peaks
from dsp.printing import print_take
from dsp.recipe import parse_recipe
from dsp.reference.examples import EXAMPLES
from dsp.steps.base import Decision
from dsp.summary import summarise
from dsp.take import Take

SECONDS, SHOWN_S = 6.0, 4.0
COLOURS = 48  # all that the picture needs, in a small file


@dataclass(frozen=True)
class Example:
    """What a step decided on its example, and the picture of it, a PNG file."""

    decision: Decision
    png: bytes


@cache
def demo_pair() -> Take:
    """The start of the demo take: the two microphones of its snare."""
    from dsp.demo import make_demo

    whole = make_demo(SECONDS).take
    return Take(whole.rate, {name: whole.tracks[name] for name in ("top", "bottom")})


def example(name: str) -> Example:
    """Run and draw the example of the step `name`. Raises `UsageError` where it has none."""
    if name not in EXAMPLES:
        raise UsageError(f"step {name} has no example in the reference")
    track, written = EXAMPLES[name]
    indented = written.replace("\n", "\n      ")
    steps = dict.fromkeys(("top", "bottom"), "[]")
    steps[track] = f"\n      - {indented}"
    listed = "".join(f"  {t}:\n    steps: {text}\n" for t, text in steps.items())
    recipe = parse_recipe(f"drumprint: 1\ntracks:\n{listed}", f"example of {name}")
    take = demo_pair()
    printed = print_take(take, recipe).tracks[track]
    (decision,) = printed.decisions
    shown = wave_peaks(take.tracks[track], 0, round(SHOWN_S * take.rate))
    lanes = LanesData(
        track=track,
        about="",
        rate=take.rate,
        frames=take.frames,
        before=shown,
        after=shown,
        hits=printed.hits,
        lanes=(Lane(name, summarise(decision.step), decision.curve),),
        start_s=0.0,
        stop_s=SHOWN_S,
        key=track,
        bleed_dbfs=None,
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "lane.png"
        draw_lane(path, lanes)
        return Example(decision, _small(path))


def _small(path: Path) -> bytes:
    """The picture with few colours, which is a small file."""
    from PIL import Image

    packed = io.BytesIO()
    with Image.open(path) as image:
        few = image.quantize(COLOURS, dither=Image.Dither.NONE)
        few.save(packed, format="PNG", optimize=True)
    return packed.getvalue()
