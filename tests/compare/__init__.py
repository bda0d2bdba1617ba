# SPDX-License-Identifier: GPL-3.0-or-later
"""Comparing variants: loudness, matching, stretch, differences, measures, files."""
