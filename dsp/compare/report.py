# SPDX-License-Identifier: GPL-3.0-or-later
"""What a comparison found: as the page's contents, and as the JSON report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dsp.compare.contents import PageContents, PageVariant
from dsp.compare.findings import Findings, measure_rows, take_notes, variant_notes
from dsp.compare.sound import gained
from dsp.compare.tracks import PairDifference
from dsp.compare.variants import RAW
from dsp.version import version

REPORT_FORMAT = 1
AS_RECORDED = "The take as it was recorded"


def page_contents(found: Findings) -> PageContents:
    """The contents of the page."""
    prints = found.prints
    plan = prints.plan
    abouts = [AS_RECORDED, *(each.about for each in plan.variants)]
    variants = []
    for number, (name, about) in enumerate(zip(prints.names, abouts, strict=True)):
        gains = {sound: read[number].gain_db for sound, read in found.match.readings.items()}
        sounds = {
            sound: gained(several[number], gains[sound]) for sound, several in found.sounds.items()
        }
        notes = variant_notes(found, number)
        variants.append(PageVariant(name, about, gains, sounds, prints.lanes[number], notes))
    return PageContents(
        title=found.title,
        rate=plan.rate,
        start=found.excerpt.start,
        frames=found.excerpt.frames,
        listen=plan.sounds,
        variants=tuple(variants),
        hits={track: prints.hits_of(track) for track in plan.tracks},
        measures=tuple(measure_rows(found)),
        match=found.match.text,
        notes=tuple(take_notes(found)),
    )


def report(found: Findings, contents: PageContents, sizes: Mapping[str, int]) -> dict[str, Any]:
    """The report as plain data."""
    plan, excerpt = found.prints.plan, found.excerpt
    return {
        "compare": REPORT_FORMAT,
        "drumprint": version(),
        "title": found.title,
        "rate": plan.rate,
        "frames": plan.frames,
        "tracks": {
            track: {"file": plan.files[track].name, "key": plan.keys[track]}
            for track in plan.tracks
        },
        "stretch": {
            "start": excerpt.start,
            "frames": excerpt.frames,
            "from_s": excerpt.start / plan.rate,
            "to_s": excerpt.stop / plan.rate,
            "how": excerpt.how,
        },
        "match": {
            "text": contents.match,
            "by": dict(found.match.methods),
            "lowered_db": found.match.lowered_db,
        },
        "variants": [_variant(found, each, n) for n, each in enumerate(contents.variants)],
        "measures": [
            {
                "track": row.track,
                "name": row.name,
                "unit": row.unit,
                "meaning": row.meaning,
                "values": dict(zip(found.prints.names, row.values, strict=True)),
            }
            for row in contents.measures
        ],
        "differences": [
            _difference(each, found.prints.names)
            for work in found.works.values()
            for each in work.differences
        ],
        "notes": list(contents.notes),
        "files": dict(sorted(sizes.items())),
    }


def _variant(found: Findings, shown: PageVariant, number: int) -> dict[str, Any]:
    plan = found.prints.plan
    planned = plan.variants[number - 1] if number > 0 else None
    kind = RAW if planned is None else "recipe" if planned.recipe is not None else "file"
    return {
        "name": shown.name,
        "kind": kind,
        "about": shown.about,
        "treated": [] if planned is None else list(planned.treated),
        "folder": shown.name if kind == "recipe" else None,
        "match": {
            sound: {
                "gain_db": read[number].gain_db,
                "lufs": read[number].lufs,
                "true_peak_dbtp": read[number].true_peak_dbtp,
            }
            for sound, read in found.match.readings.items()
        },
        "notes": list(shown.notes),
    }


def _difference(each: PairDifference, names: tuple[str, ...]) -> dict[str, Any]:
    found = each.found
    return {
        "from": names[each.first],
        "to": names[each.second],
        "track": each.track,
        "audio": each.audio,
        "levels": each.levels,
        "rms_dbfs": found.rms_dbfs,
        "peak_dbfs": found.peak_dbfs,
        "relative_db": found.relative_db,
        "inexact_samples": found.inexact,
        "level": {"step_s": 1.0, "rms_dbfs": found.coarse_dbfs()},
    }
