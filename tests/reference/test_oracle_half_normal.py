"""The reference of the half-normal default against another engine's values, and against plain integration."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from agreement import certified
from mpmath import mp, mpf
from oracle import bayes, half_normal_counts, one_stage, two_arms
from scipy import integrate, special, stats

# Status computed, by another engine in double precision that shares nothing with ours, for the same tables and priors;
# printed to 8 decimals and said to be good to 1e-6 (normal effects), 5e-6 (counts) and 1e-4 (counts, new centre).
OTHER_ENGINE: list[tuple[str, dict[str, str], dict[str, float]]] = [
    (
        "half_normal_effects",
        {"name": "two large", "measure": "risk_ratio", "scale": "0.5"},
        {"median": -0.64423528, "mean": -0.64359028, "lower": -1.26494975, "upper": -0.01815395,
         "pred_lower": -1.65678063, "pred_upper": 0.37398784, "above": 0.02318913, "tau_mean": 0.28004045},
    ),
    (
        "half_normal_effects",
        {"name": "one empty cell of three", "measure": "risk_ratio", "scale": "0.5"},
        {"median": -0.83623521, "mean": -0.84380209, "lower": -1.84010459, "upper": 0.10429775,
         "pred_lower": -2.21757169, "pred_upper": 0.43668991, "above": 0.03938024, "tau_mean": 0.34376643},
    ),
    (
        "half_normal_counts",
        {"name": "empty arm", "measure": "risk_ratio"},
        {"median": -3.63719772, "lower": -7.38701702, "upper": -1.30935518, "pred_lower": -7.50508475,
         "pred_upper": -1.12221618, "above": 0.0002303, "tau_mean": 0.3864006},
    ),
    (
        "half_normal_counts",
        {"name": "none and nine of sixty", "measure": "proportion"},
        {"median": -2.71623582, "lower": -5.16566832, "upper": -0.45862451, "pred_lower": -6.72973828,
         "pred_upper": 1.22115536, "tau_mean": 1.4192274},
    ),
    (
        "half_normal_counts",
        {"name": "no event at all", "measure": "proportion"},
        {"median": -6.37556554, "lower": -12.57987405, "upper": -3.63768705, "pred_lower": -12.84840186,
         "pred_upper": -3.02428321, "tau_mean": 0.75808735},
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("topic", "keys", "values"),
    OTHER_ENGINE,
    ids=lambda part: part.get("name") if isinstance(part, dict) else None,
)
def test_another_engine(topic: str, keys: dict[str, str], values: dict[str, float]) -> None:
    record = next(
        r for r in certified(topic) if all(r[k] == v for k, v in keys.items()) and not r.get("mean_sd")
    )
    answer: dict[str, Any] = record["answer"]
    ours = {
        "median": answer["median"],
        "mean": answer["mean"],
        "lower": answer["interval"][0],
        "upper": answer["interval"][1],
        "pred_lower": answer["prediction"][0],
        "pred_upper": answer["prediction"][1],
        "above": answer["above"][0][1],
        "tau_mean": answer["tau_mean"],
    }
    counts = topic == "half_normal_counts"
    for name, value in values.items():
        tolerance = 1e-4 if counts and name.startswith("pred") else 5e-6 if counts else 1e-6
        assert float(ours[name]) == pytest.approx(value, abs=tolerance), name


@pytest.mark.walk
def test_two_trials_after_transplantation() -> None:
    """Friede 2017 (Biom J 59:658), data of Crins 2014: status memory for the counts, computed for the limits (2e-3)."""
    pairs = [two_arms.effect("odds_ratio", row) for row in ((14, 61, 15, 20), (4, 36, 11, 36))]
    y, v = [p[0] for p in pairs if p], [p[1] for p in pairs if p]
    assert [round(float(x), 2) for x in y] == [-2.31, -1.26]
    assert [round(float(mp.sqrt(x)), 2) for x in v] == [0.60, 0.64]
    for scale, mean, lower, upper in ((0.5, -1.81027, -2.90566, -0.70564), (1.0, -1.80371, -3.34, -0.24694)):
        rows = bayes.Posterior(y, v, bayes.half_normal(mpf(scale))).mixture("mu")
        assert float(sum(mass * m for mass, m, _ in rows)) == pytest.approx(mean, abs=2e-3)
        for p, value in (("0.025", lower), ("0.975", upper)):
            assert float(bayes.mixture_quantile(rows, mpf(p))) == pytest.approx(value, abs=2e-3)


@pytest.mark.walk
def test_plain_integration_of_counts() -> None:
    """Two series, brute force in double precision: tau, mean and both studies' own effects on grids (scipy, numpy)."""
    rows = ((1, 12), (5, 20))
    eta = np.arange(-14, 9, 0.02)
    tables = [stats.binom.pmf(x, n, special.expit(eta)) for x, n in rows]
    mu = np.arange(-10, 5, 0.05)
    taus, weight = np.arange(0.025, 5, 0.05), []
    posterior = np.zeros((len(taus), len(mu)))
    for i, tau in enumerate(taus):  # midpoint rule
        bell = stats.norm.pdf(eta[None, :], mu[:, None], tau)
        bell /= bell.sum(axis=1, keepdims=True)
        weight = np.prod([bell @ table for table in tables], axis=0)
        posterior[i] = weight * np.exp(-(tau**2) / 2) * np.sqrt(special.expit(mu) * special.expit(-mu))
    posterior /= posterior.sum()
    studies = [
        half_normal_counts.Study(one_stage.binomial_kernel(*row), mpf(1) / 2 + 1 / mpf(row[0]))
        for row in rows
    ]
    ours = half_normal_counts.CountPosterior(studies, mpf(1), half_normal_counts.jeffreys_logit())
    assert float(ours.mean()) == pytest.approx(float((posterior.sum(axis=0) * mu).sum()), abs=1e-4)
    assert float(ours.tau_mean()) == pytest.approx(float((posterior.sum(axis=1) * taus).sum()), abs=1e-3)
    for q in (-3.0, -1.0):
        below = float((posterior * special.ndtr((q - mu[None, :]) / taus[:, None])).sum())
        assert float(ours.cdf("new", mpf(q))) == pytest.approx(below, abs=1e-3)


