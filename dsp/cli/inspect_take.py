# SPDX-License-Identifier: GPL-3.0-or-later
"""`drumprint inspect` on several tracks: each by itself, and the microphones against each other."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dsp.cli.console import print_json, print_line
from dsp.cli.inspect import checked_name, facts, report
from dsp.errors import UsageError

if TYPE_CHECKING:
    from dsp.microphones import Pair


def inspect_take(files: Mapping[str, Path], as_json: bool, write: Path | None) -> None:
    """Report all tracks; microphones are measured against the first."""
    if write is not None:
        raise UsageError("--write proposes a recipe for one track; accepted: one FILE with it")
    for name in files:
        checked_name(name)
    from dsp.audio import read_track
    from dsp.hits import find_hits
    from dsp.instrument import with_doubts
    from dsp.microphones import compare_microphones
    from dsp.proposal import propose
    from dsp.sources import common_clock

    rate, _, _ = common_clock(files)
    (first, path), *others = files.items()
    reference = read_track(path)
    strokes = with_doubts(find_hits(reference.samples, rate), reference.samples)
    reports = {first: report(reference, strokes) | _proposed(propose(strokes), first)}
    told = {first: facts(reference, strokes)}
    pairs: dict[str, Pair] = {}
    for name, path in others:
        track = read_track(path)
        hits = with_doubts(find_hits(track.samples, rate), track.samples)
        reports[name] = report(track, hits) | _proposed(propose(hits), name)
        told[name] = facts(track, hits)
        pairs[name] = compare_microphones(reference.samples, track.samples, strokes)
    if as_json:
        listed = [
            {"track": name, "against": first, **pair.as_data(rate)} for name, pair in pairs.items()
        ]
        print_json({"tracks": reports, "microphones": listed})
        return
    for name, lines in told.items():
        print_line(f"{name}:")
        for line in lines:
            print_line(f"  {line}")
    show_pairs(pairs, first, rate)


def _proposed(proposal: Any, name: str) -> dict[str, Any]:
    return {"proposed": proposal.as_data(name)}


def show_pairs(pairs: Mapping[str, Pair], first: str, rate: int) -> None:
    """Print the microphones against the first one for people."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    from dsp.cli.console import console
    from dsp.microphones import LOW_MIDS_HZ

    low, high = LOW_MIDS_HZ
    print_line(f"\nmicrophones against {first}, from its clear full strokes:")
    table = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="dim")
    for heading in ("", "polarity", "hears it later by", "spread", "strokes", "sure"):
        table.add_column(heading, no_wrap=True)
    for name, pair in pairs.items():
        polarity = "opposite" if pair.inverted else "same"
        agreed = f"{round(pair.agreement * pair.strokes)} of {pair.strokes}"
        later = f"{pair.delay} samples, {1000 * pair.delay / rate:.2f} ms".replace("-", "−")
        sure = "yes" if pair.sure else "no"
        table.add_row(name, polarity, later, f"±{pair.spread:.1f}", agreed, sure)
    console().print(table)
    print_line(
        f"level of the sum with {first} in the low mids, {low:.0f} to {high:.0f} Hz, both equally "
        "loud there, in dB\n(+3: they add up; 0: as two strangers; below: they cancel):"
    )
    sums = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="dim")
    for heading in ("", "as it is", "inverted", "aligned", "aligned, inverted"):
        sums.add_column(heading, justify="right", no_wrap=True)
    for name, pair in pairs.items():
        sums.add_row(name, *(f"{db:+.1f}".replace("-", "−") for db in vars(pair.sums).values()))
    console().print(sums)
    print_line(
        "nothing is moved unless a recipe asks for it: "
        f"level: {{polarity: auto, delay: auto, against: {first}}}"
    )
