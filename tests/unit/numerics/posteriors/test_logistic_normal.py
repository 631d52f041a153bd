"""The first model of causes: limits of seeds, known special cases, what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from metakit.errors import NotEstimableError
from metakit.numerics.posteriors import logistic_normal as module
from metakit.numerics.posteriors.logistic_normal import logistic_normal

TAILS = np.array([0.025, 0.5, 0.975])
FOUR = np.array([[6, 2, 5, 9], [3, 4, 1, 6], [1, 0, 2, 0], [0, 1, 0, 1]])


def test_the_same_counts_give_the_same_answer_and_means_add_up() -> None:
    one, again = logistic_normal(FOUR), logistic_normal(FOUR)
    for a, b in zip(one.mean_share, again.mean_share, strict=True):
        assert np.array_equal(a.below_edge, b.below_edge)
    assert one.mean.sum() == pytest.approx(1, abs=1e-12)
    assert sum(share.mean for share in one.new_centre) == pytest.approx(1, abs=1e-12)
    assert one.error <= module.ERROR


@pytest.mark.lengthy
@pytest.mark.parametrize("counts", [FOUR, FOUR[:2], FOUR[:, :2]], ids=["four", "two causes", "two studies"])
def test_limits_of_seeds_differ_by_two_percent_of_the_width(counts: np.ndarray) -> None:
    """As the second protocol asks (tests/simulation/causes_protocol_2.md): root mean square, and never thrice it."""
    found = [logistic_normal(counts, seed=seed) for seed in range(6)]
    limits = np.array([[share.quantiles(TAILS) for share in each.mean_share] for each in found])
    width = np.maximum(limits[..., 2] - limits[..., 0], module._NARROW).mean(axis=0)
    apart = (limits[::2] - limits[1::2])[..., [0, 2]] / width[:, None]
    assert np.sqrt(np.mean(apart**2)) < 0.02
    assert np.abs(apart).max() < 0.06


def test_where_centres_hardly_differ_beforehand_the_posterior_is_a_dirichlet() -> None:
    """With tau near 0 the counts of all studies are one multinomial. Source: scipy.stats.beta."""
    found = logistic_normal(FOUR, scale=1e-3)
    crowd = FOUR.sum(axis=1)
    for cause, share in enumerate(found.mean_share):
        a = 0.25 + crowd[cause]
        truth = stats.beta(a, 1 + crowd.sum() - a)
        assert share.mean == pytest.approx(truth.mean(), abs=0.003)
        assert share.quantiles(TAILS) == pytest.approx(truth.ppf(TAILS), abs=0.006)


def test_a_study_without_returns_adds_nothing() -> None:
    more = np.insert(FOUR, 2, 0, axis=1)
    assert logistic_normal(more).mean.tolist() == logistic_normal(FOUR).mean.tolist()


def test_tau_of_unlike_centres_is_larger() -> None:
    unlike = logistic_normal([[9, 0, 8, 1], [1, 9, 0, 8]])
    alike = logistic_normal([[5, 4, 5, 4], [5, 5, 4, 5]])
    assert unlike.tau_quantiles(TAILS)[1] > 2 * alike.tau_quantiles(TAILS)[1]
    assert np.all(np.diff(unlike.tau_quantiles(np.linspace(0.01, 0.99, 50))) > 0)


def test_a_new_centre_spreads_more_than_the_mean() -> None:
    found = logistic_normal(FOUR)
    for share, new in zip(found.mean_share, found.new_centre, strict=True):
        inner, outer = share.quantiles(TAILS), new.quantiles(TAILS)
        assert outer[0] <= inner[0]
        assert inner[2] <= outer[2]
        assert new.mean == pytest.approx(share.mean, abs=0.02)


@pytest.mark.lengthy
def test_it_is_the_candidate_that_simulations_judged() -> None:
    """The importance sampling of tests/simulation/causes.py, written for the protocols, with 40,000 draws."""
    from tests.simulation.causes import logistic_normal as candidate

    judged = candidate(FOUR.astype(float), np.full(4, 0.3), draws=40_000)
    found = logistic_normal(FOUR)
    assert found.mean == pytest.approx(judged.mean, abs=0.006)
    for cause, share in enumerate(found.mean_share):
        assert share.quantiles(TAILS[[0, 2]]) == pytest.approx(judged.limits[:, cause], abs=0.015)
        assert found.new_centre[cause].below(np.array([0.3]))[0] == pytest.approx(
            judged.below[cause], abs=0.02
        )


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ([[1, 2]], "two causes"),
        ([[1, -1], [2, 3]], "negative"),
        ([[1, 0.5], [2, 3]], "whole"),
        ([[0], [0]], "no thumb"),
    ],
)
def test_what_cannot_be_is_refused(counts: list[list[float]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        logistic_normal(counts)


def test_draws_that_are_worth_too_little_are_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_LEAST", 1e9)
    with pytest.raises(NotEstimableError, match="could not be drawn"):
        logistic_normal(FOUR[:2])


def test_many_causes_and_studies_of_unequal_size_are_drawn() -> None:
    rng = np.random.default_rng(8)
    shares = special.softmax(rng.normal(0, 1, 14) + 0.5 * rng.standard_normal((20, 14)), axis=1)
    counts = np.array([rng.multinomial(n, p) for n, p in zip(rng.integers(1, 70, 20), shares, strict=True)]).T
    found = logistic_normal(counts)
    assert found.effective > 0.3 * found.draws
    assert found.error < 0.015
