# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes as text, as Python, as schema; and the ready ones."""
