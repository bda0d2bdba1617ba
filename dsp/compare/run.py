# SPDX-License-Identifier: GPL-3.0-or-later
"""Compare: from recipes, ready files and a take to the folder of a comparison.

Everything that can be refused without reading audio is refused first. All files appear together
at the end, or none does.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dsp.audio import OutputSet, SampleFormat
from dsp.audio.writing import write_wav
from dsp.compare.contents import PageContents
from dsp.compare.excerpt import Excerpt, busiest_excerpt, check_length, given_excerpt
from dsp.compare.findings import Findings
from dsp.compare.match import match
from dsp.compare.page import write_page
from dsp.compare.prints import Part, Prints, target_names
from dsp.compare.report import page_contents, report
from dsp.compare.sound import sounds_of
from dsp.compare.table import markdown
from dsp.compare.tracks import TrackWork, TrackWorker, difference_names
from dsp.compare.variants import RAW, Plan, Variant, plan
from dsp.outputs import Writer
from dsp.progress import Progress
from dsp.sheet import sheet_bytes
from dsp.take import Samples

REPORT, TABLE, PAGE = "compare.json", "measures.md", "page.html"
MATCHED = SampleFormat("wav", "pcm24")
PRINTING, MEASURED = 0.6, 0.95  # shares of the time, for the progress


@dataclass(frozen=True, eq=False)
class Comparison:
    """What a comparison wrote and found.

    `folder`, and the files in it with their sizes in bytes; `contents`: everything that its page
    shows, with the matched sounds; `report`: what `compare.json` holds.
    """

    folder: Path
    files: Mapping[str, int]
    contents: PageContents
    report: Mapping[str, Any]


def compare_variants(
    variants: Sequence[Variant],
    files: Mapping[str, Path],
    out_dir: Path,
    *,
    title: str = "",
    length_s: float | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    differences: Sequence[tuple[str, str]] = (),
    overwrite: bool = False,
    jobs: int = 1,
    allow_plugins: bool = False,
    progress: Progress | None = None,
) -> Comparison:
    """Print `variants` of the take in `files` (track → audio file) and compare them in `out_dir`.

    Writes each recipe's print into a folder of its name; what is added to the raw tracks to get
    each variant (`differences`; between other variants for the pairs of names in `differences`);
    the compared stretch of all, matched in loudness (`matched`); compare.json, measures.md and
    page.html, which holds the stretch to look at and listen to. It lasts `length_s` seconds, 20
    by default, and is the busiest, unless it is given by `from_s`, `to_s`. `jobs` tracks are
    printed at once. Plug-in files run only with `allow_plugins`.

    Raises `UsageError` for names, stretches and variants that cannot be, `AudioError` for unusable
    files or such that do not belong together, `OutputError` for outputs that exist (unless
    `overwrite`) or cannot be written. Then nothing is written.
    """
    files = {track: Path(path) for track, path in files.items()}
    planned = plan(variants, files)
    length = check_length(length_s, from_s, to_s)
    given = given_excerpt(planned.rate, planned.frames, length, from_s, to_s)
    pairs = _pairs(planned, differences)
    folder = Path(out_dir)
    targets = [folder / name for name in _targets(planned, pairs)]
    ready = [path for each in planned.variants for path in each.ready.values()]
    tell = progress or (lambda _share, _doing: None)
    with OutputSet(targets, inputs=[*files.values(), *ready], overwrite=overwrite) as outputs:
        prints = Prints(planned, outputs, folder)
        sizes = prints.make(jobs, allow_plugins, Part(tell, 0.0, PRINTING))
        excerpt = given or busiest_excerpt(prints.hits_of(planned.tracks[0]), length)
        writer = Writer(outputs, folder)
        works = _works(TrackWorker(prints, writer, excerpt, pairs, _counted(tell, planned, pairs)))
        tell(MEASURED, "matching")
        sounds = sounds_of(
            {track: work.cut for track, work in works.items()},
            lambda number: _parts(prints, works, excerpt, number),
        )
        hits = {sound: prints.hits_of(_own(sound, planned)) for sound in sounds}
        matched = match(sounds, hits, excerpt.start)
        title = title or f"{', '.join(prints.names[1:])} beside the raw take"
        found = Findings(title, prints, excerpt, works, sounds, matched)
        contents = page_contents(found)
        told = _write(writer, found, contents, sizes)
    return Comparison(folder, {**sizes, **writer.sizes}, contents, told)


def _pairs(planned: Plan, differences: Sequence[tuple[str, str]]) -> list[tuple[int, int]]:
    """The pairs by place, each once, without those that are made anyway."""
    pairs = [(planned.named(first), planned.named(second)) for first, second in differences]
    return [pair for pair in dict.fromkeys(pairs) if pair[0] > 0 or pair[1] == 0]


def _own(sound: str, planned: Plan) -> str:
    """The track at whose strokes a sound is measured; the sum's are those of the first."""
    return sound if sound in planned.tracks else planned.tracks[0]


def _parts(
    prints: Prints, works: Mapping[str, TrackWork], excerpt: Excerpt, number: int
) -> list[Samples]:
    """The stretches that make up the sum of a variant; a group's is cut out of its print."""
    return [
        works[name].cut[number]
        if name in works
        else prints.read(number, name).samples[excerpt.start : excerpt.stop].copy()
        for name in prints.summed(number)
    ]


def _works(worker: TrackWorker) -> dict[str, TrackWork]:
    tracks = worker.prints.plan.tracks
    return {track: worker.run(track, reference=tracks[0]) for track in tracks}


def _counted(
    tell: Progress, planned: Plan, pairs: Sequence[tuple[int, int]]
) -> Callable[[str], None]:
    """Progress over the measuring, by the number of things that it says."""
    count = len(planned.tracks) * (1 + len(planned.variants) + len(pairs))
    numbers = itertools.count()
    share = (MEASURED - PRINTING) / count
    return lambda doing: tell(min(PRINTING + share * next(numbers), MEASURED), doing)


def _targets(planned: Plan, pairs: Sequence[tuple[int, int]]) -> list[str]:
    """Names of all files, within the folder."""
    names = [RAW, *(each.name for each in planned.variants)]
    from_raw = [
        ((0, number), track)
        for number, each in enumerate(planned.variants, start=1)
        for track in each.treated
    ]
    asked = [(pair, track) for pair in pairs for track in planned.tracks]
    differences = [difference_names(pair, track, names) for pair, track in [*from_raw, *asked]]
    matched = [matched_name(name, sound) for name in names for sound in planned.sounds]
    return [*target_names(planned), *itertools.chain(*differences), *matched, REPORT, TABLE, PAGE]


def matched_name(variant: str, sound: str) -> str:
    """Name of a matched stretch, within the folder."""
    return f"matched/{variant}/{sound}.wav"


def _write(
    writer: Writer, found: Findings, contents: PageContents, sizes: Mapping[str, int]
) -> dict[str, Any]:
    """Write the matched stretches, the table, the page and the report; returns the report."""
    for variant in contents.variants:
        for sound, samples in variant.sounds.items():
            name = matched_name(variant.name, sound)
            with writer.open(name) as out:
                write_wav(out, samples, contents.rate, MATCHED, name=name)
    names = [variant.name for variant in contents.variants]
    table = markdown(contents.title, names, contents.measures, contents.match)
    writer.write(TABLE, table.encode())
    writer.write(PAGE, write_page(contents))
    told = report(found, contents, {**sizes, **writer.sizes})
    writer.write(REPORT, sheet_bytes(told))
    return told
