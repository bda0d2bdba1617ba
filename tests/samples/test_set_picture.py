# SPDX-License-Identifier: GPL-3.0-or-later
"""The picture of a set shows every stroke and every chosen one in every microphone."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.samples.cutting import cut_pieces, plan_set
from dsp.samples.pictures import build_figure, draw_set
from dsp.samples.survey import survey_strokes
from tests.samples import recordings

LEVELS = [level for level in (-36.0, -27.0, -18.0, -9.0, 0.0) for _ in range(3)]


@pytest.fixture(scope="module", params=[1, 3])
def drawn(request, tmp_path_factory):
    tracks = recordings.played(LEVELS, microphones=request.param)
    # Something that must be marked as useless: a second arrival.
    at = recordings.starts(len(LEVELS))[7] + 3000
    tracks["close"][at : at + 14_400] += 0.5 * recordings.stroke(np.random.default_rng(3))
    names = tuple(tracks)

    def read(name):
        return tracks[name][:, None]

    survey = survey_strokes(names, read, recordings.RATE, 5, 2)
    made = plan_set(names, survey, tmp_path_factory.mktemp("set"), 2)
    return made, survey, cut_pieces(made, survey, read)


def by_gid(figure):
    return {artist.get_gid(): artist for artist in figure.get_children() if artist.get_gid()}


def test_all_strokes_are_marked_by_what_became_of_them(drawn):
    made, survey, pieces = drawn
    parts = by_gid(build_figure(made, survey, pieces))
    count = {kind: len(parts[f"strokes.{kind}"].get_xdata()) for kind in
             ("chosen", "clean", "faulty")}  # fmt: skip
    assert count["chosen"] == 10
    assert count["faulty"] == sum(1 for fault in survey.fault if fault) >= 1
    assert sum(count.values()) == len(survey)
    heights = parts["strokes.chosen"].get_ydata()
    order = sorted(index for group in survey.chosen for index in group)
    assert (np.argsort(heights) == np.argsort(survey.level_dbfs[order])).all()


def test_every_sample_is_drawn_in_every_microphone(drawn):
    made, survey, pieces = drawn
    parts = by_gid(build_figure(made, survey, pieces))
    for sample in made.samples:
        for microphone in made.microphones:
            name = f"{sample.stage}.{sample.alternate} {microphone}"
            assert name in parts
            assert f"{name} arrival" in parts


def test_equal_pictures_are_equal_files(drawn, tmp_path):
    for name in ("a.png", "b.png"):
        draw_set(tmp_path / name, *drawn)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
