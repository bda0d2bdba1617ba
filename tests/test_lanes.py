# SPDX-License-Identifier: GPL-3.0-or-later
"""The lanes picture: what is drawn is what the curves, waveforms and hit map say."""

import io
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from dsp.curves import FullBand, GainCurve, ShapedBand, ShapedBands, SplitBands, flat
from dsp.errors import UsageError
from dsp.hits.hitmap import HitMap
from dsp.lanes import Lane, LanesData, build_figure, draw_lanes, wave_peaks
from dsp.lanes.data import PLOT_COLUMNS, curve_columns
from dsp.lanes.picture import WIDTH
from dsp.lanes.scale import TimeScale, clock, gain_colors, gain_scale, hertz, signed

RATE = 48_000


def hit_map(onset, ghost, frames, rate=RATE, strength=None):
    onset = np.array(onset, dtype=np.int64)
    ghost = np.array(ghost, dtype=bool)
    level = np.where(ghost, -20.0, 0.0) if strength is None else np.array(strength)
    return HitMap(
        rate=rate,
        frames=frames,
        onset=onset,
        end=onset + 100,
        peak_dbfs=level - 6,
        strength_db=level,
        velocity=np.full(len(onset), 100),
        ghost=ghost,
        fundamental_hz=math.nan,
        bleed_dbfs=-40.0,
    )


def curve(at, db, frames, rate=RATE, layout=None):
    db = np.array(db, dtype=float)
    db = db[:, None] if db.ndim == 1 else db
    return GainCurve(rate, frames, np.array(at, dtype=np.int64), db, layout or FullBand())


def page(frames=4 * RATE, rate=RATE, lanes=(), hits=None, channels=1, samples=None, span=None):
    if samples is None:
        samples = np.random.default_rng(0).normal(0, 0.1, (frames, channels))
    start, stop = span or (0, frames)
    peaks = wave_peaks(samples, start, stop)
    return LanesData(
        track="top",
        about="a recipe",
        rate=rate,
        frames=frames,
        before=peaks,
        after=peaks,
        hits=hit_map([], [], frames, rate) if hits is None else hits,
        lanes=tuple(lanes),
        start_s=start / rate,
        stop_s=stop / rate,
        key="top",
        bleed_dbfs=-40.0,
    )


def five_steps(frames, rate=RATE):
    middle = frames // 2
    at = [0, middle, frames]
    bands = ShapedBands(
        (
            ShapedBand("ring", "bell", 540, 0.6, -7),
            ShapedBand("wires", "high shelf", 4000, 1.0, -15),
        )
    )
    split = SplitBands(tuple(np.geomspace(80, 14_000, 15)))
    return (
        Lane(
            "suppress_bleed",
            "reduction 18 dB",
            curve(at, np.full((3, 16), -18), frames, rate, split),
        ),
        Lane("ride_level", "share 60 %", curve(at, [0, 3, -2], frames, rate)),
        Lane(
            "dynamic_eq",
            "ring, wires",
            curve(at, [[0, -15], [-7, 0], [0, -15]], frames, rate, bands),
        ),
        Lane("gate", "range 60 dB", curve(at, [-60, 0, -60], frames, rate)),
        Lane("level", "gain 0 dB", flat(rate, frames)),
    )


def drawn(figure, gid):
    """The one artist of that name."""
    (artist,) = [
        a
        for a in [*figure.artists, *figure.lines, *figure.patches, *figure.images]
        if a.get_gid() == gid
    ]
    return artist


def has(figure, gid):
    artists = [*figure.artists, *figure.lines, *figure.patches, *figure.images]
    return any(a.get_gid() == gid for a in artists)


# Reducing


def test_wave_peaks_are_the_extremes_of_each_column():
    samples = np.random.default_rng(1).normal(0, 0.3, (10_007, 3))
    peaks = wave_peaks(samples, 100, 9_000, 77)
    edges = 100 + np.arange(78) * 8900 // 77
    for column in range(77):
        part = samples[edges[column] : edges[column + 1]]
        assert peaks.low[column] == part.min()
        assert peaks.high[column] == part.max()


def test_wave_peaks_of_fewer_samples_than_columns():
    peaks = wave_peaks(np.array([[0.5], [-0.25]]), 0, 2)
    assert peaks.low.tolist() == peaks.high.tolist() == [0.5, -0.25]
    assert len(peaks.fitted(10).low) == 10
    assert peaks.peak == 0.5


@pytest.mark.parametrize("span", [(0, 0), (5, 4), (-1, 4), (0, 11)])
def test_wave_peaks_refuse_a_range_outside(span):
    with pytest.raises(UsageError, match="accepted"):
        wave_peaks(np.zeros((10, 1)), *span)


