# SPDX-License-Identifier: GPL-3.0-or-later
"""Every kernel against a slow, obvious twin."""
