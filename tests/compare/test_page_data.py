# SPDX-License-Identifier: GPL-3.0-or-later
"""What goes into the page: sounds, curves, text."""

from __future__ import annotations

import base64
import io
import json
import re
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from dsp.compare.page import write_page
from dsp.compare.page.assemble import IMPORT, MAIN, WEB, embedded_json, joined, modules
from dsp.compare.page.curves import lane_data, thinned, window
from dsp.compare.page.data import is_sum_of_tracks, page_data
from dsp.compare.page.sound import encode, encode_sounds
from dsp.curves import GainCurve
from dsp.errors import UsageError
from dsp.lanes.data import Lane
from tests.compare.contents import FRAMES, RATE, START, contents, curve, lanes


def decoded(file: bytes) -> np.ndarray:
    return soundfile.read(io.BytesIO(file), dtype="float64", always_2d=True)[0]


@pytest.mark.parametrize("bits", [16, 18, 20, 24])
def test_a_sound_is_rounded_to_its_bits_with_dither(bits: int) -> None:
    rng = np.random.default_rng(bits)
    samples = rng.uniform(-0.9, 0.9, (48000, 2))
    error = (decoded(encode(samples, 48000, bits, "top")) - samples) * 2.0 ** (bits - 1)
    # TPDF dither and rounding: variances 1/6 and 1/12 of a step squared, bounds 1 and 1/2
    assert np.abs(error).max() <= 1.5 + 1e-6
    assert error.std() == pytest.approx(0.5, rel=0.02)
    assert abs(error.mean()) < 0.01


def test_equal_sounds_stay_equal_and_sounds_of_other_tracks_get_other_dither() -> None:
    silence = np.zeros((1000, 1))
    _, files = encode_sounds(
        {(0, "top"): silence, (1, "top"): silence, (1, "side"): silence}, 48000, 10**6
    )
    assert files[0, "top"] == files[1, "top"] != files[1, "side"]


