# SPDX-License-Identifier: GPL-3.0-or-later
"""Put the page together: one document from `web/`, the data and the sounds.

The modules are ES modules in plain files. A page that opens from disk cannot import files, so they
are joined into one module: a line that imports is dropped, the word `export` before a declaration
too, and each file comes after those it imports. A name declared twice is then a syntax error.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from string import Template
from typing import Any

WEB = Path(__file__).parent / "web"
MAIN = WEB / "main.js"
STYLES = ("uplot/uPlot.min.css", "base.css", "parts.css")
LIBRARY = "uplot/uPlot.iife.min.js"
IMPORT = re.compile(r'^import \{[^}]*\} from "\./([\w.]+)";\n', re.MULTILINE)
EXPORT = re.compile(r"^export (?=(?:async )?(?:function|class|const|let)\b)", re.MULTILINE)


def assemble(title: str, data: Mapping[str, Any], blobs: Mapping[str, bytes], main: Path) -> bytes:
    """The whole document; `main` is the module that starts the page."""
    style = "\n".join((WEB / name).read_text("utf-8") for name in STYLES)
    library = (WEB / LIBRARY).read_text("utf-8")
    program = joined(main)
    policy = "; ".join(
        [
            "default-src 'none'",
            f"script-src {_hash(library)} {_hash(program)}",
            f"style-src {_hash(style)}",
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )
    page = Template((WEB / "page.html").read_text("utf-8")).substitute(
        title=html.escape(title),
        policy=policy,
        style=style,
        library=library,
        program=program,
        data=embedded_json(data),
        sounds="\n".join(_sound(name, file) for name, file in blobs.items()),
        licence=html.escape((WEB / "uplot" / "LICENSE").read_text("utf-8")),
    )
    return page.encode("utf-8", "replace")  # a file name may hold bytes that are no text


def embedded_json(data: Mapping[str, Any]) -> str:
    """JSON that cannot end the element it stands in, nor start another."""
    text = json.dumps(data, allow_nan=False, separators=(",", ":"))
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def joined(main: Path) -> str:
    """The program that starts with `main`: every module that it needs, once, as one module."""
    parts = [EXPORT.sub("", IMPORT.sub("", path.read_text("utf-8"))) for path in modules(main)]
    return "\n".join(parts)


def modules(main: Path) -> list[Path]:
    """The module and all that it imports, each after those that it needs itself."""
    found: dict[Path, None] = {}

    def visit(path: Path, above: tuple[Path, ...]) -> Iterator[Path]:
        if path in above:
            raise ValueError(f"{path.name}: imports itself through {above[-1].name}")
        for name in IMPORT.findall(path.read_text("utf-8")):
            beside = path.parent / name
            yield from visit(beside if beside.exists() else WEB / name, (*above, path))
        yield path

    found.update(dict.fromkeys(visit(main, ())))
    return list(found)


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def _sound(name: str, file: bytes) -> str:
    return (
        f'<script type="text/plain" id="{name}">{base64.b64encode(file).decode("ascii")}</script>'
    )
