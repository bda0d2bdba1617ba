# SPDX-License-Identifier: GPL-3.0-or-later
"""The compressor's equations, and the lines that draw its gain."""

import math

import numpy as np
import pytest

from dsp.kernels.compress import AT_REST_DB, draw_lines, reduction

# Giannoulis, Massberg, Reiss, JAES 60(6), 2012, static curve with T = −20 dB, R = 4, W = 10 dB:
# in → out, computed from the published equation.
STATIC = {-30: -30, -25: -25, -22: -22.3375, -20: -20.9375, -18: -19.8375, -15: -18.75,
          -10: -17.5, 0: -15}  # fmt: skip


def run(power, threshold=-20.0, ratio=4.0, knee=10.0, attack=0.0, release=0.0, state=None):
    """Reduction in dB; `attack`, `release` are time constants in samples, 0 for none."""
    keep = [math.exp(-1 / t) if t else 0.0 for t in (attack, release)]
    out = np.empty(len(power))
    state = np.zeros(2) if state is None else state
    reduction(power, threshold, 1 - 1 / ratio, knee, *keep, state, out)
    return out


@pytest.mark.parametrize(("level", "expected"), STATIC.items())
def test_the_static_curve_is_the_published_one(level, expected):
    out = run(np.full(10, 10 ** (level / 10)))
    assert level - out[-1] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("knee", [0.0, 6.0])
@pytest.mark.parametrize("ratio", [1.0, 2.0, 100.0])
def test_the_static_curve_at_every_level(ratio, knee):
    levels = np.linspace(-60, 6, 500)
    found = levels - np.array(
        [run(np.array([10 ** (x / 10)]), -24, ratio, knee)[0] for x in levels]
    )
    over = levels + 24
    with np.errstate(divide="ignore", invalid="ignore"):
        bent = levels + (1 / ratio - 1) * (over + knee / 2) ** 2 / (2 * knee)
    expected = np.where(2 * over > knee, -24 + over / ratio, levels)
    expected = np.where((2 * np.abs(over) <= knee) & (knee > 0), bent, expected)
    np.testing.assert_allclose(found, expected, atol=2 * AT_REST_DB)


def smoothing_twin(static, attack, release):
    a, r = math.exp(-1 / attack), math.exp(-1 / release)
    held, smooth, out = 0.0, 0.0, []
    for c in static:
        held = max(c, r * held + (1 - r) * c)
        smooth = a * smooth + (1 - a) * held
        out.append(smooth)
    return np.array(out)


def test_smoothing_equals_its_twin_and_a_split_run_equals_the_whole():
    power = np.random.default_rng(1).standard_normal(5000) ** 4
    static = run(power)
    whole = run(power, attack=20, release=300)
    np.testing.assert_allclose(whole, smoothing_twin(static, 20, 300), atol=3 * AT_REST_DB)
    state = np.zeros(2)
    parts = [run(p, attack=20, release=300, state=state) for p in np.split(power, [777])]
    assert np.concatenate(parts).tobytes() == whole.tobytes()


@pytest.mark.parametrize(("attack_ms", "release_ms"), [(1, 100), (10, 50), (30, 400)])
def test_time_constants_are_the_published_ones(attack_ms, release_ms):
    # 63.2 % after one time constant, 10 to 90 % in ln 9 of them; the release of the decoupled
    # smoothing is the release and the attack in series, (τr·e^(−t/τr) − τa·e^(−t/τa)) / (τr − τa)
    rate = 48_000
    attack, release = attack_ms * rate / 1000, release_ms * rate / 1000
    loud = round(12 * attack)
    power = np.concatenate([np.ones(loud), np.zeros(round(4 * release))])
    out = run(power, attack=attack, release=release) / 15.0
    rise = np.arange(1, loud + 1)
    np.testing.assert_allclose(out[:loud], 1 - np.exp(-rise / attack), atol=1e-4)
    assert np.interp(1 - math.exp(-1), out[:loud], rise) == pytest.approx(attack, rel=0.01)
    spread = np.interp([0.1, 0.9], out[:loud], rise)
    assert spread[1] - spread[0] == pytest.approx(math.log(9) * attack, rel=0.01)
    t = np.arange(1, len(power) - loud + 1)
    fall = (release * np.exp(-t / release) - attack * np.exp(-t / attack)) / (release - attack)
    np.testing.assert_allclose(out[loud:], fall, atol=2e-3)


def test_release_alone_reaches_63_2_percent_in_its_time():
    power = np.concatenate([np.ones(10), np.zeros(9600)])
    out = run(power, release=2400)[10:] / 15.0
    assert np.interp(-math.exp(-1), -out, np.arange(1, len(out) + 1)) == pytest.approx(
        2400, rel=1e-3
    )


def lines(x, tolerance, pieces=(), start=0):
    state, at, db = np.empty(5), [], []
    for first, piece in zip([0, *pieces], np.split(x, pieces), strict=True):
        a, d = np.empty(len(piece) + 2, np.int64), np.empty(len(piece) + 2)
        count = draw_lines(piece, first, tolerance, state, a, d)
        at.append(a[:count])
        db.append(d[:count])
    last = len(x) - 1
    at, db = np.concatenate(at), np.concatenate(db)
    return (at, db) if at[-1] == last else (np.append(at, last), np.append(db, x[last]))


def wave(n=6000):
    rng = np.random.default_rng(2)
    x = np.cumsum(np.cumsum(rng.standard_normal(n))) / 3000
    x[1000:1500] = 0.0
    x[4000:] *= np.exp(-np.arange(n - 4000) / 200)
    x[5500:] = 0.0
    return x


@pytest.mark.parametrize("tolerance", [0.005, 0.1])
def test_lines_stay_within_the_tolerance(tolerance):
    x = wave()
    at, db = lines(x, tolerance)
    assert (np.diff(at) > 0).all()
    drawn = np.interp(np.arange(len(x)), at, db)
    assert np.abs(drawn - x).max() <= tolerance * (1 + 1e-9)
    assert len(at) < len(x) / 3
    assert not drawn[1010:1500].any()
    assert not drawn[5510:].any()


def fits(x, at, db, i, tolerance):
    """Whether some line from the point passes all of x from there up to sample i."""
    t = np.arange(at + 1, i + 1)
    low = ((x[at + 1 : i + 1] - tolerance - db) / (t - at)).max()
    high = ((x[at + 1 : i + 1] + tolerance - db) / (t - at)).min()
    return low <= high


def test_no_line_could_have_gone_on():
    # the twin tries every sample again from the last point on
    x = 1.0 + np.cumsum(np.random.default_rng(3).standard_normal(700)) / 20
    at, db = lines(x, 0.05)
    for point, value, following in zip(at, db, at[1:-1], strict=False):
        assert following == point + 1 or fits(x, point, value, following, 0.05)
        assert point == -1 or not fits(x, point, value, following + 1, 0.05)


def test_lines_do_not_depend_on_the_pieces():
    x = wave()
    whole, parts = lines(x, 0.01), lines(x, 0.01, pieces=[1, 700, 701, 4444])
    assert whole[0].tobytes() == parts[0].tobytes()
    assert whole[1].tobytes() == parts[1].tobytes()
