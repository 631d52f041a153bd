"""Causes that share a total against the 50-digit reference, brute force and a library.

Sources of the model: Mosimann 1962 (from memory; the priors as the module `metakit.numerics.posteriors.causes` states them). Source
of the values: tests/reference/generate.py, topic causes (Gaussian rules that are exact for the posterior of the shares).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from agreement import CLOSED, ITERATED, Comparison, certified, published
from mpmath import mp, mpf
from oracle import causes as oracle
from scipy import optimize, special, stats

from metakit.core.causes import StudyReturns
from metakit.models.causes_of_return.causes_dirichlet import cause_models
from metakit.numerics.posteriors.causes import shares
from metakit.numerics.posteriors.causes_limits import new_centre_parts, share_parts, tau_quantiles

RECORDS = [record for record in certified("causes") if "shares" in record]
KNOWN = [record for record in certified("causes") if record["name"] == "log probability"]
BOUNDS = next(record for record in certified("causes") if record["name"] == "bounds")
TAILS = np.array([0.025, 0.5, 0.975])


@pytest.mark.parametrize("record", KNOWN, ids=lambda record: str(record["counts"]))
def test_the_reference_agrees_with_a_library(record: dict[str, Any]) -> None:
    """Source: scipy.stats.dirichlet_multinomial, an independent general-purpose library."""
    alpha = [float(a) for a in record["alpha"]]
    theirs = stats.dirichlet_multinomial.logpmf(record["counts"], alpha, sum(record["counts"]))
    assert float(record["log_probability"]) == pytest.approx(float(theirs), abs=1e-12)


def test_printed_example() -> None:
    """1, 2 and 3 of 6 with alpha 3, 4, 5: 0.08484162895927604, the example of scipy's documentation (from memory)."""
    value = mp.exp(oracle.log_probability((1, 2, 3), [mpf(3), mpf(4), mpf(5)]))
    assert float(value) == pytest.approx(0.08484162895927604, rel=1e-15)


@pytest.mark.walk
def test_pollen_of_mosimann() -> None:
    """73 levels of a core, four kinds of pollen: the maximum of the kernel's likelihood, and its posterior.

    Source: published/pollen_mosimann.yaml (counts of Mosimann 1962 and the parameters printed with them).
    """
    content = published("pollen_mosimann")
    counts = np.array(content["rows"])[:, 1:].T
    printed = np.array([item["value"] for item in content["expected"]])
    assert counts.shape == (4, 73)
    assert set(counts.sum(axis=0)) == {100}
    found = shares(counts)
    prior = 1.0 / found.causes
    polynomials = [found.log_coefficients(cause)[0] for cause in range(found.causes)]

    def log_likelihood(alpha: np.ndarray) -> float:
        """The kernel's polynomials in s theta over its crowding of returns: rising powers of Mosimann 1962."""
        value = -73 * (special.gammaln(alpha.sum() + 100) - special.gammaln(alpha.sum()))
        for own, each in zip(polynomials, alpha, strict=True):
            power = np.arange(len(own))
            bare = own - special.gammaln(prior + power) + special.gammaln(prior)
            value += special.logsumexp(bare + power * np.log(each))
        return float(value)

    constant = 73 * special.gammaln(101) - special.gammaln(counts + 1).sum()
    theirs = stats.dirichlet_multinomial.logpmf(counts.T, printed, 100).sum()
    assert log_likelihood(printed) + constant == pytest.approx(theirs, rel=1e-10)
    best = optimize.minimize(
        lambda logs: -log_likelihood(np.exp(logs)), np.zeros(4), method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 4000},
    )  # fmt: skip
    assert best.success
    for value, item in zip(np.exp(best.x), content["expected"], strict=True):
        assert value == pytest.approx(item["value"], abs=item["tolerance"])
    assert 0 <= -best.fun - log_likelihood(printed) < 5e-4
    # 7,300 grains leave the prior little to say.
    assert found.mean == pytest.approx(printed / printed.sum(), abs=1e-3)
    low, middle, high = tau_quantiles(found, TAILS).tolist()
    assert low < 2 / np.sqrt(printed.sum()) < high
    assert middle == pytest.approx(2 / np.sqrt(printed.sum()), rel=0.03)


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record["name"])
def test_posterior(record: dict[str, Any]) -> None:
    """Means, medians and limits of the shares, tau, and the probability of the data."""
    found, comparison = shares(record["counts"], scale=float(record["scale"])), Comparison(record["name"])
    for cause, truth in enumerate(record["shares"]):
        low, middle, high = share_parts(found, cause).quantiles(TAILS).tolist()
        comparison.check(f"mean {cause}", float(found.mean[cause]), truth["mean"], CLOSED, 0.1)
        comparison.check(f"median {cause}", middle, truth["median"], ITERATED, 0.1)
        comparison.check_pair(f"limits {cause}", (low, high), truth["interval"], ITERATED, 0.1)
    low, middle, high = tau_quantiles(found, TAILS).tolist()
    comparison.check("tau", middle, record["tau_median"], ITERATED, 0.1)
    comparison.check_pair("tau limits", (low, high), record["tau_interval"], ITERATED, 0.1)
    comparison.check(
        "tau mean", float(np.sum(found.tau * found.tau_weight)), record["tau_mean"], ITERATED, 0.1
    )
    comparison.check("log marginal", float(found.log_marginal), record["log_marginal"], CLOSED, 1)
    comparison.close()
    assert float(found.mean.sum()) == pytest.approx(1.0, abs=1e-12)


