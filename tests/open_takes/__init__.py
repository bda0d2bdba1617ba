# SPDX-License-Identifier: GPL-3.0-or-later
"""Takes with known truth, made from open recordings in a simulated room."""