def test_even_densities() -> None:
    """Exact: the half-normal density itself, mean sqrt(2 / pi) and its own distribution function."""
    from oracle.whole_line import even_cdf, even_mean

    step = mpf(1) / 8
    density = [mp.exp(-((step * i) ** 2) / 2) for i in range(120)]
    masses = [
        item * step * mp.sqrt(2 / mp.pi) * (mpf(1) / 2 if i == 0 else 1) for i, item in enumerate(density)
    ]
    assert abs(even_mean(masses, step) - mp.sqrt(2 / mp.pi)) < mpf(10) ** -40
    for q in ("0.3", "1.7"):
        truth = mp.erf(mpf(q) / mp.sqrt(2))
        assert abs(even_cdf(masses, step, mpf(q)) - truth) < mpf(10) ** -40


def test_gauss_jacobi_is_exact() -> None:
    """Exact: moments of a Beta density; and against scipy's adaptive integration."""
    from oracle.whole_line import gauss_jacobi

    a, b = mpf(1) / 3, mpf(2) / 3
    nodes, weights = gauss_jacobi(6, a, b)
    for power in range(12):
        found = sum(w * x**power for x, w in zip(nodes, weights, strict=True))
        assert abs(found - mp.beta(a + power, b)) < mpf(10) ** -45
    truth, _ = integrate.quad(lambda x: np.cos(x), 0, 1, weight="alg", wvar=(-2 / 3, -1 / 3))
    found = sum(w * mp.cos(x) for x, w in zip(nodes, weights, strict=True))
    assert float(found) == pytest.approx(truth, abs=1e-10)
    assert all(x < y for x, y in itertools.pairwise(nodes))
