"""One-stage models against brute-force quadrature on the whole line: 9 digits, as for other iterated figures.

Sources of the models: Stijnen, Hamza & Ozdemir 2010; Jackson 2018; Kuss 2015. Source of the values:
tests/reference/generate.py, topic one_stage; two of the data sets also carry the collection's own values (status computed).
"""

from __future__ import annotations

from functools import cache
from typing import Any

import pandas as pd
import pytest
from agreement import ITERATED, Comparison, certified, published

from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool

BETA = [record for record in certified("one_stage") if record["model"] == "beta_binomial"]
# where in the model half of the random part sits in each arm is a choice; metakit's is the one with halves
RECORDS = [r for r in certified("one_stage") if r["model"] != "beta_binomial" and r.get("halves", True)]
VARIANTS = {
    "binomial_normal": ("proportion", "binomial_normal", ["events", "total"]),
    "poisson_normal": ("rate", "poisson_normal", ["events", "time"]),
    "hypergeometric_normal": (
        "odds_ratio",
        "conditional_hypergeometric_normal",
        ["events_1", "total_1", "events_2", "total_2"],
    ),
    "rate_ratio_binomial_normal": (
        "rate_ratio",
        "conditional_binomial_normal",
        ["events_1", "time_1", "events_2", "time_2"],
    ),
    "fixed_study_intercepts": (
        "odds_ratio",
        "binomial_normal_fixed_study_intercepts",
        ["events_1", "total_1", "events_2", "total_2"],
    ),
}
each_record = pytest.mark.parametrize(
    "number", range(len(RECORDS)), ids=[f"{r['model']}/{r['name']}" for r in RECORDS]
)


@cache
def fit(number: int, interval: str) -> Any:
    """Fit a record."""
    record = RECORDS[number]
    measure, variant, columns = VARIANTS[record["model"]]
    frame = pd.DataFrame([[float(x) for x in row] for row in record["rows"]], columns=columns)
    frame.insert(0, "study", [f"study {i}" for i in range(len(frame))])
    effects = effect_sizes(frame, measure=measure)
    return pool(effects, model="one_stage", variant=variant, interval=interval)


@each_record
def test_maximum(number: int) -> None:
    """Mean, its Wald error, tau2, log-likelihood with all constants, likelihood-ratio test of tau2 = 0."""
    record, result = RECORDS[number], fit(number, "wald")
    comparison = Comparison(f"{record['model']}/{record['name']}")
    comparison.check("estimate", result.estimate, record["estimate"], ITERATED, record["standard_error"])
    comparison.check("standard error", result.standard_error, record["standard_error"], ITERATED - 1)
    if "tau2" in record:
        assert result.boundary == record["boundary"]
        comparison.check("tau2", result.heterogeneity.tau2, record["tau2"], ITERATED - 1, 1e-2)
    if "likelihood_ratio" in record:
        test = result.heterogeneity_test
        comparison.check("likelihood ratio", test.value, record["likelihood_ratio"]["value"], ITERATED, 1e-1)
        comparison.check("p value", test.p_value, record["likelihood_ratio"]["p_value"], ITERATED - 1, 1e-3)
    comparison.close()


@each_record
def test_log_likelihood(number: int) -> None:
    """The constants that do not depend on the parameters are kept, so that models can be compared."""
    record, result = RECORDS[number], fit(number, "wald")
    comparison = Comparison(f"{record['model']}/{record['name']}")
    comparison.check("log-likelihood", result.log_likelihood, record["log_likelihood"], ITERATED)
    comparison.close()


@pytest.mark.parametrize(
    "number",
    [i for i, r in enumerate(RECORDS) if "profile_likelihood_interval" in r],
    ids=[f"{r['model']}/{r['name']}" for r in RECORDS if "profile_likelihood_interval" in r],
)
def test_profile_likelihood_interval(number: int) -> None:
    """Both limits."""
    record, result = RECORDS[number], fit(number, "profile_likelihood")
    comparison = Comparison(f"{record['model']}/{record['name']}")
    truth = record["profile_likelihood_interval"]
    comparison.check_pair("interval", result.interval, truth, ITERATED - 1, record["standard_error"])
    comparison.close()


@pytest.mark.parametrize(
    ("table", "model"), [("surgical_mortality", "binomial_normal"), ("pump_rates", "poisson_normal")]
)
def test_collection(table: str, model: str) -> None:
    """Status computed, and said by the collection to agree with a general mixed-model program to about 8 digits."""
    number = next(i for i, r in enumerate(RECORDS) if (r["name"], r["model"]) == (table, model))
    computed, result = published(table)["computed"], fit(number, "wald")
    prefix = f"one_stage_{model}"
    comparison = Comparison(table)
    comparison.check("mu", result.estimate, str(computed[f"{prefix}/mu"]), ITERATED)
    comparison.check("tau2", result.heterogeneity.tau2, str(computed[f"{prefix}/tau2"]), ITERATED - 1)
    comparison.check("log-likelihood", result.log_likelihood, str(computed[f"{prefix}/loglik"]), ITERATED)
    comparison.check("standard error", result.standard_error, str(computed[f"{prefix}/se_mu"]), 8)
    comparison.close()


@pytest.mark.parametrize("measure", ["odds_ratio", "risk_ratio", "risk_difference"])
@pytest.mark.parametrize("record", BETA, ids=lambda record: record["name"])
def test_beta_binomial(record: dict[str, Any], measure: str) -> None:
    """Kuss 2015: three contrasts of the same two means, one correlation, its likelihood-ratio test."""
    frame = pd.DataFrame(record["rows"], columns=["events_1", "total_1", "events_2", "total_2"])
    frame.insert(0, "study", [f"study {i}" for i in range(len(frame))])
    effects = effect_sizes(frame, measure=measure)
    result = pool(effects, model="one_stage", variant="beta_binomial", interval="wald")
    truth, comparison = record["contrasts"][measure], Comparison(f"{record['name']}/{measure}")
    comparison.check("estimate", result.estimate, truth["estimate"], ITERATED, truth["standard_error"])
    comparison.check("standard error", result.standard_error, truth["standard_error"], ITERATED - 1)
    comparison.check("correlation", result.correlation, record["correlation"], ITERATED - 1)
    comparison.check("log-likelihood", result.log_likelihood, record["log_likelihood"], ITERATED)
    comparison.check(
        "likelihood ratio", result.correlation_test.value, record["likelihood_ratio"]["value"], ITERATED
    )
    comparison.check(
        "p value", result.correlation_test.p_value, record["likelihood_ratio"]["p_value"], ITERATED - 2
    )
    comparison.close()
