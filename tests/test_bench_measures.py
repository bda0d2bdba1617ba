# SPDX-License-Identifier: GPL-3.0-or-later
"""The bench measures what it says: worked examples and cases with a known answer."""

import math

import numpy as np
import pytest

from bench import bounds, hit_measures, measures, processors, report
from bench.hit_measures import Found, Played

RATE = 48_000


def noise(seconds: float, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(round(seconds * RATE))


# SI-SDR and SNR: Le Roux et al., ICASSP 2019; the numbers are worked out from its definition


def test_si_sdr_ignores_gain_and_snr_does_not() -> None:
    clean = np.array([1.0, 1.0, -1.0, -1.0])
    error = np.array([1.0, -1.0, 1.0, -1.0])
    done = clean + 0.1 * error
    assert measures.si_sdr(clean, done) == pytest.approx(20.0, abs=1e-9)
    assert measures.si_sdr(clean, 0.5 * done) == pytest.approx(20.0, abs=1e-9)
    assert measures.snr(clean, done) == pytest.approx(20.0, abs=1e-9)
    assert measures.snr(clean, 0.5 * done) == pytest.approx(5.977, abs=5e-4)


@pytest.mark.parametrize(
    ("done", "expected"), [([3.0, 4.0, 1.0, 0.0], 13.9794), ([2.0, 5.0, 0.0, 0.0], 11.3975)]
)
def test_si_sdr_worked_examples(done: list[float], expected: float) -> None:
    clean = np.array([3.0, 4.0, 0.0, 0.0])
    assert measures.si_sdr(clean, np.array(done)) == pytest.approx(expected, abs=5e-5)


def test_si_sdr_of_an_exact_copy_and_of_silence() -> None:
    clean = np.array([3.0, 4.0, 0.0, 0.0])
    assert measures.si_sdr(clean, clean) == math.inf
    assert math.isnan(measures.si_sdr(clean, np.zeros(4)))
    assert measures.snr(clean, np.zeros(4)) == 0.0


def test_own_gain_does_not_count_bleed() -> None:
    clean = np.array([1.0, 1.0, -1.0, -1.0])
    other = np.array([5.0, -5.0, 5.0, -5.0])
    assert measures.own_gain(clean, 0.5 * clean + other) == pytest.approx(-6.0206, abs=1e-4)
    assert measures.own_gain(clean, -clean) == -math.inf
    assert measures.level_change(clean, 2.0 * clean) == pytest.approx(6.0206, abs=1e-4)


# strokes


def drum(levels: list[float], spacing_s: float = 0.3) -> tuple[np.ndarray, np.ndarray]:
    """Decaying noise bursts, and where they start."""
    length = round(spacing_s * RATE)
    decay = np.exp(-np.arange(length) / (0.04 * RATE))
    bursts = [level * noise(spacing_s, 9) * decay for level in levels]
    lead = np.zeros(1000)
    arrivals = 1000 + length * np.arange(len(levels))
    return np.concatenate([lead, *bursts, np.zeros(RATE // 2)]), arrivals


def test_stroke_measures_of_a_known_treatment() -> None:
    clean, arrivals = drum([1.0, 0.1, 1.0])
    bleed = 0.01 * noise(len(clean) / RATE, 2)[: len(clean)]
    raw = clean + bleed
    done = clean + 0.1 * bleed  # bleed down by 20 dB, drum untouched ...
    second = slice(arrivals[1], arrivals[2])
    done[second] *= 10.0 ** (-3.0 / 20.0)  # ... but for one stroke, down by 3 dB
    first, soft, last = measures.strokes(clean, raw, done, arrivals, RATE)
    for one in (first, last):
        assert one.head == pytest.approx(0.0, abs=0.01)
        assert one.head_own == pytest.approx(0.0, abs=0.01)
        assert one.tail_own == pytest.approx(0.0, abs=0.05)
        assert one.first_10 == pytest.approx(20.0, abs=1e-6)
        assert one.first_40 == pytest.approx(20.0, abs=1e-6)
    assert soft.head == pytest.approx(-3.0, abs=0.02)
    assert soft.tail_own == pytest.approx(-3.0, abs=0.2)
    assert measures.kept([first.head, soft.head, last.head], 1.5) == pytest.approx(2 / 3)
    assert math.isnan(measures.kept([], 1.5))


def test_tail_is_left_out_where_the_next_stroke_covers_it() -> None:
    clean, arrivals = drum([1.0, 1.0], spacing_s=0.1)
    first, last = measures.strokes(clean, clean, clean, arrivals, RATE)
    assert math.isnan(first.tail_own)
    assert last.tail_own == 0.0


def test_bleed_reductions_of_a_known_treatment() -> None:
    clean, arrivals = drum([1.0, 0.5], spacing_s=0.6)
    bleed = 0.01 * noise(len(clean) / RATE, 4)[: len(clean)]
    raw, done = clean + bleed, clean + 0.1 * bleed
    assert measures.gap_reduction(clean, raw, done, RATE) == pytest.approx(20.0, abs=0.2)
    under = measures.stroke_reduction(clean, raw, 0.8 * done, arrivals, RATE)
    assert under == pytest.approx(20.0 + 1.938, abs=0.05)  # the gain of 0.8 lowers it too
    quiet = measures.gaps(clean, RATE)
    assert 0.2 < quiet.mean() < 0.8
    assert not quiet[arrivals[0] : arrivals[0] + 4800].any()
    assert math.isnan(measures.gap_reduction(np.ones(4800), np.ones(4800), np.ones(4800), RATE))


# hits


def found(onset: list[int], strength: list[float], velocity: list[int]) -> Found:
    return Found(np.array(onset, dtype=np.int64), np.array(strength), np.array(velocity))


def test_hit_measures_of_known_hits() -> None:
    # typical full stroke: median of 0 and -2 dB, so -1 dB gets velocity 127
    played = Played(
        np.array([1000, 20_000, 40_000, 60_000]),
        np.array([0.0, -2.0, -13.0, -25.0]),
        np.array([False, False, True, True]),
        np.array([20.0, 9.0, 3.0, -0.1]),
    )
    np.testing.assert_allclose(
        hit_measures.velocities(played), [127.0, 119.8957, 63.6508, 31.9010], atol=1e-4
    )
    # one 97 samples off (2.02 ms), one false right after another drum, one false elsewhere
    guess = found(
        [1003, 20_001, 30_000, 40_010, 50_500, 60_097],
        [0.0, -1.0, -9.0, -12.0, -30.0, -20.0],
        [127, 124, 20, 60, 10, 32],
    )
    made = hit_measures.measure(guess, played, np.array([50_300]), RATE)
    assert made.precision == pytest.approx(3 / 6)
    assert made.recall == pytest.approx(3 / 4)
    assert made.f == pytest.approx(0.6)
    assert made.f_heard == pytest.approx(2 * 3 / (3 + 6))  # the fourth is under everything else
    assert made.ghost_recall == pytest.approx(0.5)
    assert made.error == 3.0
    assert made.bias == 3.0
    assert made.spearman == pytest.approx(1.0)
    assert made.velocities == pytest.approx(2 / 3)  # 124 is 4.1 away from 119.9
    assert made.false_others == 1


def test_no_hits_score_nothing() -> None:
    played = Played(*(np.array([value]) for value in (5, 0.0, False, 9.0)))
    made = hit_measures.measure(found([], [], []), played, np.array([], dtype=np.int64), RATE)
    assert (made.f, made.precision, made.recall) == (0.0, 0.0, 0.0)
    assert math.isnan(made.error)


# bounds


def test_bounds_are_in_order_on_a_plain_take() -> None:
    clean, _ = drum([1.0, 0.3, 1.0], spacing_s=0.4)
    bleed = 0.05 * noise(len(clean) / RATE, 5)[: len(clean)]
    raw = clean + bleed
    gated, chosen = bounds.tuned_gate(clean, raw, RATE)
    before = measures.si_sdr(clean, raw)
    gate = measures.si_sdr(clean, gated)
    ideal = measures.si_sdr(clean, bounds.ideal_gain(clean, raw, RATE))
    assert before + 1.0 < gate < ideal
    peaks = bounds._blocks(np.abs(raw), 48).max(axis=1)
    gains = np.repeat(bounds.gate_gain(peaks, chosen), 48)[: len(raw)]
    np.testing.assert_array_equal(gated, raw * gains)


def test_gate_gain_holds_then_falls_to_its_range() -> None:
    peaks = np.full(400, 0.001)
    peaks[100] = 1.0
    gain = bounds.gate_gain(peaks, bounds.GateSettings(-20.0, 0.05, 0.02, 24.0))
    level = 20.0 * np.log10(gain)
    np.testing.assert_allclose(level[:100], -24.0, atol=1e-9)
    np.testing.assert_allclose(level[100:151], 0.0, atol=1e-12)
    # one time constant after the hold: 63.2 % of the way
    assert level[170] == pytest.approx(-24.0 * (1.0 - math.exp(-1.0)), abs=1e-9)
    assert level[-1] == pytest.approx(-24.0, abs=0.01)


def test_ideal_mask_separates_what_does_not_overlap() -> None:
    time_s = np.arange(RATE) / RATE
    low, high = np.sin(2 * np.pi * 300 * time_s), np.sin(2 * np.pi * 6000 * time_s)
    made = bounds.ideal_ratio_mask(low, high, RATE)
    assert len(made) == len(low)
    assert measures.si_sdr(low[2000:-2000], made[2000:-2000]) > 60.0


def test_ideal_gain_of_clean_is_one() -> None:
    clean, _ = drum([1.0])
    made = bounds.ideal_gain(clean, clean, RATE)
    sounding = slice(1500, 9000)
    np.testing.assert_allclose(made[sounding], clean[sounding], rtol=1e-12)


# plugs and tables


def halve(top: np.ndarray, rate: int) -> np.ndarray:
    return 0.5 * top


def test_any_function_can_be_plugged_in() -> None:
    treated = processors.processor(f"{__name__}:halve")(np.ones(10), RATE)
    np.testing.assert_array_equal(treated.done, np.full(10, 0.5))
    np.testing.assert_array_equal(processors.processor("raw")(np.ones(3), RATE).done, np.ones(3))
    with pytest.raises(ValueError, match="recipe:PATH, raw"):
        processors.processor("nonsense")


def test_tables_show_means_and_dashes(tmp_path) -> None:
    table = report.Table("T", "n", {"a": "A", "b": "B"}, percent=frozenset({"b"}))
    rows = {"one": {"a": 1.0, "b": 0.5}, "two": {"a": math.inf, "b": math.nan}}
    assert report.lines(table, rows) == [
        ["take", "A", "B"],
        ["one", "1.0", "50 %"],
        ["two", "inf", "–"],
        ["mean", "1.0", "50 %"],
    ]
    report.save([table], rows, "about", tmp_path, "sound")
    assert "| mean | 1.0 | 50 % |" in (tmp_path / "sound.md").read_text()
    assert (tmp_path / "sound.csv").read_text().splitlines()[-1] == "mean,1.0000,0.5000"
