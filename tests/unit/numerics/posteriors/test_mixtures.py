"""Quantiles of mixtures of normals: against scipy's root finder, and in how few steps they are found."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from metakit.numerics.posteriors import mixtures
from metakit.numerics.posteriors.mixtures import mixture_quantile

RANDOM = np.random.default_rng(31)
WEIGHT = RANDOM.dirichlet(np.ones(7), 5)
MEAN, DEVIATION = RANDOM.normal(0.3, 0.4, (5, 7)), RANDOM.uniform(0.2, 1.1, (5, 7))


def expected(p: float) -> list[float]:
    return [
        optimize.brentq(lambda x, row=row: WEIGHT[row] @ stats.norm.cdf(x, MEAN[row], DEVIATION[row]) - p, -20, 20, xtol=1e-13)
        for row in range(5)
    ]  # fmt: skip


@pytest.mark.parametrize("p", [1e-6, 0.025, 0.4, 0.5, 0.6, 0.975])
def test_ordinary_mixtures_need_a_few_steps_of_newton_and_no_bracket(
    monkeypatch: pytest.MonkeyPatch, p: float
) -> None:
    """On the normal score a mixture is nearly straight: a step of another length, or from elsewhere, takes longer."""

    def never(*_: object) -> np.ndarray:
        raise AssertionError("Newton's method did not settle")

    monkeypatch.setattr(mixtures, "_bracketed", never)
    monkeypatch.setattr(mixtures, "_STEPS", 7)
    found = mixture_quantile(WEIGHT, MEAN, DEVIATION, np.full(5, p))
    assert found == pytest.approx(expected(p), rel=1e-9, abs=1e-10)


def test_a_mixture_in_one_place_is_found_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The start is the quantile of the normal with the same mean and variance: of equal parts it is the answer."""
    monkeypatch.setattr(mixtures, "_STEPS", 1)
    monkeypatch.setattr(mixtures, "_bracketed", lambda *_: np.full(1, np.nan))
    one = np.full((1, 4), 0.25)
    found = mixture_quantile(one, np.full((1, 4), 1.5), np.full((1, 4), 0.3), np.array([0.9]))
    assert found[0] == pytest.approx(stats.norm.ppf(0.9, 1.5, 0.3), rel=1e-12)


def test_what_newton_does_not_settle_is_bracketed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mixtures, "_STEPS", 0)
    for p in (0.025, 0.8):
        assert mixture_quantile(WEIGHT, MEAN, DEVIATION, np.full(5, p)) == pytest.approx(
            expected(p), rel=1e-9
        )


def test_turned_signs_turn_the_answer_to_the_last_bit() -> None:
    up = mixture_quantile(WEIGHT, MEAN, DEVIATION, np.full(5, 0.9))
    assert np.array_equal(up, -mixture_quantile(WEIGHT, -MEAN, DEVIATION, np.full(5, 0.1)))
