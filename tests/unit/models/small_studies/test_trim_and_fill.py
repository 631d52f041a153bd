"""Trim and fill: guards and each count of missing studies by hand.

Source: Duval S, Tweedie R 2000, Biometrics 56:455-463: L0 = (4 T - k (k + 1)) / (2 k - 1), R0 = the run of the largest
ranks on one side less one, Q0 = k - 1/2 - sqrt(2 k^2 - 4 T + 1/4); T is the sum of ranks on the right.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from metakit.errors import NotEstimableError, UnknownNameError
from metakit.models.small_studies.trim_and_fill import _COUNTERS, _number, missing_side, trim_and_fill

LEANING = np.array([-0.1, -0.02, 0.0, 0.04, 0.3, 0.5, 0.6, 0.8, 0.9, 1.0])
VARIANCE = np.array([0.002, 0.001, 0.001, 0.002, 0.1, 0.12, 0.11, 0.13, 0.15, 0.2])
"""Invented: large studies near 0, small ones to the right of them."""


def test_three_studies_are_enough_and_two_are_not() -> None:
    for k in (3, 4):
        assert trim_and_fill(LEANING[:k], VARIANCE[:k]).number_missing <= k - 2
    with pytest.raises(NotEstimableError, match="2 studies are too few"):
        trim_and_fill(LEANING[:2], VARIANCE[:2])
    with pytest.raises(UnknownNameError):
        trim_and_fill(LEANING, VARIANCE, estimator="l1")


@pytest.mark.parametrize(
    ("deviation", "total"),
    [
        ([-1.0, -0.5, 0.2, 2.0, 3.0, 4.0], 1 + 4 + 5 + 6),
        ([-4.0, 1.0, 2.0, 3.0, 5.0, 6.0], 1 + 2 + 3 + 5 + 6),
        ([-6.0, -5.0, 1.0, 2.0, 3.0, 4.0], 1 + 2 + 3 + 4),
        ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], 21),
        ([0.0, 2.0, 3.0, 4.0, 5.0, 6.0], 20),  # what lies in the middle is not on the right
    ],
)
def test_each_count_of_missing_studies_by_its_formula(deviation: list[float], total: int) -> None:
    k, away = len(deviation), np.array(deviation)
    ranks = {abs(value): rank for rank, value in enumerate(sorted(map(abs, deviation)), start=1)}
    left = [ranks[abs(value)] for value in deviation if value <= 0]
    expected = {
        "l0": (4 * total - k * (k + 1)) / (2 * k - 1),
        "r0": k - max(left, default=0) - 1,
        "q0": k - 0.5 - math.sqrt(max(2 * k**2 - 4 * total + 0.25, 0)),
    }
    for name, counter in _COUNTERS.items():
        found = counter(away, np.array([float(ranks[abs(value)]) for value in deviation]), k)
        assert found == pytest.approx(expected[name], abs=1e-12), name
        assert _number(away, counter) == min(max(0, round(expected[name])), k - 2)


def test_at_least_two_studies_stay() -> None:
    away = np.arange(1.0, 6.0)
    assert _number(away, lambda *_: 99.0) == 3
    assert _number(away, lambda *_: -5.0) == 0
    assert _number(away, lambda *_: 0.51) == 1


def test_studies_are_missing_on_the_side_away_from_the_small_ones() -> None:
    error = np.array([0.1, 0.2, 0.3, 0.4])
    assert missing_side(1.0 * error, error**2) == "left"
    assert missing_side(-1.0 * error, error**2) == "right"
    assert missing_side(np.zeros(4), error**2) == "right"  # no slope at all


def test_what_is_filled_mirrors_what_was_trimmed_around_the_centre() -> None:
    found = trim_and_fill(LEANING, VARIANCE, model="common_effect")
    assert found.side == "left" and found.number_missing == len(found.filled) > 1
    weight, kept = 1 / VARIANCE, 10 - found.number_missing  # the effects rise
    centre = np.average(LEANING[:kept], weights=weight[:kept])
    mirrored = 2 * centre - LEANING[kept:]
    assert [effect for effect, _ in found.filled] == pytest.approx(mirrored.tolist(), rel=1e-12)
    assert [variance for _, variance in found.filled] == VARIANCE[kept:].tolist()
    whole = np.average(np.r_[LEANING, mirrored], weights=np.r_[weight, weight[kept:]])
    assert found.result.estimate == pytest.approx(whole, rel=1e-12)
    turned = trim_and_fill(-LEANING, VARIANCE, model="common_effect")
    assert turned.result.estimate == pytest.approx(-found.result.estimate, rel=1e-12)
    assert (turned.side, turned.number_missing) == ("right", found.number_missing)
