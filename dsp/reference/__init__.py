# SPDX-License-Identifier: GPL-3.0-or-later
"""The reference pages of the steps, made from their declarations.

`pages/` holds them as they are for the steps of this version; a test makes them anew and compares.
"""