def test_levels_hold_peaks_and_find_the_quiet():
    samples = np.full((RATE, 1), 0.01)
    samples[RATE // 2] = 1.0
    loud, quiet = wave_peaks(samples, 0, RATE).levels(RATE, 10)
    assert loud[5] == 0
    assert quiet == pytest.approx(np.full(10, -40))


def test_curve_columns_equal_the_slow_way():
    rng = np.random.default_rng(4)
    at = np.unique(rng.integers(0, 5_000, 300))
    shaped = curve(
        at,
        rng.normal(0, 6, (len(at), 2)),
        5_000,
        layout=ShapedBands(
            (ShapedBand("a", "bell", 200, 1, 3), ShapedBand("b", "bell", 400, 1, 3))
        ),
    )
    columns = curve_columns(shaped, 100.0, 4_900.0, 60)
    fine = 200
    for column in range(60):
        x = 100 + 80 * (column + np.arange(fine + 1) / fine)
        x = np.unique(np.concatenate([x, at[(at >= x[0]) & (at <= x[-1])]]))
        for band in range(2):
            y = np.interp(x, at, shaped.db[:, band])
            assert columns.low[column, band] == pytest.approx(y.min())
            assert columns.high[column, band] == pytest.approx(y.max())
            assert columns.mean[column, band] == pytest.approx(np.trapezoid(y, x) / 80)


def test_curve_columns_beyond_the_points_are_constant():
    columns = curve_columns(curve([500], [-3], 1000), 0, 1000, 7)
    assert (columns.low == -3).all()
    assert (columns.high == -3).all()
    assert columns.mean == pytest.approx(np.full((7, 1), -3))


# Scales


def test_words_on_axes():
    assert signed(-7.5) == "−7.5"
    assert signed(-0.04) == "0"
    assert signed(3) == "+3"
    assert hertz(196.4) == "196 Hz"
    assert hertz(2400) == "2.4 kHz"
    assert clock(75) == "1:15"
    assert clock(59.96, 0.1) == "1:00.0"
    assert clock(0.25, 0.05) == "0:00.25"


@pytest.mark.parametrize("span", [1e-4, 0.3, 4, 30, 240, 3600, 40_000])
def test_time_ticks_do_not_touch(span):
    ticks = TimeScale(0, span, 300, 300 + PLOT_COLUMNS).ticks()
    assert 2 <= len(ticks) <= 14
    assert np.diff([x for x, _ in ticks]).min() > 80 if len(ticks) > 1 else True
    assert len({words for _, words in ticks}) == len(ticks)


def test_gain_scales_have_equal_pixels_per_decibel_and_room_for_labels():
    one, other = gain_scale(-18, 0), gain_scale(-12, 6)
    assert one.height == other.height
    for low, high in [(-18, 0), (0, 0), (-0.1, 0), (0, 40), (-6, 6), (-100, 0)]:
        scale = gain_scale(low, high)
        rows = scale.y(np.array(scale.ticks()))
        assert 0.0 in scale.ticks()
        assert len(rows) == 1 or -np.diff(rows).max() >= 13
        assert scale.low <= low
        assert scale.high >= high


def test_gain_colors_get_darker_evenly():
    for sign in (-1, 1):
        light = gain_colors(sign * np.linspace(0, 18, 50), 18) @ [0.2126, 0.7152, 0.0722]
        assert (np.diff(light) < 0).all()
        assert light[0] - light[-1] > 180


# The page


def test_the_page_holds_every_lane_and_its_lowest_point():
    frames = 4 * RATE
    gate = curve([0, 96_000, 96_480, 144_000], [0, 0, -60, 0], frames)
    figure = build_figure(page(frames, lanes=[Lane("gate", "range 60 dB", gate)]))
    y = drawn(figure, "1 gate.all.mean").get_ydata()
    x = drawn(figure, "1 gate.all.mean").get_xdata()
    scale = gain_scale(-60, 0)
    depth = (y.max() - y.min()) / scale.height * (scale.high - scale.low)
    assert depth == pytest.approx(60, abs=1)
    lowest_s = (x[np.argmin(y)] - 300) / PLOT_COLUMNS * 4
    assert lowest_s == pytest.approx(2.01, abs=0.005)


def test_every_band_of_a_shaped_curve_has_a_line_and_a_split_curve_an_image():
    figure = build_figure(page(lanes=five_steps(4 * RATE)))
    for gid in ("2 ride_level.all", "3 dynamic_eq.ring", "3 dynamic_eq.wires", "4 gate.all"):
        assert len(drawn(figure, f"{gid}.mean").get_ydata()) == PLOT_COLUMNS
    pixels = drawn(figure, "1 suppress_bleed.heat").get_array()
    assert pixels.shape[1] == PLOT_COLUMNS
    assert (pixels == gain_colors(np.array(-18.0), 18)).all()
    assert not has(figure, "5 level.all.cut")


def test_full_strokes_stand_and_ghosts_hang_with_other_heads():
    frames = 4 * RATE
    hits = hit_map([0, 48_000, frames - 1], [False, True, False], frames, strength=[0, -20, -6])
    figure = build_figure(page(frames, hits=hits))
    full = [path.vertices for path in drawn(figure, "hits.full").get_paths()]
    (ghost,) = [path.vertices for path in drawn(figure, "hits.ghost").get_paths()]
    assert [stem[0, 0] for stem in full] == pytest.approx([300, 300 + PLOT_COLUMNS], abs=0.1)
    lengths = [stem[1, 1] - stem[0, 1] for stem in full]
    assert lengths[0] > lengths[1] > 0 > ghost[1, 1] - ghost[0, 1]
    shapes = {drawn(figure, f"hits.{kind}.heads").get_marker() for kind in ("full", "ghost")}
    assert len(shapes) == 2


def test_dense_strokes_are_ticks_without_heads():
    frames = 240 * RATE
    onset = np.arange(0, frames, RATE // 8)
    samples = np.zeros((1, 1))
    data = page(1, hits=hit_map(onset, onset % 4000 == 0, frames), samples=samples)
    figure = build_figure(replace(data, frames=frames, stop_s=240.0))
    assert has(figure, "hits.full")
    assert has(figure, "hits.ghost")
    assert not has(figure, "hits.full.heads")


def test_only_the_strokes_of_the_excerpt_are_drawn():
    frames = 4 * RATE
    hits = hit_map([100, 2 * RATE, 3 * RATE], [False] * 3, frames)
    figure = build_figure(page(frames, hits=hits, span=(RATE, 3 * RATE)))
    assert len(drawn(figure, "hits.full").get_paths()) == 1


def test_words_stay_on_the_page_and_apart():
    long = "a setting that is very long indeed and goes on, " * 12
    lanes = [Lane("step" * 20, long, step.curve) for step in five_steps(4 * RATE)]
    data = replace(page(lanes=lanes), about=long * 3, track="name" * 60)
    figure = build_figure(data)
    figure.canvas.draw()
    boxes = [
        text.get_window_extent() for text in figure.findobj(lambda a: hasattr(a, "get_fontsize"))
    ]
    assert len(boxes) > 40
    width, height = figure.canvas.get_width_height()
    for box in boxes:
        assert 0 < box.x0 <= box.x1 < width
        assert 0 < box.y0 <= box.y1 < height
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            across = min(one.x1, other.x1) - max(one.x0, other.x0)
            down = min(one.y1, other.y1) - max(one.y0, other.y0)
            assert across <= 0 or down <= 3  # boxes of lines 14 pixels apart overlap by descents


def words_of(figure):
    return {text.get_text() for text in figure.findobj(lambda a: hasattr(a, "get_fontsize"))}


def test_strokes_of_another_track_are_said_to_be_its_own():
    own, keyed = (words_of(build_figure(replace(page(), key=key))) for key in ("top", "bottom"))
    assert "no strokes found, bleed at −40 dBFS" in own
    assert "no strokes found on bottom, bleed at −40 dBFS" in keyed


def test_text_is_never_read_as_formulas_and_unknown_letters_become_boxes(tmp_path):
    data = replace(page(RATE // 10), track="$x_1$ \u4e2d", about="50 % \\frac{ $")
    draw_lanes(tmp_path / "a.png", data)
    texts = words_of(build_figure(data))
    assert "$x_1$ □" in texts


# The file


def rendered(data, path):
    draw_lanes(path, data)
    return path.read_bytes()


def test_bytes_are_the_same_each_time_and_in_every_thread(tmp_path):
    pages = [
        page(RATE // 2, lanes=five_steps(RATE // 2)),
        page(RATE, lanes=five_steps(RATE)[:2], hits=hit_map([9], [False], RATE)),
    ]
    alone = [rendered(data, tmp_path / "alone") for data in pages]
    with ThreadPoolExecutor(4) as pool:
        jobs = [pool.submit(rendered, pages[i % 2], tmp_path / f"{i}.part") for i in range(6)]
    assert [job.result() for job in jobs] == alone * 3
    assert alone[0] != alone[1]


def test_file_is_a_png_without_metadata(tmp_path):
    data = page(RATE // 2, lanes=five_steps(RATE // 2))
    image = Image.open(io.BytesIO(rendered(data, tmp_path / "x.tmp")))
    width, height = build_figure(data).canvas.get_width_height()
    assert image.format == "PNG"
    assert image.mode == "RGB"
    assert image.size == (width, height) == (WIDTH, height)
    assert image.info == {}


@pytest.mark.parametrize("frames", [1, 2, 3, 48])
def test_a_few_samples(frames, tmp_path):
    data = page(frames, lanes=five_steps(max(frames, 4)), samples=np.full((frames, 1), 0.5))
    assert rendered(data, tmp_path / "x.png")


def test_silence_and_an_empty_hit_map(tmp_path):
    frames = RATE // 4
    data = page(frames, samples=np.zeros((frames, 1)))
    data = replace(data, bleed_dbfs=None)
    assert rendered(data, tmp_path / "x.png")


def test_192_khz_and_many_channels(tmp_path):
    frames = 192_000
    hits = hit_map([0, 96_000], [False, True], frames, rate=192_000, strength=[-math.inf, 40])
    data = page(frames, 192_000, five_steps(frames, 192_000), hits, channels=6)
    assert rendered(data, tmp_path / "x.png")


def test_an_empty_range_is_refused():
    with pytest.raises(UsageError, match="accepted: a range within"):
        replace(page(100), stop_s=0.0)
