# SPDX-License-Identifier: GPL-3.0-or-later
"""Takes of a snare drum with known truth.

`names()` lists them and `make(name)` makes one: every microphone is the sum of the snare alone
and everything else alone, and each stroke's arrival at each microphone is known to the sample.
The same arguments give the same samples.
"""

import zlib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from tests.open_takes import grooves, room, sources, strokes, truth
from tests.open_takes.grooves import Note
from tests.open_takes.plans import ALL, DRUMS, GROOVES, LAYER_DB, LOUDNESS_DB, OPTIONAL, Plan
from tests.open_takes.truth import Other, Stroke

RATE = sources.RATE
MICROPHONES = room.MICROPHONES

NOISE_DB = -80.0
"""Level (RMS, dBFS) of the microphones' own noise; part of the bleed."""

TAIL_S = 0.6

WIRES_AT_HZ, WIRES_DB = 4000.0, 6.0
"""The bottom microphone hears the wires: the snare is brighter there."""

Sound = NDArray[np.float64]
Paths = dict[str, dict[str, room.Path]]


@dataclass(frozen=True)
class Played:
    """A note as played: its sound (frames,) begins at sample `at` of the dry take."""

    note: Note
    place: str
    at: int
    sound: Sound


@dataclass(frozen=True)
class OpenTake:
    """A take and its truth; every array is float64 (frames,).

    Attributes:
        tracks: what each microphone recorded: `snare` + `bleed`, exactly.
        snare: the snare alone, by microphone.
        bleed: everything else alone, by microphone.
        strokes: the snare's strokes, in order.
        others: strokes of the other voices, in order.
        bleed_gain_db: gain of the close microphones for everything that is not the snare, re
            microphones that hear equally in all directions.

    """

    name: str
    seed: int
    rate: int
    tracks: dict[str, Sound]
    snare: dict[str, Sound]
    bleed: dict[str, Sound]
    strokes: tuple[Stroke, ...]
    others: tuple[Other, ...]
    bleed_gain_db: float

    def arrivals(self, microphone: str = "top") -> NDArray[np.int64]:
        """First samples of all strokes at `microphone`, ascending."""
        return np.array([stroke.arrival[microphone] for stroke in self.strokes], dtype=np.int64)


def names(which: str = "all") -> list[str]:
    """Names of the takes: `grooves`, `all` (with flams and rolls) or `optional`."""
    return list({"grooves": GROOVES, "all": ALL, "optional": OPTIONAL}[which])


def make(name: str, seed: int = 0, louder_db: float = 0.0, drum: str | None = None) -> OpenTake:
    """Make the take `name`, everything but the snare louder than planned by `louder_db`.

    `drum` names one of `plans.DRUMS` that plays instead of the planned one.

    Raises:
        KeyError: no such take, or drum.
        RecordingsMissingError: the recordings it needs cannot be fetched.

    """
    plan = {**ALL, **OPTIONAL}[name]
    if drum is not None:
        snare_name, soft = DRUMS[drum]
        plan = replace(plan, snare=snare_name, soft=soft)
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    notes = sorted(_humanly(plan.groove(rng), rng), key=lambda note: note.at_s)
    paths = room.paths(room.Room(plan.walls))
    frames = round((notes[-1].at_s + TAIL_S) * RATE)
    played = _perform(notes, plan, rng)
    dry = _dry(played, frames)
    snare = {mic: _heard(dry, paths, mic, frames, snare=True) for mic in MICROPHONES}
    bleed = {mic: _heard(dry, paths, mic, frames, snare=False) for mic in MICROPHONES}
    gain = _bleed_gain(snare["top"], bleed["top"], plan.snare_over_bleed_db - louder_db)
    struck, others = _truths(played, paths, plan.snare, snare["top"] + gain * bleed["top"])
    tracks = {}
    for mic in MICROPHONES:
        if mic in ("top", "bottom"):
            bleed[mic] *= gain
        snare[mic], bleed[mic] = _recorded(snare[mic], bleed[mic], rng)
        tracks[mic] = snare[mic] + bleed[mic]
    gain_db = 20.0 * float(np.log10(gain))
    return OpenTake(name, seed, RATE, tracks, snare, bleed, struck, others, gain_db)


