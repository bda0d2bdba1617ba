# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches that always run whole."""

from __future__ import annotations

import argparse
from collections.abc import Sequence


def nothing_but_help(prog: str, about: str | None, given: Sequence[str] | None) -> None:
    """Show `about` on --help and leave; refuse any other argument."""
    parser = argparse.ArgumentParser(prog=prog, description=about)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.parse_args(given)