def test_bits_are_as_many_as_fit_but_never_under_sixteen() -> None:
    sound = {(0, "top"): np.random.default_rng(0).uniform(-0.5, 0.5, (48000, 1))}
    full, files = encode_sounds(sound, 48000, 10**6)
    size = len(files[0, "top"])
    some, files = encode_sounds(sound, 48000, budget=size - 48000 // 4)
    assert full == 24
    assert 16 < some < 24
    assert len(files[0, "top"]) <= size - 48000 // 4
    assert encode_sounds(sound, 48000, budget=1000)[0] == 16


def test_the_page_stays_small_whatever_the_lanes_need(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = len(write_page(contents()))
    size = whole - 300_000
    monkeypatch.setattr("dsp.compare.page.data.PAGE_BYTES", size - 150_000)
    assert page_data(contents())[0]["bits"] < 24
    assert len(write_page(contents())) < size


def test_a_sound_over_full_scale_is_refused() -> None:
    loud = contents()
    variant = loud.variants[1]
    sounds = {**variant.sounds, "top": variant.sounds["top"] * 20}
    loud = replace(loud, variants=(loud.variants[0], replace(variant, sounds=sounds)))
    with pytest.raises(UsageError, match=r"variant 2, top: found a peak of .*; accepted"):
        write_page(loud)


def test_a_sound_of_another_length_is_refused() -> None:
    wrong = contents()
    with pytest.raises(UsageError, match=r"'raw', top: found samples of shape \(96000, 1\)"):
        write_page(replace(wrong, frames=FRAMES - 1))


def test_the_sum_is_left_out_only_where_it_is_just_the_tracks() -> None:
    made = contents()
    variant = made.variants[2]
    assert is_sum_of_tracks(variant)
    other = {**variant.sounds, "sum": variant.sounds["sum"] * 0.99}
    assert not is_sum_of_tracks(replace(variant, sounds=other))
    assert not is_sum_of_tracks(replace(variant, sounds={"top": other["top"]}))
    data, blobs = page_data(
        replace(made, variants=(*made.variants[:2], replace(variant, sounds=other)))
    )
    assert [v["sounds"]["sum"] is None for v in data["variants"]] == [True, True, False]
    assert len(blobs) == 7


def drawn(data: dict[str, object]) -> tuple[np.ndarray, np.ndarray]:
    at = np.frombuffer(base64.b64decode(str(data["at"])), "<i4")
    db = np.frombuffer(base64.b64decode(str(data["db"])), "<i2") / 100
    return at, db.reshape(len(at), -1)


@pytest.mark.parametrize("number", range(4))
def test_a_lane_is_its_curve_to_a_hundredth_of_a_decibel(number: int) -> None:
    lane = lanes(3)[number]
    at, db = drawn(lane_data(lane, START, START + FRAMES))
    assert at[0] == 0
    assert at[-1] == FRAMES
    where = np.arange(START, START + FRAMES + 1, 7)
    for band, wanted in zip(db.T, lane.curve.db_at(where).T, strict=True):
        assert np.abs(np.interp(where - START, at, band) - wanted).max() <= 0.005 + 1e-9


@pytest.mark.parametrize("bands", [1, 3])
def test_thinning_loses_no_extreme(bands: int) -> None:
    rng = np.random.default_rng(bands)
    at = np.sort(rng.choice(1_000_000, 200_000, replace=False))
    db = np.cumsum(rng.normal(0, 0.1, (200_000, bands)), axis=0)
    db[100_000, 0] = 40.0  # a move of a single point
    kept_at, kept = thinned(at, db, 0, 1_000_000, columns=1000 * bands)
    assert len(kept_at) <= 1000 * (2 + 2 * bands)
    assert np.isin(kept_at, at).all()
    for column in range(1000):
        mine = (at * 1000 // 1_000_000) == column
        left = (kept_at * 1000 // 1_000_000) == column
        np.testing.assert_array_equal(db[mine].min(axis=0), kept[left].min(axis=0))
        np.testing.assert_array_equal(db[mine].max(axis=0), kept[left].max(axis=0))


def test_a_curve_of_one_point_spans_the_excerpt() -> None:
    at, db = window(GainCurve(RATE, 100, np.array([50]), np.array([[-3.0]])), 10, 20)
    assert at.tolist() == [10, 20]
    assert db.tolist() == [[-3.0], [-3.0]]


def test_a_point_at_the_very_edge_is_there_once() -> None:
    made = curve(lanes(0)[1].curve.layout, 5)
    start, stop = int(made.at[3]), int(made.at[9])
    at, _ = window(made, start, stop)
    assert at.tolist() == made.at[3:10].tolist()


def test_json_cannot_leave_its_element() -> None:
    hard = {"name": "</script><!--<script> & \u2028 \ud800"}
    text = embedded_json(hard)
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == hard


def test_the_same_contents_give_the_same_bytes() -> None:
    assert write_page(contents()) == write_page(contents())


def test_a_name_that_is_no_text_is_shown_with_a_mark() -> None:
    assert b"<title>take ?.wav</title>" in write_page(contents(title="take \udcff.wav"))


def test_values_that_are_no_number_become_null() -> None:
    data, _ = page_data(contents())
    assert data["hits"]["top"]["strength_db"] == [0.0, -18.0, -3.0, None]
    assert len(data["hits"]["top"]["onset"]) == 4  # the fifth lies after the excerpt


def test_every_module_is_short_and_joined_once() -> None:
    parts = modules(MAIN)
    assert {path.name for path in parts} == {path.name for path in WEB.glob("*.js")}
    assert parts[-1] == MAIN
    for path in parts:
        assert len(path.read_text("utf-8").splitlines()) < 250, path.name
        assert path.read_text("utf-8").startswith("// SPDX-License-Identifier"), path.name
    program = joined(MAIN)
    assert not IMPORT.search(program)
    assert not re.search(r"^(import|export)\b", program, re.MULTILINE)


def test_a_lane_without_shapes_says_so() -> None:
    full, split, shaped = (lane_data(lanes(0)[i], START, START + FRAMES) for i in (1, 0, 2))
    assert "shapes" not in full
    assert split["crossovers_hz"] == [100.0, 400.0, 1600.0]
    assert [shape["shape"] for shape in shaped["shapes"]] == ["bell", "high shelf"]
    assert isinstance(lanes(0)[0], Lane)
