# SPDX-License-Identifier: GPL-3.0-or-later
"""The command `drumprint`: one file per command, loaded only when it is asked for."""

from __future__ import annotations

from dsp.cli.app import app, main

__all__ = ["app", "main"]
