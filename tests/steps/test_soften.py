# SPDX-License-Identifier: GPL-3.0-or-later
"""soften: never above its ceiling, by meters that are not its own; clean where it does nothing."""

import numpy as np
import pytest
from scipy.signal import cheby2, resample_poly, sosfiltfilt

from dsp import soften_plan, softening
from dsp.steps.soften import Soften
from tests.open_takes import takes
from tests.steps.scenes import RATE, gain_db, scene_of, take_of, treated

# The interpolator of ITU-R BS.1770-5, Annex 2: phases 0 and 1, the others mirrored.
ITU = (
    (0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875,
     0.1373291015625, 0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250,
     0.0148925781250, -0.0083007812500),
    (-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500,
     0.4650878906250, 0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625,
     0.0330810546875, -0.0189208984375),
)  # fmt: skip
_, EMPTY = take_of([], [], seconds=0.01)


def decibels(x):
    return 20 * np.log10(np.abs(x).max())


def itu_dbtp(x):
    phases = [*ITU, ITU[1][::-1], ITU[0][::-1]]
    return max(decibels(np.convolve(x, phase)) for phase in phases)


def ideal_dbtp(x, factor=16):
    """Every frequency up to half the rate, by one long transform."""
    spectrum = np.fft.rfft(np.pad(x, 4096))
    size = (len(x) + 8192) * factor
    padded = np.zeros(size // 2 + 1, complex)
    padded[: len(spectrum)] = spectrum
    return decibels(np.fft.irfft(padded * factor, size))


def meters(x):
    """True peak at 4 times the rate, at 16 times, and by the standard's own filter."""
    return [decibels(resample_poly(x, 4, 1)), decibels(resample_poly(x, 16, 1)), itu_dbtp(x)]


def softened(x, **settings):
    audio = x if x.ndim == 2 else x[:, None]
    out, decision = treated(Soften(**settings), scene_of(audio, EMPTY))
    return (out if x.ndim == 2 else out[:, 0]), decision


# EBU Tech 3341 (v4, 2023), signals 15 to 19: divisor of the rate, phase, level, what a meter must
# show within +0.2 and −0.4 dB.
EBU = {15: (4, 0.0, 0.5, -6.0), 16: (4, 45.0, 0.5, -6.0), 17: (6, 60.0, 0.5, -6.0),
       18: (8, 67.5, 0.5, -6.0), 19: (4, 45.0, 1.41, 3.0)}  # fmt: skip


def ebu(number, rate=RATE):
    divisor, degrees, level, expected = EBU[number]
    n = np.arange(rate // 2)
    return level * np.sin(2 * np.pi * n / divisor + np.deg2rad(degrees)), expected


@pytest.mark.parametrize("number", EBU)
def test_the_test_signals_read_as_the_document_says(number):
    x, expected = ebu(number)
    fade = np.minimum(np.arange(len(x)), 480) / 480
    for found in meters(x * fade * fade[::-1]):
        assert -0.4 <= found - expected <= 0.2


@pytest.mark.parametrize("ceiling", [-1.0, -6.5, -9.0])
@pytest.mark.parametrize("number", EBU)
def test_never_above_the_ceiling_on_ebu_true_peak_signals(number, ceiling):
    x, _ = ebu(number)  # it begins and ends at once, which is harder than the document asks
    for settings in ({}, {"clip": 0}, {"knee": 0.5}, {"oversampling": 4}):
        out, _ = softened(x, ceiling=ceiling, **settings)
        assert max(*meters(out)) <= ceiling


def bursts(level, rate=RATE, seed=1):
    x = np.zeros(rate // 2)
    rng = np.random.default_rng(seed)
    for at in range(100, len(x) - 3000, 5000):
        x[at : at + 2400] = level / 3 * rng.standard_normal(2400)
    return x


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("level", [0.6, 1.0, 3.0])
def test_never_above_the_ceiling_on_noise_bursts(level, rate):
    x = bursts(level, rate)
    for settings in ({}, {"clip": 0, "lead": 0.5}, {"clip": 24}, {"knee": 0.5, "release": 1}):
        scene = scene_of(x[:, None], EMPTY)
        out, _ = treated(Soften(**settings), type(scene)(**{**vars(scene), "rate": rate}))
        assert max(*meters(out[:, 0])) <= -1.0


def test_never_above_the_ceiling_by_an_ideal_meter_where_a_converter_leaves_something():
    # what lies above 0.46 of the rate no meter agrees on, and no converter records
    x = sosfiltfilt(cheby2(12, 90, 0.92, output="sos"), bursts(2.0))
    for settings in ({}, {"clip": 0}, {"knee": 0.5}):
        out, _ = softened(x, **settings)
        assert ideal_dbtp(out) <= -1.0


@pytest.mark.parametrize("microphone", ["top", "overhead"])
def test_never_above_the_ceiling_on_open_recordings(microphone):
    x = takes.make("everything_loud").tracks[microphone][: 4 * RATE]
    for settings in ({}, {"knee": 0.5, "oversampling": 4}):
        out, _ = softened(8.0 * x / np.abs(x).max(), **settings)
        assert max(meters(out if out.ndim == 1 else out[:, 0])) <= -1.0


@pytest.fixture(scope="module")
def hot():
    """Strokes well over full scale, two channels."""
    audio, hits = take_of([0.0, 0.3, 0.5, 0.9], [6, -3, 9, 2], seconds=1.2, channels=2)
    audio[:, 1] *= 0.7
    return scene_of(audio, hits)


@pytest.mark.parametrize(
    "settings", [{}, {"ceiling": -12}, {"clip": 0, "lead": 5}, {"knee": 18}, {"clip": 24}]
)
def test_never_above_the_ceiling_on_strokes(hot, settings):
    out, decision = treated(Soften(**settings), hot)
    for channel in range(2):
        assert max(*meters(out[:, channel])) <= settings.get("ceiling", -1.0)
    assert max(meters(out[:, 0])) > settings.get("ceiling", -1.0) - 1.5  # nor needlessly low
    assert decision.curve.db.max() <= 0
    assert out.shape == hot.audio.shape


@pytest.mark.parametrize(("oversampling", "least_db"), [(4, 80), (8, 80), (16, 80)])
@pytest.mark.parametrize("level", [1.0, 2.0])
def test_aliasing_of_a_5_khz_sine_is_80_db_down(level, oversampling, least_db):
    x = level * np.sin(2 * np.pi * 5000 * np.arange(2 * RATE) / RATE + 0.3)
    out, _ = softened(x, oversampling=oversampling)
    steady = out[RATE // 2 : RATE // 2 + RATE]
    spectrum = np.abs(np.fft.rfft(steady * np.kaiser(RATE, 20)))
    alias = spectrum.copy()
    for harmonic in (0, 5000, 15_000):
        alias[max(harmonic - 40, 0) : harmonic + 41] = 0
    assert spectrum[15_000] > 1e-3 * spectrum.max()  # it does round
    assert 20 * np.log10(spectrum.max() / alias.max()) >= least_db


def test_under_the_start_not_a_bit_changes():
    audio, hits = take_of([0.1, 0.5], [-8, -9], seconds=0.9, bleed_dbfs=-50, channels=2)
    out, decision = treated(Soften(), scene_of(audio, hits))
    assert out.tobytes() == audio.tobytes()
    assert decision.curve.neutral
    assert decision.treatment is None


def test_between_loud_strokes_not_a_bit_changes():
    audio, hits = take_of([0.1, 0.7], [-3, -20], seconds=1.2, bleed_dbfs=-50)
    out, decision = treated(Soften(), scene_of(audio, hits))
    touched = np.flatnonzero(out != audio)
    # one stroke's loudest part, and the reach of the filter around it
    assert len(touched)
    assert touched.min() >= round(0.1 * RATE) - 80
    assert touched.max() < round(0.2 * RATE)
    loud = np.flatnonzero(np.abs(audio[:, 0]) > 10 ** (-7 / 20) / 1.5)
    assert touched.max() <= loud.max() + 80
    assert gain_db(decision, round(0.05 * RATE))[0] == 0
    assert gain_db(decision, round(0.7 * RATE))[0] == 0


def test_the_change_has_no_step_at_its_borders():
    # a click would be wide-band; what is added holds nothing above the low-pass
    audio, hits = take_of([0.1], [-3], seconds=0.5)
    out, _ = treated(Soften(clip=24), scene_of(audio, hits))
    assert np.abs(out - audio).max() > 0.005
    change = np.fft.rfft((out - audio)[:, 0], 1 << 16)
    hz = np.fft.rfftfreq(1 << 16, 1 / RATE)
    assert np.abs(change[hz > 23_900]).max() < 1e-4 * np.abs(change).max()


def test_nothing_moves_and_upside_down_is_the_same(hot):
    step = Soften(clip=24)
    out, _ = treated(step, hot)
    flipped, _ = treated(step, scene_of(-hot.audio, hot.hits))
    np.testing.assert_allclose(flipped, -out, atol=1e-12)
    # backwards in time: symmetrical filters, and no gain that moves where the clipper does all
    quiet = scene_of(hot.audio / 4, hot.hits)
    back = scene_of(np.ascontiguousarray(quiet.audio[::-1]), hot.hits)
    ahead, astern = treated(step, quiet)[0], treated(step, back)[0][::-1]
    assert np.abs(quiet.audio - ahead).max() > 0.003
    np.testing.assert_allclose(astern, ahead, atol=1e-7)


@pytest.mark.parametrize("block", [2, 5])
def test_blocks_do_not_matter(hot, block, monkeypatch):
    step = Soften(ceiling=-6)
    whole, decision = treated(step, hot)
    for module in (softening, soften_plan):
        monkeypatch.setattr(module, "BLOCK", block * softening.ANCHOR)
    monkeypatch.setattr(softening, "WAVE", 2)
    parts, again = treated(step, hot)
    assert parts.tobytes() == whole.tobytes()
    assert again.curve.db.tobytes() == decision.curve.db.tobytes()


def test_the_ceiling_holds_even_where_the_guard_finds_no_shape(hot, monkeypatch):
    monkeypatch.setattr(soften_plan, "ROUNDS", 1)
    out, _ = treated(Soften(), hot)
    assert max(*meters(out[:, 0]), *meters(out[:, 1])) <= -1.0


@pytest.mark.parametrize("frames", [1, 2, 50])
def test_the_shortest_takes(frames):
    out, decision = softened(np.full(frames, 1.5))
    assert max(meters(out)) <= -1.0
    assert decision.curve.at[-1] < frames


def test_channels_share_the_limiter(hot):
    step = Soften(ceiling=-3, clip=0, knee=0.5)
    out, _ = treated(step, hot)
    low = np.abs(hot.audio[:, 1]) < 0.05  # under any rounding: only the gain acts on these
    low &= np.abs(hot.audio[:, 1]) > 0.001
    ratio = out[low] / hot.audio[low]
    calm = np.abs(hot.audio[low, 0]) < 0.2
    np.testing.assert_allclose(np.median(ratio[calm, 0] / ratio[calm, 1]), 1, atol=1e-3)


def test_the_lane_shows_how_far_the_peaks_came_down(hot):
    out, decision = treated(Soften(clip=0, knee=0.5), hot)
    first = slice(0, 2400)
    peaks = [decibels(resample_poly(x[first, 0], 16, 1)) for x in (hot.audio, out)]
    deepest = decision.curve.db_at(np.arange(2400)).min()
    assert deepest == pytest.approx(peaks[1] - peaks[0], abs=0.7)


def test_lead_and_release_shape_the_limiter():
    x = np.zeros(RATE)
    n = np.arange(RATE)
    x += 0.05 * np.sin(2 * np.pi * 500 * n / RATE)
    x[20_000] = 4.0
    gains = {}
    for lead, release in ((1, 30), (8, 30), (1, 200)):
        out, _ = softened(x, clip=0, knee=0.5, lead=lead, release=release)
        rms = [np.sqrt(np.mean(y[at : at + 96] ** 2)) for y in (out, x) for at in (19_800, 22_000)]
        gains[lead, release] = [20 * np.log10(rms[i] / rms[i + 2]) for i in range(2)]
    assert gains[1, 30][0] == 0  # 4 ms ahead of the peak
    assert gains[8, 30][0] < -1
    assert gains[1, 200][1] < gains[1, 30][1] < -1  # 40 ms after it
