# SPDX-License-Identifier: GPL-3.0-or-later
"""The files of a sample set: what they are called, and how they are written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from dsp.audio import OutputSet, SampleFormat
from dsp.audio.writing import write_wav
from dsp.errors import DrumprintError
from dsp.outputs import Writer
from dsp.samples.sample_set import MANIFEST, SampleSet, load_set, manifest_bytes
from dsp.samples.sfz import sfz_text
from dsp.take import Samples

NORMAL_PEAK_DBFS = -1.0

Pieces = Mapping[str, Mapping[int, Samples]]
"""For each microphone, the samples (frames, channels) of each stroke by its place in the set."""


def plain(name: str) -> str:
    """A name that is safe in files of every system and in SFZ."""
    return "".join(c if c.isalnum() or c in "-_" else "_" for c in name)


def wav_name(name: str, stage: int, alternate: int, microphone: str) -> str:
    """Name of one sample's file."""
    return f"{name}_stage{stage}_alt{alternate}_{plain(microphone)}.wav"


def sfz_name(samples: SampleSet, microphone: str | None = None) -> str:
    """Name of the SFZ file with all microphones, or with one alone."""
    return f"{samples.name}_{plain(microphone)}.sfz" if microphone else f"{samples.name}.sfz"


def picture_name(samples: SampleSet) -> str:
    """Name of the set's picture."""
    return f"{samples.name}.png"


def set_files(samples: SampleSet) -> list[str]:
    """Names of all files of a set."""
    wavs = [name for sample in samples.samples for name in sample.files.values()]
    texts = [sfz_name(samples, microphone) for microphone in (None, *samples.microphones)]
    return [*wavs, *texts, MANIFEST, picture_name(samples)]


def refuse_existing(folder: Path) -> None:
    """Refuse a folder that holds a set already, before any work: raises `OutputError`."""
    if (folder / MANIFEST).exists():
        with OutputSet([folder / MANIFEST]):
            pass


def old_files(folder: Path) -> set[str]:
    """Names of the files of the set that is in a folder; none where it cannot be read as one."""
    try:
        return set(set_files(load_set(folder)))
    except DrumprintError:
        return set()


def normalised(samples: SampleSet, pieces: Pieces) -> SampleSet:
    """The set with each stroke's highest peak, over its microphones, at −1 dBFS."""

    def gain_db(index: int) -> float:
        peak = max(float(np.abs(piece[index]).max()) for piece in pieces.values())
        return round(NORMAL_PEAK_DBFS - 20 * float(np.log10(max(peak, 1e-15))), 3)

    made = [replace(one, gain_db=gain_db(i)) for i, one in enumerate(samples.samples)]
    return replace(samples, samples=tuple(made))


def write_samples(
    samples: SampleSet, pieces: Pieces, sample_format: SampleFormat, writer: Writer
) -> int:
    """Write all WAV files; return how many samples were limited to full scale."""
    clipped = 0
    for index, sample in enumerate(samples.samples):
        for microphone, name in sample.files.items():
            sound = pieces[microphone][index]
            if sample.gain_db:
                sound = sound * 10 ** (sample.gain_db / 20)
            with writer.open(name) as out:
                clipped += write_wav(out, sound, samples.rate, sample_format, name=name).clipped
    return clipped


def write_texts(samples: SampleSet, writer: Writer) -> None:
    """Write the manifest and the SFZ files."""
    writer.write(MANIFEST, manifest_bytes(samples))
    writer.write(sfz_name(samples), sfz_text(samples, samples.microphones).encode())
    for microphone in samples.microphones:
        writer.write(sfz_name(samples, microphone), sfz_text(samples, [microphone]).encode())