def _humanly(notes: list[Note], rng: np.random.Generator) -> list[Note]:
    """Notes a little early or late, unless they are exact."""
    made = []
    for note in notes:
        late = 0.0 if note.exact else float(rng.uniform(-grooves.LATE_S, grooves.LATE_S))
        made.append(Note(note.at_s + late, note.voice, note.level_db, note.kind, note.exact))
    return made


def _place(voice: str) -> str:
    """Where in the room a voice is."""
    if voice in ("snare", "side stick"):
        return "snare"
    if voice.startswith("tom"):
        return voice
    first = voice.split()[0]
    return {"splash": "crash"}.get(first, first)


def _struck(plan: Plan, level_db: float) -> Sound:
    """The recording that plays a stroke of the snare, with the energy of a full stroke."""
    full = sources.load(plan.snare)
    if plan.soft is None or level_db > LAYER_DB:
        return full
    soft = sources.load(plan.soft)
    return soft * float(np.sqrt(strokes.energy(full) / strokes.energy(soft)))


def _perform(notes: list[Note], plan: Plan, rng: np.random.Generator) -> list[Played]:
    """Every note played: the sound is the voice's own, at the loudness it has in the kit."""
    played = []
    for note in notes:
        is_snare = note.voice == "snare"
        source = _struck(plan, note.level_db) if is_snare else sources.load(note.voice)
        sound = strokes.play(source, note.level_db, rng)
        gain = 10.0 ** (LOUDNESS_DB.get(note.voice, 0.0) / 20.0)
        played.append(Played(note, _place(note.voice), round(note.at_s * RATE), sound * gain))
    return played


def _dry(played: list[Played], frames: int) -> dict[str, Sound]:
    """What sounds at each place of the kit, without the room."""
    dry: dict[str, Sound] = {}
    for one in played:
        track = dry.setdefault(one.place, np.zeros(frames))
        length = min(len(one.sound), frames - one.at)
        track[one.at : one.at + length] += one.sound[:length]
    return dry


def _truths(
    played: list[Played], paths: Paths, snare: str, top: Sound
) -> tuple[tuple[Stroke, ...], tuple[Other, ...]]:
    struck, others = [], []
    for one in played:
        arrival = {mic: one.at + path.delay for mic, path in paths[one.place].items()}
        if one.place == "snare":
            source = sources.load(snare if one.note.voice == "snare" else one.note.voice)
            struck.append(truth.stroke(one.note, arrival, one.sound, source, top))
        else:
            others.append(Other(arrival, one.note.voice, one.note.level_db))
    return tuple(struck), tuple(others)


def _heard(
    dry: dict[str, Sound],
    paths: Paths,
    microphone: str,
    frames: int,
    *,
    snare: bool,
) -> Sound:
    """The snare, or all the rest, at one microphone."""
    total = np.zeros(frames)
    for place, sound in dry.items():
        if (place == "snare") is snare:
            if snare and microphone == "bottom":
                sound = strokes.shelf(sound, WIRES_AT_HZ, WIRES_DB)
            total += oaconvolve(sound, paths[place][microphone].response)[:frames]
    return total


def _bleed_gain(snare: Sound, bleed: Sound, wanted_db: float) -> float:
    ratio = float(np.sum(np.square(snare)) / np.sum(np.square(bleed)))
    return float(np.sqrt(ratio / 10.0 ** (wanted_db / 10.0)))


def _recorded(snare: Sound, bleed: Sound, rng: np.random.Generator) -> tuple[Sound, Sound]:
    """Both stems at the level of the recording, whose peak is -6 to -3 dBFS, with noise added."""
    peak = float(np.max(np.abs(snare + bleed)))
    gain = 10.0 ** (rng.uniform(-6.0, -3.0) / 20.0) / peak
    noise = rng.standard_normal(len(bleed)) * 10.0 ** (NOISE_DB / 20.0)
    return snare * gain, bleed * gain + noise
