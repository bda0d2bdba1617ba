# SPDX-License-Identifier: GPL-3.0-or-later
"""What may be strokes, by spectrum or by waveform, and the last look at them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.hits.alike import Likeness, compare_onsets, settle
from dsp.hits.candidates import SPACING_S, Candidates, Track, add_candidates, choose, keep_apart
from dsp.hits.evidence import MEASURES, SURE_SCORE, Passes, Weights, probability, score_of
from dsp.hits.matched import Matches, learn_beginning, match
from dsp.hits.onset import place_onsets, visibility

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

CERTAIN, POSSIBLE = 0.4, 0.08
SURE = float(np.log(CERTAIN / (1 - CERTAIN)))
VERY_SURE = float(np.log(0.9 / 0.1))
TEACHES = 0.4  # so like the loud strokes begins what the others are listened for by
PROPOSED = 4.5  # a value of the matched filter that noise hardly has
SURELY_MATCHED = 8.0
LOBES_S = 0.060  # so far from a stroke its own ring may look like another
SOFTEST_DB = (
    -35.0
)  # re a full stroke: velocity 16; softer, only what the spectrum is sure of is one
SAME_S = 0.0015  # a match so near what may be a stroke is the same
NEAR_S = 0.0005
LEAST_MATCHED, MATCHED, MOST_MATCHED = 4.0, 12.0, 20.0
UNSURE = (0.0, 1.5)  # scores between which a match counts as MATCHED at least, more and more


@dataclass(frozen=True)
class Possible:
    """What may be strokes: which candidates, and where they start.

    All (n,): `score` of the second look, `matched` the matched filter's value where each is most
    like the others, `likeness` how they begin, `wave_db` how loud they are by the filter; None
    where that is not known.
    """

    index: Positions
    onset: Positions
    score: Values
    matched: Values
    likeness: Likeness | None
    wave_db: Values | None = None

    def measures(self) -> Values:
        """Measures of the last look, (n, 4).

        A match below LEAST_MATCHED tells nothing: noise comes near it. And where the spectrum is
        sure, no match is needed: side sticks and full strokes of one drum begin differently.
        """
        assert self.likeness is not None
        score = np.clip(self.score, -SURE_SCORE, SURE_SCORE)
        least = np.interp(self.score, UNSURE, np.log([LEAST_MATCHED, MATCHED]))
        matched = np.log(np.clip(self.matched, LEAST_MATCHED, MOST_MATCHED))
        matched = np.maximum(matched, least)
        return np.column_stack([score, self.likeness.like, self.likeness.stays, matched])

    def wave(self, kept: NDArray[np.bool_]) -> tuple[Values, Values] | None:
        """Level in dB by the matched filter of those that are kept, and its value."""
        return None if self.wave_db is None else (self.wave_db[kept], self.matched[kept])

    def settled(self, rate: int) -> Positions:
        """Where they start, those moved that are clearly more like the others elsewhere."""
        return self.onset if self.likeness is None else settle(self.onset, self.likeness, rate)


def find_possible(track: Track, found: Candidates, weights: Passes) -> tuple[Candidates, Possible]:
    """All that may be strokes, and the candidates with those among them that no power told of."""
    assert found.drum is not None
    x, rate = track.sound, track.rate
    index = choose(found, rate, weights.second, POSSIBLE)
    score = score_of(found.measures[index], weights.second)
    heard = (score >= VERY_SURE) | _playable(found, index)
    index, score = index[heard], score[heard]
    visible = visibility(found.spectra.pick(index), found.drum, found.measures[index])
    onset = place_onsets(x, found.positions[index], visible, weights.place, rate)
    matches = _listen_for_strokes(track, onset, found.level_db[index], score)
    if matches is not None:
        new = matches.peaks(PROPOSED, round(SPACING_S * rate), round(LOBES_S * rate))
        new = new[_distance(new, onset) > SAME_S * rate]
        found, old, added = add_candidates(track, found, new, weights.first)
        playable = _playable(found, added)
        new, added = new[playable], added[playable]
        onset = np.append(onset, new)
        order = np.argsort(onset, kind="stable")
        index, onset = np.append(old[index], added)[order], onset[order]
        score = score_of(found.measures[index], weights.second)
    likeness = compare_onsets(x, onset, found.level_db[index], score >= SURE, rate)
    if matches is None or likeness is None:
        return found, Possible(index, onset, score, np.zeros(len(onset)), likeness)
    alike, near = onset + likeness.off, round(NEAR_S * rate)
    matched = matches.best_near(alike, near)
    likeness = replace(likeness, sure=matched >= SURELY_MATCHED)
    wave_db = matches.level_db(alike, near)
    return found, Possible(index, onset, score, matched, likeness, wave_db)


def _playable(found: Candidates, index: Positions) -> NDArray[np.bool_]:
    """Whether each candidate is loud enough to be a stroke that was meant."""
    return np.asarray(found.measures[index, MEASURES.index("level")] >= SOFTEST_DB)


def is_stroke(possible: Possible, last: Weights, rate: int) -> NDArray[np.bool_]:
    """The last look: a tom or a kick may sound like a stroke, but it does not begin like one."""
    if possible.likeness is None:
        return np.asarray(possible.score >= SURE)
    certain = probability(possible.measures(), last)
    kept = np.zeros(len(certain), dtype=np.bool_)
    kept[keep_apart(possible.settled(rate), certain, CERTAIN, rate)] = True
    return kept


def _listen_for_strokes(
    track: Track, onset: Positions, level_db: Values, score: Values
) -> Matches | None:
    """The matched filter of those that are sure; None: too few of them are alike."""
    sure = score >= VERY_SURE
    onset, level_db = onset[sure], level_db[sure]
    everyone = np.ones(len(onset), dtype=np.bool_)
    likeness = compare_onsets(track.sound, onset, level_db, everyone, track.rate)
    if likeness is None:
        return None
    teaches = likeness.like >= TEACHES
    beginning = learn_beginning(track.sound, (onset + likeness.off)[teaches], track.rate)
    return None if beginning is None else match(track.sound, beginning, track.rate)


def _distance(places: Positions, others: Positions) -> Positions:
    """How far each place is from the nearest of the others, ascending and at least one."""
    after = np.searchsorted(others, places)
    left, right = others[np.maximum(after - 1, 0)], others[np.minimum(after, len(others) - 1)]
    return np.asarray(np.minimum(np.abs(places - left), np.abs(places - right)))
