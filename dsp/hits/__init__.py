# SPDX-License-Identifier: GPL-3.0-or-later
"""Hits: the drum's tuning, every stroke with its onset and strength, and the bleed between."""
