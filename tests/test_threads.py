# SPDX-License-Identifier: GPL-3.0-or-later
"""Work in chunks."""

import pytest

from dsp.threads import over_chunks


@pytest.mark.parametrize(("count", "size"), [(0, 4), (3, 4), (4, 4), (9, 4)])
def test_chunks_make_up_the_whole_each_once(count, size):
    seen = [0] * count

    def work(part):
        assert 0 < part.stop - part.start <= size
        for i in range(part.start, part.stop):
            seen[i] += 1

    over_chunks(work, count, size)
    assert seen == [1] * count


def test_a_fault_in_a_chunk_is_raised():
    def work(part):
        if part.start:
            raise ValueError("in the second")

    with pytest.raises(ValueError, match="in the second"):
        over_chunks(work, 2, 1)
