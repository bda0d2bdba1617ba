# SPDX-License-Identifier: GPL-3.0-or-later
"""Foreign effects: what pedalboard offers, how one is run, and how late it answers."""
