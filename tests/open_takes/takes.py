# SPDX-License-Identifier: GPL-3.0-or-later
"""Takes of a snare drum with known truth.

`names()` lists them and `make(name)` makes one: every microphone is the sum of the snare alone
and everything else alone, and each stroke's arrival at each microphone is known to the sample.
The same name and seed give the same samples.
"""

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from tests.open_takes import grooves, room, sources, strokes
from tests.open_takes.grooves import Note

RATE = sources.RATE
MICROPHONES = room.MICROPHONES

LIGHT_DB, USUAL_DB, HEAVY_DB, WORST_DB = 12.0, 6.0, 1.0, -3.0
"""Energy of the snare re everything else on the top microphone, over the whole take, dB."""

NOISE_DB = -80.0
"""Level (RMS, dBFS) of the microphones' own noise; part of the bleed."""

TAIL_S = 0.6

_LOUDNESS_DB = {
    # how loud a full stroke is, as a peak at equal distance, re a full stroke of the snare
    "hat closed": -9.0,
    "hat closed two": -9.0,
    "hat pedal": -14.0,
    "hat open": -4.0,
    "crash": 2.0,
    "crash two": 2.0,
    "splash": 0.0,
    "ride": -4.0,
    "ride two": -4.0,
    "china": 0.0,
    "kick": 2.0,
    "kick two": 4.0,
    "tom high": 0.0,
    "tom mid": 0.0,
    "tom low": 0.0,
}

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Plan:
    """How a take is made.

    Attributes:
        groove: what is played.
        snare: the recording that plays the snare's strokes.
        snare_over_bleed_db: energy ratio on the top microphone; it sets how much of the other
            voices the close microphones pick up.
        walls: energy absorption of the room's walls.
        optional: true when it needs the optional package.
    """

    groove: grooves.Groove
    snare: str
    snare_over_bleed_db: float
    walls: float = 0.45
    optional: bool = False


_G = grooves
GROOVES: dict[str, Plan] = {
    "backbeat_ghosts": Plan(_G.backbeat_ghosts, "snare soft", USUAL_DB),
    "fast_alternating": Plan(_G.fast_alternating, "snare generic tight", USUAL_DB),
    "open_hats": Plan(_G.open_hats, "snare soft", HEAVY_DB),
    "slow_crashes": Plan(_G.slow_crashes, "snare generic", HEAVY_DB),
    "ride_groove": Plan(_G.ride_groove, "snare soft low", USUAL_DB, 0.6),
    "tom_fills": Plan(_G.tom_fills, "snare generic tight", HEAVY_DB),
    "loud_kick": Plan(_G.loud_kick, "snare soft", USUAL_DB),
    "nearly_clean": Plan(_G.nearly_clean, "snare soft low", LIGHT_DB),
    "tuned_high": Plan(_G.tuned_high, "snare soft high", USUAL_DB),
    "tom_unison": Plan(_G.tom_unison, "snare generic", USUAL_DB, 0.6),
    "everything_loud": Plan(_G.everything_loud, "snare soft", WORST_DB, 0.3),
    "half_time": Plan(_G.half_time, "snare generic", LIGHT_DB),
}
"""The takes that main bars are taken on."""

ALL: dict[str, Plan] = {
    **GROOVES,
    "flams": Plan(_G.flams, "snare soft", USUAL_DB),
    "roll": Plan(_G.roll, "snare soft", USUAL_DB),
}
"""`GROOVES` and what no groove has: flams and rolls."""

OPTIONAL: dict[str, Plan] = {
    "ambient_backbeat": Plan(_G.backbeat_ghosts, "snare ambient", USUAL_DB, optional=True),
    "ambient_toms": Plan(_G.tom_fills, "snare ambient two", HEAVY_DB, optional=True),
    "side_stick": Plan(_G.side_stick, "snare ambient", USUAL_DB, optional=True),
}
"""Takes that need the optional package."""


@dataclass(frozen=True)
class Stroke:
    """One stroke on the snare.

    Attributes:
        arrival: first sample of its direct sound, by microphone.
        level_db: energy of its first 60 ms re a full stroke, dB.
        peak_db: peak of its first 60 ms re a full stroke, dB.
        velocity: `level_db` as MIDI velocity, 1..127.
        ghost: whether it is a ghost note.
        kind: `stroke`, `grace`, `roll` or `side stick`.
    """

    arrival: dict[str, int]
    level_db: float
    peak_db: float
    velocity: int
    ghost: bool
    kind: str


@dataclass(frozen=True)
class Other:
    """One stroke of another voice: `arrival` as in `Stroke`, to the nearest sample."""

    arrival: dict[str, int]
    voice: str
    level_db: float


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


def make(name: str, seed: int = 0) -> OpenTake:
    """Make the take `name`.

    Raises:
        KeyError: no such take.
        RecordingsUnavailable: the recordings it needs cannot be fetched.
    """
    plan = {**ALL, **OPTIONAL}[name]
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    notes = sorted(_humanly(plan.groove(rng), rng), key=lambda note: note.at_s)
    paths = room.paths(room.Room(plan.walls))
    frames = round((notes[-1].at_s + TAIL_S) * RATE)
    dry, struck, others = _perform(notes, plan, paths, frames, rng)
    snare = {mic: _heard(dry, paths, mic, frames, snare=True) for mic in MICROPHONES}
    bleed = {mic: _heard(dry, paths, mic, frames, snare=False) for mic in MICROPHONES}
    gain = _bleed_gain(snare["top"], bleed["top"], plan.snare_over_bleed_db)
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


def _perform(
    notes: list[Note],
    plan: Plan,
    paths: dict[str, dict[str, room.Path]],
    frames: int,
    rng: np.random.Generator,
) -> tuple[dict[str, Sound], tuple[Stroke, ...], tuple[Other, ...]]:
    """Dry sound at each place, and the truth about every note."""
    dry: dict[str, Sound] = {}
    struck, others = [], []
    for note in notes:
        place = _place(note.voice)
        source = sources.load(plan.snare if note.voice == "snare" else note.voice)
        sound = strokes.play(source, note.level_db, rng)
        sound = sound * 10.0 ** (_LOUDNESS_DB.get(note.voice, 0.0) / 20.0)
        at = round(note.at_s * RATE)
        track = dry.setdefault(place, np.zeros(frames))
        length = min(len(sound), frames - at)
        track[at : at + length] += sound[:length]
        arrival = {mic: at + path.delay for mic, path in paths[place].items()}
        if place == "snare":
            struck.append(_stroke(note, arrival, sound, source))
        else:
            others.append(Other(arrival, note.voice, note.level_db))
    return dry, tuple(struck), tuple(others)


def _stroke(note: Note, arrival: dict[str, int], sound: Sound, source: Sound) -> Stroke:
    span = round(strokes.STRENGTH_S * RATE)
    peak = float(np.max(np.abs(sound[:span])) / np.max(np.abs(source[:span])))
    return Stroke(
        arrival=arrival,
        level_db=note.level_db,
        peak_db=20.0 * float(np.log10(peak)),
        velocity=strokes.velocity_of(note.level_db),
        ghost=note.level_db <= strokes.GHOST_BELOW_DB,
        kind=note.kind,
    )


def _heard(
    dry: dict[str, Sound],
    paths: dict[str, dict[str, room.Path]],
    microphone: str,
    frames: int,
    *,
    snare: bool,
) -> Sound:
    """The snare, or all the rest, at one microphone."""
    total = np.zeros(frames)
    for place, sound in dry.items():
        if (place == "snare") is snare:
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
