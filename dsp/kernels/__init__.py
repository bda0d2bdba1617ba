# SPDX-License-Identifier: GPL-3.0-or-later
"""Numba loops: arrays in, arrays out. Nothing here imports anything else of the package."""
