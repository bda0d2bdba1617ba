# SPDX-License-Identifier: GPL-3.0-or-later
"""The page on which variants are looked at and listened to: one HTML file that needs nothing else.

Decisions:

- The file holds everything: sound, curves, style, program. Its content security policy forbids any
  request and any program but its own (by hash), so a name from a file cannot become markup or code.
- What the user named reaches the page as JSON and is shown as text.
- `web/` holds the page's sources as plain files. The modules are joined in the order of their
  imports; no tool but Python is needed to build the page, and the browser gets readable source.
- Curves, waveforms and levels are drawn with uPlot (MIT, `web/uplot`): 51 kB that draw tens of
  thousands of points in a frame, where the general plotting libraries of Python weigh megabytes
  and would make a page slow to open on a phone.
- Sound is FLAC with the most bits that keep the page small, see `sound.py`.
"""

from dsp.compare.contents import PageContents
from dsp.compare.page.assemble import MAIN, assemble
from dsp.compare.page.data import page_data

__all__ = ["write_page"]


def write_page(contents: PageContents) -> bytes:
    """The page as one HTML document, UTF-8.

    Raises `UsageError` where a sound is louder than full scale or has a shape other than the
    contents say. The same contents give the same bytes.
    """
    data, blobs = page_data(contents)
    return assemble(contents.title, data, blobs, MAIN)
