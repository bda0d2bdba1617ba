# SPDX-License-Identifier: GPL-3.0-or-later
"""What a plain word in a recipe means.

Recipes read scalars by the core schema of YAML 1.2 (chapter 10.3.2), less its octal, hexadecimal,
infinite and not-a-number forms, and not by YAML 1.1: `on`, `off`, `yes` and `no` are words,
`1:30` is text and `1e3` is a number.
"""

from __future__ import annotations

import re

Scalar = None | bool | int | float | str

NULL = re.compile(r"^(?:|~|null|Null|NULL)$")
TRUE = re.compile(r"^(?:true|True|TRUE)$")
FALSE = re.compile(r"^(?:false|False|FALSE)$")
INTEGER = re.compile(r"^[-+]?[0-9]+$")
NUMBER = re.compile(r"^[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?$")
LONGEST_INTEGER = 18  # digits; what is longer is read as a float, and no setting goes that far
LONGEST_SHOWN = 60  # characters of a found value that a message repeats


def read_plain(text: str) -> Scalar:
    """Return the value of an unquoted scalar."""
    if NULL.fullmatch(text):
        return None
    if TRUE.fullmatch(text):
        return True
    if FALSE.fullmatch(text):
        return False
    if INTEGER.fullmatch(text) and len(text) <= LONGEST_INTEGER:
        return int(text)
    if NUMBER.fullmatch(text):
        return float(text)
    return text


def shown(found: object) -> str:
    """Say what was found, in the words of a message."""
    if found is None:
        return "nothing"
    if isinstance(found, bool):
        return "true" if found else "false"
    if isinstance(found, str):
        return repr(found if len(found) <= LONGEST_SHOWN else found[: LONGEST_SHOWN - 1] + "…")
    if isinstance(found, int | float):
        return repr(found)
    if isinstance(found, dict):
        return "a mapping" if found else "an empty mapping"
    if isinstance(found, list | tuple):
        return "a list" if found else "an empty list"
    return f"a {type(found).__name__}"


def nearest(found: str, accepted: list[str]) -> str:
    """Name the accepted word that `found` was most likely meant to be, else all of them."""
    import difflib  # only a faulty recipe pays for it

    close = difflib.get_close_matches(found[:LONGEST_SHOWN], accepted, 1)
    if close:
        return f"nearest accepted: {close[0]}"
    return f"accepted: {', '.join(accepted) or 'none'}"
