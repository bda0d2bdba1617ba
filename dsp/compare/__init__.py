# SPDX-License-Identifier: GPL-3.0-or-later
"""Compare: variants of one take side by side, matched in loudness, measured, and on one page."""
