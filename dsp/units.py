# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers with units, as recipes write them: `-38 dB`, `2.4 kHz`, `12 ms`, `0.7 oct`, `70 %`.

A quantity is a float in the setting's own unit, or one of a few words (`auto`, …) where the
setting allows them. The same declaration parses YAML and Python arguments, checks the range,
writes the JSON Schema and formats the value back.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

# What one of each accepted unit is worth in the unit on the left.
UNITS: dict[str, dict[str, float]] = {
    "dB": {"dB": 1.0},
    "dBFS": {"dBFS": 1.0, "dB": 1.0},
    "dBTP": {"dBTP": 1.0, "dB": 1.0},
    ":1": {":1": 1.0},
    "Hz": {"Hz": 1.0, "kHz": 1000.0},
    "ms": {"ms": 1.0, "s": 1000.0},
    "oct": {"oct": 1.0},
    "%": {"%": 1.0},
    "samples": {"samples": 1.0, "sample": 1.0},
}
WRITTEN = re.compile(
    r"^\s*([+\-−]?)\s*(\d+(?:\.\d*)?|\.\d+)(?:[eE]([+-]?\d+))?\s*([A-Za-z%]*|:\s*1)\s*$"
)


def format_quantity(value: float, unit: str) -> str:
    """Write `value` so that reading it back gives the very same float."""
    number = float(value)
    text = str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    if unit == ":1":
        return f"{text}:1"
    shown = "dB" if unit == "dBFS" else unit
    return f"{text} {shown}"


@dataclass(frozen=True)
class Quantity:
    """Declares a setting that is a number with a unit: `Annotated[float, Quantity("ms", 0, 500)]`.

    `low` and `high` are inclusive, in `unit`. `words` are accepted in place of a number.
    `whole` asks for an integer (counts of samples).
    """

    unit: str
    low: float
    high: float
    words: tuple[str, ...] = ()
    whole: bool = False

    def parse(self, found: Any) -> float | str:
        """Return the float in this unit, or the word. Raises ValueError: found and accepted."""
        if isinstance(found, str):
            word = found.strip()
            if word in self.words:
                return word
            value = self._parse_text(found)
        elif isinstance(found, bool) or not isinstance(found, int | float):
            raise ValueError(f"found {found!r}; accepted: {self.accepted}")
        else:
            value = float(found)
        if not math.isfinite(value) or not self.low <= value <= self.high:
            raise ValueError(f"found {found}; accepted: {self.accepted}")
        if self.whole and not value.is_integer():
            raise ValueError(f"found {found}; accepted: {self.accepted}, whole")
        return value

    def _parse_text(self, found: str) -> float:
        match = WRITTEN.match(found)
        if match is None:
            raise ValueError(f"found {found!r}; accepted: {self.accepted}")
        sign, digits, exponent, unit = match.groups()
        scale = UNITS[self.unit].get("".join(unit.split()) or self.unit)
        if scale is None:
            raise ValueError(f"found {found!r}, unit {unit!r}; accepted: {self.accepted}")
        value = float(digits + (f"e{exponent}" if exponent else "")) * scale
        return -value if sign in {"-", "−"} else value

    @property
    def accepted(self) -> str:
        """The accepted range and words, for messages and reference pages."""
        units = " or ".join(dict.fromkeys(u for u in UNITS[self.unit] if u != "sample"))
        words = "".join(f", or {word}" for word in self.words)
        if self.unit == ":1":
            return f"{self.low:g}:1 to {self.high:g}:1{words}"
        return f"{self.low:g} to {self.high:g} {self.unit} (write {units}){words}"

    def format(self, value: float | str) -> str:
        """The YAML text of a value of this setting."""
        return value if isinstance(value, str) else format_quantity(value, self.unit)

    def __get_pydantic_core_schema__(
        self, _source: Any, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.parse,
            serialization=core_schema.plain_serializer_function_ser_schema(self.format),
        )

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        units = "|".join(UNITS[self.unit])
        number = {"type": "number", "minimum": self.low, "maximum": self.high}
        digits = r"([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+\-]?[0-9]+)?"
        text = {"type": "string", "pattern": rf"^\s*[+\-−]?\s*{digits}\s*({units})?\s*$"}
        words = [{"enum": list(self.words)}] if self.words else []
        return {"anyOf": [number, text, *words], "x-unit": self.unit}
