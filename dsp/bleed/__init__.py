# SPDX-License-Identifier: GPL-3.0-or-later
"""Telling a drum from its bleed: band powers, the drum's own decay, the bleed's level, gains."""
