# SPDX-License-Identifier: GPL-3.0-or-later
"""The hits file: what goes out comes back, edits count, and every fault is told with its place."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from dsp.errors import ListError, UsageError
from dsp.hits import find_hits
from dsp.hits.hits_file import UNKNOWN, hits_bytes, read_hits
from tests.cli.takes import RATE, strokes

FRAMES = 100_000


def written(folder: Path, text: str) -> Path:
    path = folder / "hits.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    hits = find_hits(strokes(), RATE)
    content = hits_bytes(hits)
    path = tmp_path / "hits.csv"
    path.write_bytes(content)
    given = read_hits(path, RATE, hits.frames)
    np.testing.assert_array_equal(given.onset, hits.onset)
    np.testing.assert_array_equal(given.velocity, hits.velocity)
    np.testing.assert_array_equal(given.ghost, hits.ghost)
    assert given.sha256 == hashlib.sha256(content).hexdigest()
    assert given.name == "hits.csv"


def test_rows_may_be_short_unordered_commented_and_by_time(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "\ufeff# by hand\r\ntime_s, sample ,ghost,velocity\r\n\r\n,9600,yes,\r\n"
        "0.1 s,,,127   # added, and loud\r\n# out: 0.15,,,\r\n0.3,14400\r\n",
    )
    given = read_hits(path, RATE, FRAMES)
    assert given.onset.tolist() == [4800, 9600, 14400]
    assert given.velocity.tolist() == [127, UNKNOWN, UNKNOWN]
    assert given.ghost.tolist() == [UNKNOWN, 1, UNKNOWN]


def test_a_file_without_rows_has_no_strokes(tmp_path: Path) -> None:
    assert len(read_hits(written(tmp_path, "sample\n"), RATE, FRAMES)) == 0


def test_all_faults_are_told_at_once_with_line_and_column(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "sample,time_s,velocity,ghost\n"
        "100000,,100,no\n"  # beyond the end
        "-5,,0,no\n"
        "4800,0.2,100,no\n"  # disagree
        "1.5,,100,maybe\n"
        ",,64,no\n"  # no place
        "4900,,64,no,surplus\n"
        "4900,,70,no\n"  # twice
        ",nan,70,no\n",
    )
    with pytest.raises(ListError) as refused:
        read_hits(path, RATE, FRAMES)
    places = [(fault.line, fault.path) for fault in refused.value.faults]
    assert places == [
        (2, "sample"),
        (3, "velocity"),
        (3, "sample"),
        (4, "time_s"),
        (5, "ghost"),
        (5, "sample"),
        (6, "sample"),
        (7, ""),
        (8, "sample"),
        (9, "time_s"),
    ]
    text = str(refused.value)
    assert text.startswith(f"{path}: 10 faults\n")
    assert "line 3, velocity: found '0'; accepted: a whole number from 1 to 127" in text
    assert "line 5, ghost: found 'maybe'; accepted: yes or no" in text
    assert refused.value.exit_status == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "found no header"),
        ("# nothing\n", "found no header"),
        ("velocity,ghost\n1,no\n", "line 1, sample or time_s: found no such column"),
        ("sample;velocity\n1;2\n", "line 1, sample;velocity: found no column of this name"),
        ("sample,loudness\n1,2\n", "line 1, loudness"),
        ("sample,sample\n1,2\n", "found twice"),
    ],
)
def test_a_wrong_header_is_told(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(ListError, match=said):
        read_hits(written(tmp_path, text), RATE, FRAMES)


def test_what_is_no_text_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="No such file"):
        read_hits(tmp_path / "none.csv", RATE, FRAMES)
    with pytest.raises(UsageError, match="accepted: a CSV file"):
        read_hits(tmp_path, RATE, FRAMES)
    (tmp_path / "audio.csv").write_bytes(b"RIFF\xff\xfe\x00")
    with pytest.raises(UsageError, match="byte 4 is not UTF-8"):
        read_hits(tmp_path / "audio.csv", RATE, FRAMES)
