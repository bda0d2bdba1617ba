# SPDX-License-Identifier: GPL-3.0-or-later
"""Tuning, strokes and strength against synthetic drums that are known exactly."""
