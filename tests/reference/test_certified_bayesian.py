"""The Bayesian normal-normal model against certified posteriors and printed ones.

Sources of the model: Higgins, Thompson & Spiegelhalter 2009; Rover 2021. Source of the values:
tests/reference/generate.py, topic bayesian (double-exponential quadrature over tau, 32 digits). The project asks for tail
probabilities to 6 digits; quantiles and moments are held to 7.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from agreement import Comparison, certified, published
from published_paths import effects_of

from metakit.models.pool import pool

POSTERIOR = 7.0
RECORDS = certified("bayesian")
each_record = pytest.mark.parametrize(
    "number", range(len(RECORDS)), ids=[f"{r['name']}/{r['tau_prior']['family']}" for r in RECORDS]
)


def prior_options(record: dict[str, Any]) -> dict[str, Any]:
    """Return the options that state a record's priors."""
    prior = record["tau_prior"]
    options: dict[str, Any] = {"tau_prior": prior["family"]}
    numbers = [float(item) for item in prior["parameters"]]
    if prior["family"] == "log_normal":
        # certified for ln tau; the option speaks of ln tau^2, twice as much
        options |= {"tau_prior_location": 2 * numbers[0], "tau_prior_scale": 2 * numbers[1]}
    elif prior["family"] == "uniform":
        options["tau_prior_scale"] = math.inf
    elif numbers:
        options["tau_prior_scale"] = numbers[0]
    if record["mean_prior"]:
        location, scale = (float(item) for item in record["mean_prior"])
        options |= {"mean_prior_location": location, "mean_prior_scale": scale}
    return options


@cache
def fit(number: int, **more: Any) -> Any:
    """Fit a record as ready effects; the tests share the fits."""
    record = RECORDS[number]
    effect, variance = (np.array([float(x) for x in record[name]]) for name in ("effect", "variance"))
    return pool(
        effect=effect, variance=variance, model="bayesian", threshold=0.0, **prior_options(record), **more
    )


@each_record
def test_posterior(number: int) -> None:
    """Mean, SD, median and limits of mu; median of tau; prediction; a study's own effect; a tail."""
    record, result = RECORDS[number], fit(number)
    comparison = Comparison(record["name"])
    mu = record["mu"]
    sd = mu["sd"] or 1
    comparison.check("median", result.estimate, mu["quantiles"][2], POSTERIOR, sd)
    comparison.check_pair(
        "interval", result.interval, (mu["quantiles"][0], mu["quantiles"][4]), POSTERIOR, 1e-3
    )
    comparison.check("mean", result.posterior_mean, mu["mean"], POSTERIOR, sd)
    if mu["sd"] is None:
        assert math.isinf(result.standard_error)
    else:
        comparison.check("sd", result.standard_error, mu["sd"], POSTERIOR)
    new = record["new_study"]["quantiles"]
    comparison.check_pair("prediction", result.prediction.interval, (new[0], new[4]), POSTERIOR, 1e-3)
    tau = record["tau"]["quantiles"]
    comparison.check(
        "tau2 at the median of tau", result.heterogeneity.tau2, str(float(tau[2]) ** 2), POSTERIOR
    )
    low, high = result.heterogeneity.tau2_interval
    comparison.check_pair("tau limits", (low**0.5, high**0.5), (tau[0], tau[4]), POSTERIOR - 1)
    if "mu_shortest_interval" in record:
        shortest = fit(number, interval="shortest").interval
        comparison.check_pair("shortest", shortest, record["mu_shortest_interval"], 5, 1e-2)
    comparison.close()


@each_record
def test_tail_probability(number: int) -> None:
    """P(mu < 0) and P(new effect < 0), to 6 digits."""
    record = RECORDS[number]
    (tail,) = fit(number).tail_probabilities
    comparison = Comparison(record["name"])
    comparison.check("mean", 1 - tail.mean_above, record["mu"]["probability_below_zero"], 6)
    comparison.check(
        "new centre", 1 - tail.new_centre_above, record["new_study"]["probability_below_zero"], 6
    )
    comparison.close()


def printed_posterior() -> list[dict[str, Any]]:
    """Return the printed quantiles of beta-blockers under a uniform prior."""
    rows = [
        x for x in published("betablockers")["expected"] if (x["path"] or "").startswith("bayes_uniform_tau/")
    ]
    # the median in a new centre is not part of metakit's answer
    return [x for x in rows if x["path"] != "bayes_uniform_tau/new_q/2"]


@pytest.mark.parametrize(
    "item", printed_posterior(), ids=lambda item: f"{item['status']}: {item['quantity']}"
)
def test_printed_posterior_of_the_beta_blockers(item: dict[str, Any]) -> None:
    """Status memory: Gelman, Bayesian Data Analysis, table 5.5: uniform prior on tau, 5000 draws."""
    figure, place = item["path"].split("/")[1:]
    level = {"0": 0.95, "4": 0.95, "1": 0.5, "3": 0.5, "2": 0.95}[place]
    if (figure, place) == ("new_q", "2"):
        level = 0.002  # the limits close in on the median
    result = pool(
        effects_of("betablockers", "odds_ratio"),
        model="bayesian",
        tau_prior="uniform",
        tau_prior_scale=math.inf,
        level=level,
    )
    side = 0 if int(place) < 2 else 1
    if figure == "mu_q":
        found = result.estimate if place == "2" else result.interval[side]
    elif figure == "tau_q":
        tau2 = result.heterogeneity.tau2 if place == "2" else result.heterogeneity.tau2_interval[side]
        found = tau2**0.5
    else:
        found = result.prediction.interval[side]
    assert found == pytest.approx(item["value"], abs=item["tolerance"])
