# SPDX-License-Identifier: GPL-3.0-or-later
"""The print sheet: what went in, what was done with which settings, and what came out.

Decisions:

- No times, no paths beyond a file's own name, no number of workers: the same input and recipe give
  the same sheet, byte for byte, also when the recipe is the resolved one of an earlier print.
- Settings are written as a recipe writes them, each `auto` replaced by what it became.
- JSON knows no infinity and no NaN; both are null. Null for a level means digital silence.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from dsp.audio import TrackFile, bext_time_reference, describes_input
from dsp.audio.writing import WriteReport
from dsp.version import library_versions, version

if TYPE_CHECKING:
    from dsp.recipe import Recipe
    from dsp.session import TrackPrint
    from dsp.steps.base import Decision

SHEET_FORMAT = 1


@dataclass(frozen=True, eq=False)
class TrackOutcome:
    """What is kept of a track once its audio is written: `file` and `treated` hold no samples.

    Of a group, `file` is that of the first track in it.
    """

    file: TrackFile
    treated: TrackPrint
    key: str
    channels: int
    frames: int
    written: WriteReport
    output: str  # file name
    of: Mapping[str, float] | None = None  # members of a group, with their levels in dB


def print_sheet(
    recipe: Recipe, outcomes: Mapping[str, TrackOutcome], sha256: Mapping[str, str]
) -> dict[str, Any]:
    """The sheet as plain data. `recipe` is resolved; `sha256` the hashes of the files by name."""
    return {
        "sheet": SHEET_FORMAT,
        "drumprint": version(),
        "python": ".".join(str(part) for part in sys.version_info[:3]),
        "libraries": library_versions(),
        "about": recipe.about,
        "tracks": {n: _track(done) for n, done in outcomes.items() if done.of is None},
        "groups": {n: _track(done) for n, done in outcomes.items() if done.of is not None},
        "files": dict(sorted(sha256.items())),
    }


def sheet_bytes(sheet: Mapping[str, Any]) -> bytes:
    """The sheet as its JSON file."""
    text = json.dumps(finite(sheet), indent=2, ensure_ascii=False, allow_nan=False)
    return f"{text}\n".encode()


def finite(value: Any) -> Any:
    """The same structure with NaN and infinities replaced by None."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    return value


def _track(outcome: TrackOutcome) -> dict[str, Any]:
    treated, hits = outcome.treated, outcome.treated.hits
    return {
        **({"input": _input(outcome)} if outcome.of is None else _members(outcome)),
        "key": outcome.key,
        "strokes": {
            "count": len(hits),
            "ghosts": int(hits.ghost.sum()),
            "fundamental_hz": float(hits.fundamental_hz),
            "bleed_dbfs": float(hits.bleed_dbfs),
            **(_given(hits.given_by) if hits.given_by else {}),
        },
        "steps": [_step(decision) for decision in treated.decisions],
        "measures": {"before": asdict(treated.before), "after": asdict(treated.after)},
        "output": {
            "file": outcome.output,
            "peak_dbfs": outcome.written.peak_dbfs,
            "clipped": outcome.written.clipped,
        },
        "notes": track_notes(outcome),
    }


def _given(by: tuple[str, str]) -> dict[str, Any]:
    """The file that gave the strokes, where they were not found."""
    return {"given_by": {"file": by[0], "sha256": by[1]}}


def _step(decision: Decision) -> dict[str, Any]:
    """One step; `inner`, where there are steps inside it, holds theirs."""
    inner = {"inner": [_step(part) for part in decision.inner]} if decision.inner else {}
    return {
        "step": decision.step.name,
        "settings": decision.step.model_dump(mode="json"),
        "least_db": float(decision.curve.db.min()),
        "most_db": float(decision.curve.db.max()),
        "notes": list(decision.notes),
        **({"facts": dict(decision.facts)} if decision.facts else {}),
        **inner,
    }


def _members(outcome: TrackOutcome) -> dict[str, Any]:
    """What a group sums, with levels in dB, and where its format and metadata come from."""
    return {
        "of": dict(outcome.of or {}),
        "format_of": outcome.file.path.name,
        "rate": outcome.file.rate,
        "frames": outcome.frames,
        "channels": outcome.channels,
        "samples": outcome.file.format.subtype,
        "time_reference": bext_time_reference(outcome.file.chunks),
        "metadata": [chunk.id for chunk in outcome.file.chunks],
    }


def _input(outcome: TrackOutcome) -> dict[str, Any]:
    file = outcome.file
    return {
        "file": file.path.name,
        "sha256": file.sha256,
        "rate": file.rate,
        "frames": outcome.frames,
        "channels": outcome.channels,
        "container": file.format.container,
        "samples": file.format.subtype,
        "clipped": file.clipped,
        "time_reference": bext_time_reference(file.chunks),
        "metadata": [chunk.id for chunk in file.chunks],
    }


def track_notes(outcome: TrackOutcome) -> list[str]:
    """What a user should know before trusting the print, plainest first."""
    file, written = outcome.file, outcome.written
    notes = list(outcome.treated.hits.notes)
    if by := outcome.treated.hits.given_by:
        notes.append(f"strokes as {by[0]} gives them")
    if len(outcome.treated.hits) == 0:
        why = "; ".join(notes) or "no strokes found"
        notes = [f"{why}; steps that follow strokes did nothing"]
    if file.clipped:
        notes.append(f"the input is clipped: {file.clipped} samples lie in flat tops at full scale")
    if written.clipped:
        clips = f"the output clips: {written.clipped} samples were limited to full scale"
        less = max(math.ceil(written.peak_dbfs), 1)
        notes.append(f"{clips}; a last step `level: {{gain: -{less} dB}}` avoids it")
    if written.peak_dbfs > 0 and not written.clipped:
        notes.append(f"the output exceeds full scale: its peak is {written.peak_dbfs:+.2f} dBFS")
    if stale := describes_input(file.chunks):
        notes.append(f"metadata that still describes the input: {', '.join(stale)}")
    if file.left_behind:
        notes.append(f"metadata that WAV cannot hold was left: {', '.join(file.left_behind)}")
    return notes
