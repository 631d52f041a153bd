"""Priors of the spread: densities that integrate to 1, medians in closed form; scipy.stats outside."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from metakit.numerics.posteriors import bayes_priors as priors

TAU = np.array([0.05, 0.4, 1.7])


def mass(prior: priors.TauPrior, end: float) -> float:
    return float(
        integrate.quad(lambda t: float(np.exp(prior.log_density(np.array(t)))), 0, end, limit=400)[0]
    )


def test_densities_are_those_of_scipy() -> None:
    for prior, density in (
        (priors.half_normal(0.5), stats.halfnorm(scale=0.5)),
        (priors.half_cauchy(0.5), stats.halfcauchy(scale=0.5)),
        (priors.uniform(4.0), stats.uniform(0, 4)),
        # ln tau^2 normal: tau is log-normal with half of its location and of its deviation
        (priors.log_normal(-2.49, 1.52), stats.lognorm(s=1.52 / 2, scale=math.exp(-2.49 / 2))),
    ):
        assert prior.log_density(TAU) == pytest.approx(density.logpdf(TAU), rel=1e-12), prior.name


def test_a_typical_tau_is_the_scale_or_the_median() -> None:
    found = priors.log_normal(-2.49, 1.52)
    assert found.size == pytest.approx(stats.lognorm(s=0.76, scale=math.exp(-1.245)).median(), rel=1e-12)
    assert mass(found, found.size) == pytest.approx(0.5, abs=1e-8)
    assert (priors.half_normal(0.7).size, priors.half_cauchy(0.7).size, priors.uniform(3.0).size) == (
        0.7,
        0.7,
        3.0,
    )
    assert priors.uniform(math.inf).size == 0.0


def test_tails_decide_which_moments_exist() -> None:
    """A density that falls like t^-2 has no mean, a flat one is improper; the others fall faster than any power."""
    powers = [
        p.tail_power for p in (priors.half_cauchy(1.0), priors.uniform(math.inf), priors.half_normal(1.0))
    ]
    assert powers == [2.0, 0.0, math.inf]
    assert priors.log_normal(0.0, 1.0).tail_power == math.inf
    assert (priors.uniform(3.0).upper, priors.half_normal(1.0).upper) == (3.0, math.inf)
    assert priors.uniform(math.inf).log_density(TAU).tolist() == [0.0, 0.0, 0.0]


def test_a_prior_is_proper_where_its_tail_falls_faster_than_one_over_tau() -> None:
    assert [
        one.proper for one in (priors.half_normal(1.0), priors.half_cauchy(1.0), priors.uniform(2.0))
    ] == [True] * 3
    assert not priors.uniform(math.inf).proper
    edge = priors.TauPrior(name="x", log_density=np.zeros_like, size=1.0, tail_power=1.0)
    assert not edge.proper  # 1 / tau has no finite mass either
    assert priors.TauPrior(name="x", log_density=np.zeros_like, size=1.0, tail_power=1.5).proper
