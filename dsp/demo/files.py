# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo take and its single strokes as files, its print, and the folder of short examples."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dsp.audio import Chunk, OutputSet, SampleFormat, build_bext
from dsp.audio.writing import write_wav
from dsp.demo.groove import TITLE
from dsp.demo.take import DemoTake, make_demo, make_singles
from dsp.recipe import load_recipe, ready_chain
from dsp.rendering import AUDIO, PrintReport, render
from dsp.take import Samples

if TYPE_CHECKING:
    from dsp.progress import Progress

RECIPE = "snare_pair"
PRINT = "print"
SINGLES, TRUTH, SET_PICTURE = "singles", "strokes.json", "snare.samples.png"
TIME_OF_DAY_S = 10 * 3600  # an invented session, at ten in the morning
EXAMPLE_SECONDS = 10.0
EXAMPLE_PICTURE_S = (0.0, 6.0)


def print_demo(
    folder: Path,
    *,
    seconds: float | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> PrintReport:
    """Write the demo take into `folder`, print its snare into `folder`/print; return the report.

    The single strokes that were played before it go into `folder`/singles, with their truth.
    `seconds` 1 to 120, None for the whole part. Raises `OutputError` where files exist already,
    unless `overwrite`.
    """
    files = write_demo(folder, seconds=seconds, overwrite=overwrite, progress=progress)
    write_singles(Path(folder) / SINGLES, overwrite=overwrite, progress=progress)
    recipe = load_recipe(ready_chain(RECIPE))
    snare = {track: files[track] for track in recipe.tracks}
    return render(recipe, snare, folder / PRINT, overwrite=overwrite, progress=progress)


def write_demo(
    folder: Path,
    *,
    seconds: float | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> dict[str, Path]:
    """Write the tracks of the demo take as 24-bit WAV files with `bext`; return them by name."""
    from dsp.demo.room import MICROPHONES

    folder = Path(folder)
    files = {name: folder / f"{name}{AUDIO}" for name in MICROPHONES}
    with OutputSet(files.values(), overwrite=overwrite) as outputs:
        if progress is not None:
            progress(0.0, "playing the demo take")
        _write_tracks(outputs, files, make_demo(seconds), TITLE)
    return files


def write_singles(
    folder: Path, *, overwrite: bool = False, progress: Progress | None = None
) -> dict[str, Path]:
    """Write the recording of single strokes, and what is known of each; return the tracks.

    `strokes.json` lists for each stroke its kind, its level in dB re a full one, and the first
    sample of its arrival in each microphone.
    """
    import json

    from dsp.demo.room import MICROPHONES

    files = {name: folder / f"{name}{AUDIO}" for name in MICROPHONES}
    with OutputSet([*files.values(), folder / TRUTH], overwrite=overwrite) as outputs:
        if progress is not None:
            progress(0.0, "playing single strokes")
        played = make_singles()
        _write_tracks(outputs, files, played, "Single strokes")
        strokes = [
            {"kind": one.kind, "level_db": round(one.level_db, 2), "arrival": dict(one.samples)}
            for one in played.strokes
        ]
        with outputs.open(folder / TRUTH) as out:
            out.write((json.dumps({"strokes": strokes}, indent=1) + "\n").encode())
    return files


def _write_tracks(
    outputs: OutputSet, files: Mapping[str, Path], played: DemoTake, title: str
) -> None:
    rate = played.take.rate
    for name, path in files.items():
        with outputs.open(path) as out:
            chunks = (_bext(f"{title}, {name} (synthetic)", rate),)
            write_wav(out, played.take.tracks[name], rate, PCM24, chunks, name=path.name)


PCM24 = SampleFormat("wav", "pcm24")


def _bext(about: str, rate: int) -> Chunk:
    return build_bext(
        about,
        "drumprint demo",
        "2026-01-01",
        "10:00:00",
        TIME_OF_DAY_S * rate,
    )


def make_examples(
    folder: Path, *, overwrite: bool = False, progress: Progress | None = None
) -> list[str]:
    """Write short raw and printed tracks as FLAC, with their pictures; return the file names."""
    import tempfile

    folder = Path(folder)
    with tempfile.TemporaryDirectory(prefix="drumprint-") as scratch:
        work = Path(scratch)
        files = write_demo(work, seconds=EXAMPLE_SECONDS, progress=progress)
        recipe = load_recipe(ready_chain(RECIPE))
        snare = {track: files[track] for track in recipe.tracks}
        start, stop = EXAMPLE_PICTURE_S
        report = render(recipe, snare, work / PRINT, from_s=start, to_s=stop, progress=progress)
        contents = {**_contents(work, tuple(files), report), SET_PICTURE: _cut_picture(work)}
    with OutputSet([folder / name for name in contents], overwrite=overwrite) as outputs:
        for name, content in contents.items():
            with outputs.open(folder / name) as out:
                out.write(content)
    return list(contents)


def _contents(work: Path, microphones: tuple[str, ...], report: PrintReport) -> Mapping[str, bytes]:
    from dsp.audio import read_track

    contents: dict[str, bytes] = {}
    for name in microphones:
        contents[f"{name}.raw.flac"] = flac(read_track(work / f"{name}{AUDIO}").samples)
    for name in report.files:
        path = report.folder / name
        if path.suffix == AUDIO:
            contents[f"{path.stem}.print.flac"] = flac(read_track(path).samples)
        else:
            contents[name] = path.read_bytes()
    contents["README.md"] = ABOUT.encode()
    return contents


def _cut_picture(work: Path) -> bytes:
    """Cut the single strokes into a set; return its picture."""
    from dsp.samples.cutting import cut
    from dsp.samples.set_files import picture_name

    singles = write_singles(work / SINGLES)
    microphones = {name: path for name, path in singles.items() if name != "bottom"}
    made = cut(microphones, work / "snare").samples
    return (made.folder / picture_name(made)).read_bytes()


def flac(samples: Samples) -> bytes:
    """Samples (frames, channels) at 48 kHz as a 24-bit FLAC file; exact, since they are 24-bit."""
    import io

    import soundfile as sf

    out = io.BytesIO()
    codes = np.rint(samples * 2**23).astype(np.int32) << 8
    sf.write(out, codes, 48_000, format="FLAC", subtype="PCM_24")
    return out.getvalue()


ABOUT = f"""# Examples

Everything in this folder was made by `drumprint demo`: an invented kit plays the first
{EXAMPLE_SECONDS:g} seconds of "{TITLE}", and `{RECIPE}` prints its snare. No recording of a real
drum is in it. All sound is 48 kHz, 24-bit, and starts at the same sample.

Strokes on a snare drum are short and loud: start listening at a low level, and turn up slowly.

| file | what it is |
|---|---|
| `top.raw.flac` | the microphone over the snare as it was recorded: drum, hi-hat, cymbals, kick |
| `top.print.flac` | the same, printed: bleed down, strokes even, ring tamed, more stick |
| `bottom.raw.flac` | the microphone under the snare as it was recorded |
| `bottom.print.flac` | the same, printed: wires open with the strokes, less stick, more length |
| `overhead.raw.flac`, `room.raw.flac` | the rest of the take, stereo; not treated |
| `top.lanes.png`, `bottom.lanes.png` | what each step did, up to {EXAMPLE_PICTURE_S[1]:g} seconds |
| `top.curves.npz`, `bottom.curves.npz` | the gain curves behind the pictures |
| `snare.samples.png` | a sample set of the drum, cut from its single strokes by `drumprint cut` |
| `print.json` | the print sheet: settings, measures before and after, notes |
| `resolved.yaml` | the recipe with every `auto` replaced by what it became |

`compare.png` shows the page that `drumprint compare` makes of such a take.

Listen to `top.raw.flac`, then to `top.print.flac`, then to both prints together with the overhead.

To make the folder anew: `drumprint demo --examples audio_examples --overwrite`.
"""
