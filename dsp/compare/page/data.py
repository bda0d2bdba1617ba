# SPDX-License-Identifier: GPL-3.0-or-later
"""What the page is made from, as JSON and sound files."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from dsp.compare.contents import MeasureRow, PageContents, PageVariant
from dsp.compare.page.curves import lane_data
from dsp.compare.page.sound import Key, encode_sounds
from dsp.compare.table import shown
from dsp.errors import UsageError
from dsp.hits.hitmap import HitMap
from dsp.take import Samples

PAGE_BYTES = 14_200_000  # of data and sounds; the program adds 0.1 MB
SUM = "sum"
SAME = 1e-6  # −120 dBFS: under what a listener or the page's own samples can hold
Data = dict[str, Any]
Ids = dict[Key, str]


def page_data(contents: PageContents) -> tuple[Data, dict[str, bytes]]:
    """The JSON document and the sounds by the ids that it gives them.

    A sum that is just its tracks added, as printed, is left out: the page adds them itself.
    """
    _check(contents)
    summed = {i for i, variant in enumerate(contents.variants) if is_sum_of_tracks(variant)}
    sounds: dict[Key, Samples] = {
        (i, name): variant.sounds[name]
        for i, variant in enumerate(contents.variants)
        for name in contents.listen
        if not (name == SUM and i in summed)
    }
    ids = {key: f"sound-{number}" for number, key in enumerate(sounds)}
    data: Data = {
        "title": contents.title,
        "rate": contents.rate,
        "start": contents.start,
        "frames": contents.frames,
        "listen": list(contents.listen),
        "match": contents.match,
        "notes": list(contents.notes),
        "variants": [
            _variant(contents, i, variant, ids) for i, variant in enumerate(contents.variants)
        ],
        "hits": {track: _hits(hits, contents) for track, hits in contents.hits.items()},
        "measures": [_measure(row) for row in contents.measures],
    }
    room = PAGE_BYTES - len(json.dumps(data))
    data["bits"], files = encode_sounds(sounds, contents.rate, room * 3 // 4)  # base64: 4 for 3
    return data, {ids[key]: file for key, file in files.items()}


def is_sum_of_tracks(variant: PageVariant) -> bool:
    """Whether the sum, as printed, is the tracks of the variant added, as printed."""
    tracks = [name for name in variant.sounds if name != SUM]
    if SUM not in variant.sounds or len(tracks) < 2:
        return False
    total = variant.sounds[SUM] * _undo(variant, SUM)
    for name in tracks:
        if variant.sounds[name].shape != total.shape:
            return False
        total = total - variant.sounds[name] * _undo(variant, name)
    return bool(np.abs(total).max(initial=0.0) < SAME)


def _undo(variant: PageVariant, name: str) -> float:
    return float(10 ** (-variant.match_db[name] / 20))


def _check(contents: PageContents) -> None:
    if not contents.variants or not contents.listen:
        raise UsageError("page: found nothing to compare; accepted: at least one variant and sound")
    for variant in contents.variants:
        for name in contents.listen:
            shape = variant.sounds[name].shape
            if len(shape) != 2 or shape[0] != contents.frames or shape[0] == 0:
                raise UsageError(
                    f"page: variant {variant.name!r}, {name}: found samples of shape {shape}; "
                    f"accepted: ({contents.frames}, channels), at least one frame"
                )


def _variant(contents: PageContents, number: int, variant: PageVariant, ids: Ids) -> Data:
    stop = contents.start + contents.frames
    return {
        "name": variant.name,
        "about": variant.about,
        "notes": list(variant.notes),
        "match_db": {name: float(variant.match_db[name]) for name in contents.listen},
        "sounds": {name: ids.get((number, name)) for name in contents.listen},
        "lanes": {
            track: [lane_data(lane, contents.start, stop) for lane in lanes]
            for track, lanes in variant.lanes.items()
        },
    }


def _hits(hits: HitMap, contents: PageContents) -> Data:
    inside = (hits.onset >= contents.start) & (hits.onset < contents.start + contents.frames)
    return {
        "onset": (hits.onset[inside] - contents.start).tolist(),
        "end": np.minimum(hits.end[inside] - contents.start, contents.frames).tolist(),
        "strength_db": [number(value) for value in hits.strength_db[inside]],
        "ghost": hits.ghost[inside].tolist(),
    }


def _measure(row: MeasureRow) -> Data:
    return {
        "track": row.track,
        "name": row.name,
        "unit": row.unit,
        "meaning": row.meaning,
        "values": [None if value is None else shown(value, row.unit) for value in row.values],
    }


def number(value: float) -> float | None:
    """The number for JSON, None where it is not finite."""
    return round(float(value), 6) if math.isfinite(value) else None
