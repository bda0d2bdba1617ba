# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes: load, validate, resolve, schema."""
