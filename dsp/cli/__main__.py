# SPDX-License-Identifier: GPL-3.0-or-later
"""`python -m dsp.cli`: the command `drumprint` where it is not on the path."""

from dsp.cli.app import main

main()
