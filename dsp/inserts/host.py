# SPDX-License-Identifier: GPL-3.0-or-later
"""Opens a foreign effect and runs sound through it.

Decisions:

- The block size is fixed, and a sound shorter than a block is followed by silence, so that an
  effect never meets another size. Its state is cleared before each run.
- pedalboard works in 32-bit float. The caller takes the difference between what went in and what
  came out, so that what an effect leaves alone keeps all of its bits.
- What a program of somebody else gives back is checked: as many samples, all of them finite.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from dsp.errors import EffectError, UsageError
from dsp.inserts.effects import Value, make_effect, near
from dsp.take import Samples

BLOCK = 8192
LONGEST_SHOWN = 300  # characters of a foreign program's own message
Single = NDArray[np.float32]


class Processor(Protocol):
    """What pedalboard's effects can do, as far as it is used here."""

    def process(
        self, input_array: Single, sample_rate: float, buffer_size: int = ..., reset: bool = ...
    ) -> Single:
        """Treat sound (channels, frames); `reset` clears what an earlier run has left."""


def open_effect(effect: str | None, plugin: str | None, settings: Mapping[str, Value]) -> Processor:
    """A new instance of an effect of pedalboard's, or of a plug-in file, with its settings."""
    processor: Processor
    if plugin is None:
        try:
            processor = make_effect(str(effect), settings)
        except Exception as error:  # a file that it needs, above all
            raise EffectError(f"insert {effect}: {_said(error)}") from error
        return processor
    processor = load_plugin(plugin)
    set_parameters(processor, Path(plugin).name, settings)
    return processor


def load_plugin(path: str) -> Any:
    """Start a plug-in file. Raises `EffectError` where that fails, naming the file."""
    refuse_missing(path)
    from pedalboard._pedalboard import load_plugin as load

    try:
        return load(path)
    except Exception as error:
        raise EffectError(
            f"{path}: cannot be loaded as a plug-in ({_said(error)}); accepted: {kinds()}"
        ) from error


def kinds() -> str:
    """Which plug-in files the installed pedalboard can load."""
    import pedalboard

    units = hasattr(pedalboard, "AudioUnitPlugin")
    return "a VST3 plug-in" + (" or an Audio Unit" if units else "") + " for this system"


def refuse_missing(path: str) -> None:
    """Raise `UsageError` where there is no such plug-in file."""
    if not Path(path).exists():
        raise UsageError(f"{path}: no such plug-in file; accepted: {kinds()}")


def set_parameters(plugin: Any, name: str, settings: Mapping[str, Value]) -> None:
    """Give a plug-in its settings. Raises `UsageError` telling all that it does not accept."""
    faults = []
    for setting, value in settings.items():
        if setting not in plugin.parameters:
            faults.append(f"found the setting {setting!r}; {near(setting, plugin.parameters)}")
            continue
        try:
            setattr(plugin, setting, value)
        except Exception as error:
            faults.append(f"{setting}: found {value!r}; it says: {_said(error)}")
    if faults:
        raise UsageError(f"plug-in {name}: {'; '.join(faults)}")


def plugin_facts(plugin: Any, path: str) -> dict[str, Any]:
    """What tells this plug-in, and how it is set, for the print sheet."""
    parameters = getattr(plugin, "parameters", {})
    return {
        "plugin": str(getattr(plugin, "name", Path(path).stem)),
        "version": str(getattr(plugin, "version", "")),
        "sha256": file_sha256(Path(path)),
        "parameters": {name: plain(getattr(plugin, name, None)) for name in parameters},
    }


def effect_facts(settings: Mapping[str, Value]) -> dict[str, Any]:
    """What tells the file that an effect of pedalboard's reads, where it reads one."""
    file = settings.get("impulse_response_filename")
    return {"sha256": file_sha256(Path(str(file)))} if file else {}


def plain(value: Any) -> Value | None:
    """A parameter's value as JSON can hold it."""
    if value is None or isinstance(value, bool | str):
        return value
    try:
        return float(value)
    except (TypeError, ValueError):
        return str(value)


def file_sha256(path: Path) -> str:
    """Hash of a file, or of all files of a folder with their names, in order."""
    digest = hashlib.sha256()
    folder = path.is_dir()
    for file in sorted(path.rglob("*")) if folder else [path]:
        if file.is_file():
            if folder:
                digest.update(file.relative_to(path).as_posix().encode() + b"\0")
            digest.update(file.read_bytes())
    return digest.hexdigest()


def run(processor: Processor, sound: Samples, rate: int, latency: int, who: str) -> Single:
    """Sound (frames, channels) through an effect, `latency` samples taken off its start.

    Returns float32 of the same shape. Raises `EffectError` where the effect fails, gives fewer
    samples, or samples that are not finite; `who` names it.
    """
    frames, channels = sound.shape
    total = max(frames + max(latency, 0), BLOCK)
    given = np.zeros((channels, total), np.float32)
    given[:, :frames] = sound.T
    try:
        out = _processed(processor, given, rate)
    except Exception as error:
        raise EffectError(f"{who}: {_said(error)}") from error
    if out.shape != given.shape:
        raise EffectError(f"{who}: gave {out.shape} samples for {given.shape}; accepted: as many")
    if latency < 0:
        kept = np.zeros((channels, frames), np.float32)
        kept[:, -latency:] = out[:, : frames + latency]
    else:
        kept = out[:, latency : latency + frames]
    _refuse_not_finite(kept, who)
    return kept.T


def _processed(processor: Processor, given: Single, rate: int) -> Single:
    """One run. A plug-in that refuses one channel gets two alike; the mean is what it made."""
    try:
        return processor.process(given, float(rate), BLOCK, True)
    except ValueError:
        if len(given) > 1:
            raise
        pair = np.repeat(given, 2, axis=0)
        out: Single = processor.process(pair, float(rate), BLOCK, True).mean(axis=0, keepdims=True)
        return out


def _refuse_not_finite(kept: Single, who: str) -> None:
    bad = np.argwhere(~np.isfinite(kept))
    if len(bad):
        channel, frame = (int(i) for i in bad[0])
        raise EffectError(
            f"{who}: gave {kept[channel, frame]} at sample {frame} of channel {channel + 1}; "
            "accepted: finite samples"
        )


def _said(error: Exception) -> str:
    return " ".join(str(error).split())[:LONGEST_SHOWN] or type(error).__name__
