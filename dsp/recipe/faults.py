# SPDX-License-Identifier: GPL-3.0-or-later
"""Validation errors in the program's own words: the place, what was found, what is accepted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ValidationError

from dsp.errors import Fault
from dsp.recipe.declared import accepted_at, names_at
from dsp.recipe.item import FAULT
from dsp.recipe.scalars import nearest, shown
from dsp.recipe.tree import Document, Place, place_text

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

# Limits that a field declares through pydantic itself
LIMITS = {
    "too_short": "{min_length} or more",
    "too_long": "{max_length} at most",
    "string_too_short": "{min_length} or more characters",
    "string_too_long": "{max_length} characters at most",
    "string_pattern_mismatch": "text of the form {pattern}",
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "less_than": "less than {lt}",
    "less_than_equal": "{le} at most",
    "multiple_of": "multiples of {multiple_of}",
}


def read_faults(
    error: ValidationError, root: type[BaseModel], document: Document
) -> dict[Place, str]:
    """Translate pydantic's errors; choices of a union that all failed become one message."""
    found: dict[Place, list[str]] = {}
    for details in error.errors(include_url=False):
        place = document.known(details["loc"])
        if details["type"] == "missing":
            place = (*place, details["loc"][-1])
        if details["type"] == "too_short" and _spoiled_inside(document, place):
            continue  # what is missing was there, and its own fault is told
        message = _message(details, place, root)
        if message not in found.setdefault(place, []):
            found[place].append(message)
    return {place: " / ".join(messages) for place, messages in found.items()}


def as_fault(place: Place, message: str, document: Document) -> Fault:
    """Put the line to a place."""
    return Fault(document.line(place), place_text(place), message)


def _spoiled_inside(document: Document, place: Place) -> bool:
    return any(spoiled[: len(place)] == place for spoiled in document.spoiled)


def _message(details: ErrorDetails, place: Place, root: type[BaseModel]) -> str:
    kind, found, context = details["type"], details["input"], details.get("ctx", {})
    if kind in {"value_error", "assertion_error"}:
        return str(context["error"])
    if kind == FAULT:
        return details["msg"]
    if kind == "extra_forbidden":
        name = str(place[-1])
        return f"found the setting {shown(name)}; {nearest(name, names_at(root, place[:-1]))}"
    accepted = accepted_at(root, place)
    if kind == "missing":
        return f"found nothing; accepted: {accepted}"
    if kind in LIMITS:
        return f"found {_counted(kind, found)}; accepted: {LIMITS[kind].format(**context)}"
    return f"found {shown(found)}; accepted: {accepted or details['msg']}"


def _counted(kind: str, found: Any) -> str:
    """Say how many there are where that is what is wrong."""
    if kind in {"too_short", "too_long"} and isinstance(found, dict | list | tuple):
        return f"{len(found)} {'entry' if len(found) == 1 else 'entries'}"
    return shown(found)
