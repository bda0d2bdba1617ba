# SPDX-License-Identifier: GPL-3.0-or-later
"""Text of recipe files."""

from __future__ import annotations

from pathlib import Path

from dsp.recipe.document import LARGEST

ACCEPTED_FILE = "accepted: a recipe, a YAML file in UTF-8"


class UnreadableError(Exception):
    """A file that holds no text of a recipe; `line` is where it ends being one."""

    def __init__(self, message: str, line: int | None = None) -> None:
        super().__init__(message)
        self.message, self.line = message, line


def recipe_text(path: Path) -> str:
    """Return what a recipe's file says; raises `UnreadableError` with the reason."""
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise UnreadableError(f"no such file; {ACCEPTED_FILE}") from None
    except IsADirectoryError:
        raise UnreadableError(f"found a folder; {ACCEPTED_FILE}") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise UnreadableError(f"cannot be read ({reason}); {ACCEPTED_FILE}") from None
    if len(content) > LARGEST:
        raise UnreadableError(f"found more than {LARGEST} bytes; accepted: up to {LARGEST}")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{content[error.start]:02X} at position {error.start}"
        raise UnreadableError(f"found {found}, not UTF-8; {ACCEPTED_FILE}", line) from None
