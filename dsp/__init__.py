# SPDX-License-Identifier: GPL-3.0-or-later
"""drumprint: raw snare-drum microphone tracks in, mix-ready ones out, offline and repeatably.

The names below load on first use, so that `import dsp` costs nothing.

    import dsp
    take = dsp.Take(48_000, {"top": samples})        # float64 (frames, channels)
    done = dsp.print_take(take, dsp.load_recipe("snare.yaml"))
    done.tracks["top"].samples
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dsp.audio import TrackFile, read_track, write_track
    from dsp.compare.run import Comparison, compare_variants
    from dsp.compare.variants import FileVariant, RecipeVariant
    from dsp.curves import GainCurve, apply_curve
    from dsp.errors import AudioError, DrumprintError, OutputError, RecipeError, UsageError
    from dsp.hits import find_hits
    from dsp.hits.hitmap import HitMap
    from dsp.hits.hits_file import GivenHits, read_hits
    from dsp.printing import Print, TrackPrint, print_take
    from dsp.recipe import Recipe, dump_recipe, load_recipe, parse_recipe, ready_chain
    from dsp.rendering import PrintReport, render
    from dsp.samples.cutting import CutReport, cut
    from dsp.samples.following import FollowReport, follow
    from dsp.samples.layer_files import LayerReport, layer
    from dsp.samples.sample_set import SampleSet, load_set
    from dsp.steps import STEPS
    from dsp.take import Take

_HOMES = {
    "dsp.audio": ("TrackFile", "read_track", "write_track"),
    "dsp.compare.run": ("Comparison", "compare_variants"),
    "dsp.compare.variants": ("FileVariant", "RecipeVariant"),
    "dsp.curves": ("GainCurve", "apply_curve"),
    "dsp.errors": ("AudioError", "DrumprintError", "OutputError", "RecipeError", "UsageError"),
    "dsp.hits": ("find_hits",),
    "dsp.hits.hitmap": ("HitMap",),
    "dsp.hits.hits_file": ("GivenHits", "read_hits"),
    "dsp.printing": ("Print", "TrackPrint", "print_take"),
    "dsp.recipe": ("Recipe", "dump_recipe", "load_recipe", "parse_recipe", "ready_chain"),
    "dsp.rendering": ("PrintReport", "render"),
    "dsp.samples.cutting": ("CutReport", "cut"),
    "dsp.samples.following": ("FollowReport", "follow"),
    "dsp.samples.sample_set": ("SampleSet", "load_set"),
    "dsp.samples.layer_files": ("LayerReport", "layer"),
    "dsp.steps": ("STEPS",),
    "dsp.take": ("Take",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [  # noqa: RUF022 (by home, as above)
    "TrackFile",
    "read_track",
    "write_track",
    "Comparison",
    "compare_variants",
    "FileVariant",
    "RecipeVariant",
    "GainCurve",
    "apply_curve",
    "AudioError",
    "DrumprintError",
    "OutputError",
    "RecipeError",
    "UsageError",
    "find_hits",
    "HitMap",
    "GivenHits",
    "read_hits",
    "Print",
    "TrackPrint",
    "print_take",
    "Recipe",
    "dump_recipe",
    "load_recipe",
    "parse_recipe",
    "ready_chain",
    "PrintReport",
    "render",
    "CutReport",
    "cut",
    "FollowReport",
    "follow",
    "SampleSet",
    "load_set",
    "LayerReport",
    "layer",
    "STEPS",
    "Take",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its home; `AttributeError` for any other."""
    if name not in _HOME_OF:
        raise AttributeError(f"module 'dsp' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME_OF[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
