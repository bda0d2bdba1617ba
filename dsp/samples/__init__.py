# SPDX-License-Identifier: GPL-3.0-or-later
"""A drum's own samples: cut from single strokes, played again under the real ones."""
