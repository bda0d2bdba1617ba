# SPDX-License-Identifier: GPL-3.0-or-later
"""Telling a drum from its bleed: the parts on their own."""
