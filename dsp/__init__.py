# SPDX-License-Identifier: GPL-3.0-or-later
"""drumprint: raw snare-drum microphone tracks in, mix-ready ones out, offline and repeatably."""
