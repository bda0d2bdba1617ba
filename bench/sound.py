# SPDX-License-Identifier: GPL-3.0-or-later
"""Sound against known truth, on takes made from open recordings in a simulated room.

    python -m bench.sound                                  the ready recipe on all grooves
    python -m bench.sound --louder 6 --name sound_harsh    the same, with 6 dB more bleed
    python -m bench.sound open_hats --pictures pictures    one take, with pictures
    python -m bench.sound --processor mymodule:clean       any function clean(top, rate)

Run it from the project's root. Results go to `bench/results`.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

import numpy as np

from bench import bounds, hit_measures, measures, pictures, processors, report
from bench.report import Row
from bench.sound_tables import DAMAGE, SEPARATION, STROKES
from tests.open_takes import fetch, takes
from tests.open_takes.plans import DRUMS
from tests.open_takes.takes import OpenTake

READY = "recipe:chains/preclean.yaml"
WITH_OVERHEAD = Path("chains/preclean_witness.yaml")
RESULTS = Path(__file__).parent / "results"


def bound_rows(take: OpenTake) -> Row:
    """SI-SDR of the raw track and of the bounds."""
    clean, raw, bleed = take.snare["top"], take.tracks["top"], take.bleed["top"]
    gated, _ = bounds.tuned_gate(clean, raw, take.rate)
    after = measures.strokes(clean, raw, gated, take.arrivals(), take.rate)
    heads = [m.head for m, one in zip(after, take.strokes, strict=True) if one.ghost]
    return {
        "raw": measures.si_sdr(clean, raw),
        "gate": measures.si_sdr(clean, gated),
        "gate_ghosts_kept": measures.kept(heads, measures.GHOST_WITHIN_DB),
        "ideal_gain": measures.si_sdr(clean, bounds.ideal_gain(clean, raw, take.rate)),
        "ideal_mask": measures.si_sdr(clean, bounds.ideal_ratio_mask(clean, bleed, take.rate)),
        "raw_snr": measures.snr(clean, raw),
    }


def treated_rows(take: OpenTake, treated: processors.Treated) -> Row:
    """What the treatment did to bleed and drum."""
    clean, raw, done = take.snare["top"], take.tracks["top"], treated.done
    arrivals = take.arrivals()
    ghost = np.array([one.ghost for one in take.strokes])
    after = measures.strokes(clean, raw, done, arrivals, take.rate)
    before = measures.strokes(clean, raw, raw, arrivals, take.rate)
    ghosts = [one for one, soft in zip(after, ghost, strict=True) if soft]
    full = [one for one, soft in zip(after, ghost, strict=True) if not soft]
    raw_ghosts = [one.head for one, soft in zip(before, ghost, strict=True) if soft]
    raw_full = [one.head for one, soft in zip(before, ghost, strict=True) if not soft]
    si_sdr = measures.si_sdr(clean, done)
    return {
        "ours": si_sdr,
        "gain": si_sdr - measures.si_sdr(clean, raw),
        "ours_snr": measures.snr(clean, done),
        "gaps": measures.gap_reduction(clean, raw, done, take.rate),
        "under": measures.stroke_reduction(clean, raw, done, arrivals, take.rate),
        "ghosts_kept": measures.kept([one.head for one in ghosts], measures.GHOST_WITHIN_DB),
        "raw_ghosts_kept": measures.kept(raw_ghosts, measures.GHOST_WITHIN_DB),
        "full_kept": measures.kept([one.head for one in full], measures.FULL_WITHIN_DB),
        "raw_full_kept": measures.kept(raw_full, measures.FULL_WITHIN_DB),
        "ghost_own": _median(one.head_own for one in ghosts),
        "full_own": _median(one.head_own for one in full),
        "decay_own": _median(one.tail_own for one in after),
        "first_10": _median(one.first_10 for one in after),
        "first_40": _median(one.first_40 for one in after),
        **_alone(take, treated),
    }


def overhead_rows(take: OpenTake) -> Row:
    """What the ready recipe makes of the take where it may listen to the overhead."""
    others = {"overhead": take.tracks["overhead"]}
    treated = processors.run_recipe(WITH_OVERHEAD, take.tracks["top"], take.rate, others)
    row = treated_rows(take, treated)
    return {"overhead": row["ours"], "overhead_ghosts_kept": row["ghosts_kept"]}


def hit_rows(take: OpenTake, found: hit_measures.Found) -> Row:
    """How well the strokes were found."""
    others = np.array([one.arrival["top"] for one in take.others], dtype=np.int64)
    played = hit_measures.played_in(take)
    measured = asdict(hit_measures.measure(found, played, others, take.rate))
    return {key: float(value) for key, value in measured.items()}


def measure_take(
    take: OpenTake, process: processors.Processor, find: processors.Finder | None
) -> tuple[Row, processors.Treated]:
    """All measures of one take, and the treated track."""
    treated = process(take.tracks["top"].copy(), take.rate)
    if treated.done.shape != take.tracks["top"].shape:
        raise ValueError(f"{take.name}: {treated.done.shape} came out of a track of another length")
    row = {**bound_rows(take), **treated_rows(take, treated)}
    found = find(take.tracks["top"].copy(), take.rate) if find else treated.found
    if found is not None:
        row.update(hit_rows(take, found))
    return row, treated


def _alone(take: OpenTake, treated: processors.Treated) -> Row:
    """Drum and bleed followed through the same gains one by one."""
    if treated.same_gains is None:
        return {"drum_changed": math.nan, "bleed_alone": math.nan}
    clean, bleed = take.snare["top"], take.bleed["top"]
    drum, rest = treated.same_gains(clean), treated.same_gains(bleed)
    under = np.zeros(len(clean), dtype=np.bool_)
    for start in take.arrivals().tolist():
        under[start : start + round(measures.STROKE_S * take.rate)] = True
    bleed_down = -measures.level_change(bleed[under], rest[under])
    changed = measures.level_change(clean, drum - clean) if np.any(drum != clean) else -math.inf
    return {"drum_changed": changed, "bleed_alone": bleed_down}


def _median(values: Iterable[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return float(np.median(known)) if known else math.nan


def _arguments(given: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m bench.sound", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("takes", nargs="*", help="names, or parts of names; all when none")
    parser.add_argument("--set", choices=("grooves", "all", "optional"), default="grooves")
    parser.add_argument("--seed", type=int, default=0, help="another seed is another performance")
    parser.add_argument(
        "--louder", type=float, default=0.0, metavar="DB", help="all but the snare; 6: harsh takes"
    )
    parser.add_argument("--drum", choices=sorted(DRUMS), help="another drum plays every take")
    parser.add_argument("--processor", default=READY, help=processors.__doc__)
    parser.add_argument("--finder", help="`hits`, or MODULE:FUNCTION; else the processor's own")
    parser.add_argument("--pictures", type=Path, metavar="DIR", help="write a PNG per take")
    parser.add_argument("--results", type=Path, default=RESULTS, help="where tables are saved")
    parser.add_argument("--name", default="sound", help="name of the saved tables")
    parser.add_argument("--no-save", action="store_true", help="print only")
    return parser.parse_args(given)


def chosen(parts: list[str], which: str) -> list[str]:
    """Names of the set that contain any of `parts`; a part that fits none is looked up in all."""
    if not parts:
        return takes.names(which)
    known = list(dict.fromkeys([*takes.names("all"), *takes.names("optional")]))
    return [name for name in known if any(part in name for part in parts)]


def main(given: list[str] | None = None) -> int:
    """Run the bench; 0 when it ran, 1 when recordings are missing, 2 for wrong arguments."""
    asked = _arguments(given)
    names = chosen(asked.takes, asked.set)
    if not names:
        print(f"no take fits {' '.join(asked.takes)}", file=sys.stderr)
        return 2
    try:
        process = processors.processor(asked.processor)
        find = processors.finder(asked.finder) if asked.finder else None
    except (ValueError, ImportError, AttributeError) as fault:
        print(fault, file=sys.stderr)
        return 2
    rows: dict[str, Row] = {}
    for name in names:
        try:
            take = takes.make(name, asked.seed, asked.louder, asked.drum)
        except fetch.RecordingsMissingError as fault:
            print(fault, file=sys.stderr)
            return 1
        rows[name], treated = measure_take(take, process, find)
        if asked.processor == READY:
            rows[name].update(overhead_rows(take))
        if asked.pictures:
            _draw(take, treated, asked.pictures)
    tables = [SEPARATION, DAMAGE] + ([STROKES] if any("f" in row for row in rows.values()) else [])
    report.show(tables, rows)
    if not asked.no_save:
        about = (
            f"Made by `python -m bench.sound`; processor `{asked.processor}`, seed {asked.seed}, "
            f"bleed {asked.louder:+g} dB" + (f", drum `{asked.drum}`." if asked.drum else ".")
        )
        report.save(tables, rows, about, asked.results, asked.name)
    return 0


def _draw(take: OpenTake, treated: processors.Treated, folder: Path) -> None:
    clean = take.snare["top"]
    sounds = {
        "clean": clean,
        "raw": take.tracks["top"],
        "ours": treated.done,
        "ours − clean": treated.done - clean,
    }
    pictures.save(folder / f"{take.name}.png", take.name, take.rate, sounds, take.arrivals())


if __name__ == "__main__":
    raise SystemExit(main())
