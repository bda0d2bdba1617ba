# SPDX-License-Identifier: GPL-3.0-or-later
"""The effects that pedalboard brings along, their settings and ranges, as pedalboard tells them.

Names, types and defaults are read from the signatures of its classes; ranges are those that its
constructors check. So nothing here has to be kept in step with a version of it.
"""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from dsp.recipe.scalars import nearest, shown
from dsp.units import UNITS, WRITTEN

Value = bool | float | str

# Bases and containers, which are no effects, and plug-in files, which `plugin` is for
NO_EFFECTS = ("Plugin", "ExternalPlugin", "IIRFilter", "VST3Plugin", "AudioUnitPlugin")
CONTAINERS = ("Chain", "Mix", "Pedalboard", "PluginContainer")
DECLARED = re.compile(r"(\w+): ([\w.]+(?:\[[^=]*\])?)(?: = (<[^>]*>|[^,)]+))?(?=, \w+:|\))")
UNIT_OF = {"_hz": "Hz", "_db": "dB", "_ms": "ms", "_seconds": "ms", "_rate": "Hz"}


@dataclass(frozen=True)
class Parameter:
    """A setting of an effect; `choices` are the names of an enumeration, empty for others.

    `default` is None where a value must be given.
    """

    name: str
    kind: str
    default: Value | None
    choices: tuple[str, ...] = ()

    def read(self, found: Any) -> Value:
        """The value as pedalboard wants it. Raises ValueError: found and accepted."""
        if self.choices:
            if found in self.choices:
                return str(found)
            raise ValueError(f"{self.name}: found {shown(found)}; {near(found, self.choices)}")
        if self.kind == "bool":
            if isinstance(found, bool):
                return found
            raise ValueError(f"{self.name}: found {shown(found)}; accepted: true or false")
        if self.kind == "str":
            if isinstance(found, str) and found:
                return found
            raise ValueError(f"{self.name}: found {shown(found)}; accepted: text")
        return self._number(found)

    def _number(self, found: Any) -> float:
        unit = next((u for ending, u in UNIT_OF.items() if self.name.endswith(ending)), "")
        value = found
        if isinstance(found, str) and (match := WRITTEN.match(found)):
            sign, digits, exponent, written = match.groups()
            scale = {**UNITS.get(unit, {}), "": 1.0}.get(written)
            if scale is not None:
                seconds = written and self.name.endswith("_seconds")
                value = float(digits + (f"e{exponent}" if exponent else "")) * scale
                value = (-value if sign in {"-", "−"} else value) / (1000 if seconds else 1)
        if isinstance(value, str | bool) or not math.isfinite(value):
            accepted = f"a number ({unit})" if unit else "a number"
            raise ValueError(f"{self.name}: found {shown(found)}; accepted: {accepted}")
        return float(value)


@cache
def effect_classes() -> dict[str, Any]:
    """The effects of the installed pedalboard by name, in order of the alphabet."""
    import pedalboard

    named = {name: getattr(pedalboard, name) for name in sorted(dir(pedalboard))}
    return {
        name: kind
        for name, kind in named.items()
        if isinstance(kind, type)
        and issubclass(kind, pedalboard.Plugin)
        and name not in (*NO_EFFECTS, *CONTAINERS)
        and not name.startswith("_")
    }


def check_effect(name: str) -> None:
    """Raises ValueError naming the nearest effect where there is none of that name."""
    if name not in effect_classes():
        raise ValueError(f"found the effect {shown(name)}; {near(name, effect_classes())}")


@cache
def parameters(effect: str) -> dict[str, Parameter]:
    """Settings of an effect by name, read from its constructor's signature."""
    signature = str(effect_classes()[effect].__init__.__doc__).splitlines()[0]
    found = {}
    for name, declared, default in DECLARED.findall(signature):
        if name not in {"self", "sample_rate"}:  # the rate is the take's, or the file's own
            kind = "str" if declared.startswith("Union[str") else declared
            found[name] = Parameter(name, kind, _default(default), tuple(_members(kind)))
    return found


def _members(kind: str) -> Mapping[str, Any]:
    """Names and values of an enumeration that pedalboard declares as `Effect.Name`."""
    owner, _, inner = kind.removeprefix("pedalboard_native.").partition(".")
    return getattr(effect_classes()[owner], inner).__members__ if inner else {}


def _default(written: str) -> Value | None:
    if match := re.fullmatch(r"<\w+\.(\w+): \d+>", written):
        return match.group(1)
    value = ast.literal_eval(written) if written else None
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def check_settings(effect: str, given: Mapping[str, Any]) -> dict[str, Value]:
    """Settings as the effect wants them, in its order. Raises ValueError telling all faults."""
    known = parameters(effect)
    faults = [f"found the setting {shown(name)}; {near(name, known)}" for name in given]
    faults = [fault for fault, name in zip(faults, given, strict=True) if name not in known]
    read = {}
    for name, parameter in known.items():
        if name not in given:
            if parameter.default is None:
                faults.append(f"{name}: found nothing; accepted: {_words(parameter)}")
            continue
        try:
            read[name] = parameter.read(given[name])
        except ValueError as error:
            faults.append(str(error))
    if not faults and "impulse_response_filename" not in read:
        faults = _refused(effect, read)
    if faults:
        raise ValueError("; ".join(faults))
    return read


def _refused(effect: str, settings: Mapping[str, Value]) -> list[str]:
    """What pedalboard itself has against the settings: it checks ranges when it is called."""
    try:
        make_effect(effect, settings)
    except (ValueError, TypeError, RuntimeError) as error:
        return [" ".join(str(error).split())]
    return []


def full_settings(effect: str, given: Mapping[str, Value]) -> dict[str, Value]:
    """The settings with pedalboard's defaults for what is not given."""
    named = parameters(effect).values()
    filled = {p.name: given.get(p.name, p.default) for p in named}
    return {name: value for name, value in filled.items() if value is not None}


def make_effect(effect: str, settings: Mapping[str, Value]) -> Any:
    """A new instance of the effect."""
    values: dict[str, Any] = dict(settings)
    for name, parameter in parameters(effect).items():
        if parameter.choices and name in values:
            values[name] = _members(parameter.kind)[str(values[name])]
    return effect_classes()[effect](**values)


def mix_ends(effect: str | None, opened: Any) -> dict[str, tuple[float, float]]:
    """Least and greatest value of the numbers that an effect can be set to, by name.

    Shares of pedalboard's own effects go from 0 to 1; a plug-in states its ranges.
    """
    if effect is not None:
        return dict.fromkeys(parameters(effect), (0.0, 1.0))
    ends = {}
    for name, parameter in getattr(opened, "parameters", {}).items():
        low, high = [*getattr(parameter, "range", ()), None, None][:2]
        if isinstance(low, int | float) and isinstance(high, int | float):
            ends[name] = (float(low), float(high))
    return ends


def _words(parameter: Parameter) -> str:
    if parameter.choices:
        return " or ".join(parameter.choices)
    return {"str": "text", "bool": "true or false"}.get(parameter.kind, "a number")


def near(found: Any, accepted: Any) -> str:
    """The accepted name that was most likely meant, whatever its capitals, or all of them."""
    plain = {name.casefold(): name for name in accepted}
    key = str(found).casefold()
    if key in plain:
        return f"nearest accepted: {plain[key]}"
    return nearest(str(found), list(accepted))
