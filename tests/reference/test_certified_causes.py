"""Causes that share a total against the 50-digit reference, brute force and a library.

Sources of the model: Mosimann 1962 (from memory; the priors as the module `metakit.numerics.posteriors.causes` states them). Source
of the values: tests/reference/generate.py, topic causes (Gaussian rules that are exact for the posterior of the shares).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from agreement import CLOSED, ITERATED, Comparison, certified
from mpmath import mp, mpf
from oracle import causes as oracle
from scipy import special, stats

import metakit
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
    rows = []
    for study, (first, second, missing) in enumerate(
        zip(*BOUNDS["counts"], BOUNDS["not_stated"], strict=True)
    ):
        for cause, thumbs in (
            ("residual_bone", first),
            ("mp_hyperextension", second),
            ("all_causes", first + second + missing),
        ):
            rows.append({"study": f"study {study}", "cause": cause, "thumbs": thumbs, "total": 90})
    answer = next(
        item for item in metakit.causes(pd.DataFrame(rows)).overall.causes if item.cause == "residual_bone"
    )
    comparison = Comparison("bounds")
    for what, estimate in (("none", answer.share_if_none), ("all", answer.share_if_all)):
        assert estimate is not None
        truth = BOUNDS[what]
        comparison.check(f"{what} mean", estimate.mean, truth["mean"], CLOSED, 0.1)
        comparison.check(f"{what} median", estimate.median, truth["median"], ITERATED, 0.1)
        comparison.check_pair(what, estimate.interval, truth["interval"], ITERATED, 0.1)
    comparison.close()


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
