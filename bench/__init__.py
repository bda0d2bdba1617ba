# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches: sound against known truth, speed against general libraries."""
