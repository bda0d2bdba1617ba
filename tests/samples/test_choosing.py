# SPDX-License-Identifier: GPL-3.0-or-later
"""Which strokes of a stage are chosen."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.samples.choosing import characterise, choose_alternates
from tests.samples import recordings

RATE = recordings.RATE
AT = 1000 + 20_000 * np.arange(6)


def track(change=None):
    """Six like strokes; `change` may replace some by number."""
    rng = np.random.default_rng(4)
    sound = np.zeros(RATE * 3)
    for number, at in enumerate(AT):
        one = recordings.stroke(rng)
        if change and number in change:
            one = change[number](one, sound)
        sound[at : at + len(one)] = one
    return sound[:, None]


def chosen(sound, count=2, levels=None, company=None):
    levels = np.full(6, -20.0) if levels is None else np.array(levels)
    company = np.zeros(6) if company is None else np.array(company)
    character = characterise(sound, AT, RATE)
    return choose_alternates(np.arange(6), levels, company, character, count).tolist()


@pytest.mark.parametrize("count", [1, 2, 3, 6])
def test_as_many_as_asked_in_order_of_time(count):
    picked = chosen(track(), count)
    assert len(set(picked)) == count
    assert picked == sorted(picked)


def test_a_dull_one_and_a_damped_one_are_not_typical():
    def dull(one, _):
        return np.convolve(one, np.ones(24) / 24)[: len(one)] * 1.3

    def damped(one, _):
        return one * np.exp(-np.arange(len(one)) / (0.02 * RATE))

    assert not {1, 4} & set(chosen(track({1: dull, 4: damped}), 4))


def test_one_sound_twice_is_no_pair():
    def again(_, sound):
        return sound[AT[0] : AT[0] + 14_400].copy()

    picked = chosen(track(dict.fromkeys((1, 2, 3, 4), again)))
    assert 5 in picked


def test_level_and_company_count():
    assert not {0, 5} & set(chosen(track(), 4, levels=[-16, -20, -20, -20, -20, -24]))
    assert not {2, 3} & set(chosen(track(), 4, company=[0, 0, 8, 8, 0, 0]))
