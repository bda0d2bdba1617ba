# SPDX-License-Identifier: GPL-3.0-or-later
"""Validation errors in the program's own words: the place, what was found, what is accepted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ValidationError

from dsp.errors import Fault
from dsp.recipe.declared import accepted_at, is_quantity_at, names_at
from dsp.recipe.item import FAULT
from dsp.recipe.scalars import LONGEST_SHOWN, nearest, shown
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


class NameFault(str):
    """A message about the name that stands at a place, not about the value under it."""


OWN_WORDS = frozenset({"value_error", "assertion_error"})  # a validator's message is in `ctx`


def read_faults(
    error: ValidationError, root: type[BaseModel], document: Document
) -> dict[Place, str]:
    """Translate pydantic's errors; of the choices of a union, the ones that say most are told."""
    found: dict[Place, dict[str, bool]] = {}
    for details in error.errors(include_url=False):
        place = document.known(details["loc"])
        if details["type"] == "missing":
            place = (*place, details["loc"][-1])
        if details["type"] == "too_short" and _was_longer(details, place, document):
            continue  # what is missing was there, and its own fault is told
        own_words = details["type"] in {*OWN_WORDS, FAULT}
        found.setdefault(place, {})[_message(details, place, root)] = own_words
    return {place: _told(messages) for place, messages in found.items()}


def _told(messages: dict[str, bool]) -> str:
    """Join the messages of one place; those in a setting's own words make the others idle."""
    best = [message for message, own_words in messages.items() if own_words] or list(messages)
    return best[0] if len(best) == 1 else "; or ".join(best)


def as_faults(found: dict[Place, str], document: Document) -> list[Fault]:
    """Put file and line to each place; a value that is used twice is told once."""
    faults: dict[tuple[str, int | None, Place, str], Fault] = {}
    for place, message in found.items():
        spot = document.spot(place, of_name=isinstance(message, NameFault))
        file = "" if spot.source == document.source else spot.source
        used = "" if spot.used is None else f" (used as {_used(*spot.used, spot.source)})"
        fault = Fault(spot.line, place_text(spot.place), f"{message}{used}", file)
        faults.setdefault((file, spot.line, spot.place, message), fault)
    return list(faults.values())


def _used(source: str, place: Place, here: str) -> str:
    return place_text(place) if source == here else f"{place_text(place)} of {source}"


def _was_longer(details: ErrorDetails, place: Place, document: Document) -> bool:
    if len(details["input"]) >= details["ctx"]["min_length"]:
        return True
    return any(spoiled[: len(place)] == place for spoiled in document.spoiled)


def _message(details: ErrorDetails, place: Place, root: type[BaseModel]) -> str:
    kind, found, context = details["type"], details["input"], details.get("ctx", {})
    accepted = accepted_at(root, place)
    if kind in OWN_WORDS:
        bare = _is_odd(found) and is_quantity_at(root, place)
        return f"found {shown(found)}; accepted: {accepted}" if bare else str(context["error"])
    if kind == FAULT:
        return details["msg"]
    if kind == "extra_forbidden":
        name = str(place[-1])
        near = nearest(name, names_at(root, place[:-1]))
        return NameFault(f"found the setting {shown(name)}; {near}")
    if kind == "missing":
        return f"found nothing; accepted: {accepted}"
    if kind in LIMITS:
        return f"found {_counted(kind, found)}; accepted: {LIMITS[kind].format(**context)}"
    return f"found {shown(found)}; accepted: {accepted or details['msg']}"


def _is_odd(found: Any) -> bool:
    """Whether a value is neither a number nor a text as long as one."""
    if isinstance(found, str):
        return len(found) > LONGEST_SHOWN
    return isinstance(found, bool) or not isinstance(found, int | float)


def _counted(kind: str, found: Any) -> str:
    """Say how many there are where that is what is wrong."""
    if kind in {"too_short", "too_long"} and isinstance(found, dict | list | tuple):
        return f"{len(found)} {'entry' if len(found) == 1 else 'entries'}"
    return shown(found)
