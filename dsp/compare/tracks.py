# SPDX-License-Identifier: GPL-3.0-or-later
"""One track of a comparison in all variants: measured, subtracted, its stretch cut out.

The raw track and one print are in memory at a time (three while two microphones, or two variants,
are held against each other); of each variant only the stretch that is compared is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from dsp.audio import TrackFile
from dsp.audio.writing import write_wav
from dsp.compare.difference import Difference, difference_format, subtract
from dsp.compare.excerpt import Excerpt
from dsp.compare.measuring import Measured, read_print, take_rows
from dsp.compare.phase import Alignment, alignment, microphones
from dsp.compare.prints import Prints
from dsp.curves import pack_arrays
from dsp.outputs import Writer
from dsp.take import Samples

DIFFERENCES = "differences"


@dataclass(frozen=True, eq=False)
class PairDifference:
    """The difference of two variants (places, 0 is raw) on one track, and its files."""

    first: int
    second: int
    track: str
    audio: str
    levels: str
    found: Difference


@dataclass(frozen=True, eq=False)
class TrackWork:
    """One track in all variants, raw first: stretch as printed, measures, how the print moved it.

    `moved` is how each print lies to the raw track; `lies` how the raw track lies to the raw
    reference track, and `sure` whether the strokes agree on that. None where it could not be
    measured.
    """

    cut: tuple[Samples, ...]
    rows: tuple[list[Measured], ...]
    moved: tuple[Alignment | None, ...]
    lies: Alignment | None
    sure: bool
    differences: tuple[PairDifference, ...]


@dataclass(frozen=True)
class TrackWorker:
    """Does the work on tracks. `pairs` are differences between variants that were asked for."""

    prints: Prints
    writer: Writer
    excerpt: Excerpt
    pairs: Sequence[tuple[int, int]]
    tell: Callable[[str], None]

    def run(self, track: str, reference: str) -> TrackWork:
        """Work on `track`; `reference` is the track to which delays are measured."""
        prints, hits = self.prints, self.prints.hits_of(track)
        self.tell(f"{track}: measuring raw")
        raw = prints.raw(track)
        first = read_print(raw.samples, hits)
        lies, sure = None, True
        if track != reference:
            lies, sure = microphones(prints.raw(reference).samples, raw.samples, hits)
        cut, readings, moved, differences = [], [], [], []
        for number, name in enumerate(prints.names):
            if prints.treated(number, track):
                self.tell(f"{track}: measuring {name}")
                file = prints.read(number, track)
                readings.append(read_print(file.samples, hits))
            else:
                file = raw
                readings.append(first)
            cut.append(file.samples[self.excerpt.start : self.excerpt.stop].copy())
            moved.append(alignment(raw.samples, file.samples, hits))
            if file is not raw:
                differences.append(self._difference((0, number), track, raw, file))
        for pair in self.pairs:
            self.tell(f"{track}: subtracting {pair_name(pair, prints.names)}")
            files = (prints.read(number, track) for number in pair)
            differences.append(self._difference(pair, track, *files))
        rows = tuple(take_rows(reading, first, hits.rate) for reading in readings)
        return TrackWork(tuple(cut), rows, tuple(moved), lies, sure, tuple(differences))

    def _difference(
        self, pair: tuple[int, int], track: str, first: TrackFile, second: TrackFile
    ) -> PairDifference:
        """Write a difference; the samples of `second` become it."""
        audio, levels = difference_names(pair, track, self.prints.names)
        found = subtract(first.samples, second.samples, first.rate)
        wav = difference_format(first.format, second.format)
        with self.writer.open(audio) as out:
            write_wav(out, second.samples, first.rate, wav, first.chunks, name=audio)
        self.writer.write_by_path(levels, lambda path: pack_arrays(path, found.arrays()))
        return PairDifference(*pair, track, audio, levels, found)


def pair_name(pair: tuple[int, int], names: Sequence[str]) -> str:
    """Name of the folder of a difference: added to the first, it gives the second."""
    return f"{names[pair[0]]}-to-{names[pair[1]]}"


def difference_names(pair: tuple[int, int], track: str, names: Sequence[str]) -> tuple[str, str]:
    """Names of a difference's audio and of its level over time, within the folder."""
    stem = f"{DIFFERENCES}/{pair_name(pair, names)}/{track}"
    return f"{stem}.wav", f"{stem}.levels.npz"