def test_bounds_for_causes_not_stated() -> None:
    """As if none, and as if all, of the thumbs without a stated cause came back for this one."""
    told = [
        StudyReturns(
            study=f"study {study}", counts={"residual_bone": first, "mp_hyperextension": second},
            returned=first + second + missing, not_stated=missing,
        )
        for study, (first, second, missing) in enumerate(
            zip(*BOUNDS["counts"], BOUNDS["not_stated"], strict=True)
        )
    ]  # fmt: skip
    model = cause_models(told, ["residual_bone", "mp_hyperextension"], 0, 0.95, exclusive=True)
    comparison = Comparison("bounds")
    for what, pool in (("none", model.none), ("all", model.most)):
        assert pool is not None
        estimate = pool.estimate(predicted=False)
        truth = BOUNDS[what]
        comparison.check(f"{what} mean", estimate.mean, truth["mean"], CLOSED, 0.1)
        comparison.check(f"{what} median", estimate.median, truth["median"], ITERATED, 0.1)
        comparison.check_pair(what, estimate.interval, truth["interval"], ITERATED, 0.1)
    comparison.close()


@pytest.mark.lengthy
def test_a_new_centre_by_brute_force() -> None:
    """Two causes, two studies: the double integral over tau and the mean share on a fine grid (x = sin^2 phi)."""
    counts = np.array([[5, 1], [2, 7]])
    phi = (np.arange(4000) + 0.5) / 4000 * np.pi / 2
    x = np.sin(phi) ** 2  # the prior x^(-1/2) (1-x)^(-1/2) dx is 2 dphi
    taus = np.arange(0.02, 6.0, 0.02)
    parts = new_centre_parts(shares(counts), 0)
    limits = parts.quantiles(TAILS)
    below, mass = np.zeros(len(limits)), 0.0
    for tau in taus:
        h = tau**2 / 4
        density = np.full(len(x), np.exp(-(tau**2) / 2))
        for first, second in counts.T:
            for j in range(first):
                density *= x + j * h
            for j in range(second):
                density *= 1 - x + j * h
            for j in range(first + second):
                density /= 1 + j * h
        mass += float(density.sum())
        below += [float((density * special.betainc(x / h, (1 - x) / h, q)).sum()) for q in limits]
    # tau = 0 weighs half a step in the trapezoid rule; there the new centre's share is the mean share
    density = np.prod([x**a * (1 - x) ** b for a, b in counts.T], axis=0) / 2
    mass += float(density.sum())
    below += [float(density[x <= q].sum()) for q in limits]
    assert below / mass == pytest.approx(TAILS, abs=3e-5)
