# SPDX-License-Identifier: GPL-3.0-or-later
"""Fits of the stroke finder's weights: logistic regression, and a conditional logit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from dsp.hits.arrival import PlaceWeights
from dsp.hits.evidence import Weights

PENALTY = 3.0
FOR = {
    *("evidence", "low", "attack", "tail", "visible", "per_visible", "seen25", "seen50", "seen75"),
    *("first_look", "company", "second_look", "like", "like_here", "matched"),
}
AGAINST = {"excess", "misfit", "tilt", "louder_before", "louder_after"}

Values = NDArray[np.float64]


def fit_logistic(x: Values, y: Values, names: Sequence[str]) -> Weights:
    """Logistic regression of y on x (n, measures), each weight on the side its measure means."""
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-12
    design = np.column_stack([(x - mean) / scale, np.ones(len(x))])
    penalty = np.append(np.full(len(mean), PENALTY), 0.0)

    def loss(weight: Values) -> tuple[float, Values]:
        score = design @ weight
        value = np.logaddexp(0, score) - y * score
        gradient = design.T @ (1 / (1 + np.exp(-score)) - y) + penalty * weight
        return float(value.sum() + 0.5 * (penalty * weight**2).sum()), gradient

    bounds = [_side(name) for name in names] + [(None, None)]
    start = np.zeros(design.shape[1])
    weight = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds).x
    return Weights(mean, scale, weight[:-1], float(weight[-1]))


def fit_places(measures: Values, right: NDArray[np.bool_]) -> PlaceWeights:
    """Conditional logit: the probability that a right place of each stroke has the best score.

    measures (strokes, places, measures); right (strokes, places).
    """
    flat = measures.reshape(-1, measures.shape[2])
    mean, scale = flat.mean(axis=0), flat.std(axis=0) + 1e-9
    design = (measures - mean) / scale

    def loss(weight: Values) -> tuple[float, Values]:
        score = design @ weight
        share = np.exp(score - score.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
        good = share * right
        total = good.sum(axis=1, keepdims=True) + 1e-12
        pull = ((good / total - share)[:, :, None] * design).sum(axis=(0, 1))
        value = 0.5 * PENALTY * (weight**2).sum() - np.log(total).sum()
        return float(value), PENALTY * weight - pull

    weight = minimize(loss, np.zeros(design.shape[2]), jac=True, method="L-BFGS-B").x
    return PlaceWeights(mean, scale, weight)


def _side(name: str) -> tuple[float | None, float | None]:
    if name in FOR:
        return 0.0, None
    return (None, 0.0) if name in AGAINST else (None, None)
