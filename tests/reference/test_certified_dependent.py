"""The three-level model with cluster-robust errors against its certified values: 9 digits.

Sources: Konstantopoulos 2011; Pustejovsky & Tipton 2022 (sampling correlation); Tipton 2015 (CR2, Satterthwaite). Source of
the values: tests/reference/generate.py, topic dependent; the eleven effects in six clusters are invented.
"""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from agreement import ITERATED, Comparison, certified

from metakit.measures.tables import effect_sizes
from metakit.models.multilevel import pool_dependent

RECORDS = [record for record in certified("dependent") if record["name"] == "three_level_reml"]


def fit(record: dict[str, Any], interval: str) -> Any:
    """Fit a record."""
    frame = pd.DataFrame(
        {
            "study": [f"effect {i}" for i in range(len(record["effect"]))],
            "cohort": record["cluster"],
            "effect": [float(x) for x in record["effect"]],
            "variance": [float(x) for x in record["variance"]],
        }
    )
    effects = effect_sizes(frame, measure="generic")
    return pool_dependent(
        effects, sampling_correlation=float(record["sampling_correlation"]), interval=interval
    )


@pytest.mark.lengthy
@pytest.mark.parametrize("record", RECORDS, ids=["boundary", "two variances", "correlated errors"])
def test_three_levels(record: dict[str, Any]) -> None:
    """Two variances, the mean, model-based and cluster-robust errors, degrees of freedom, p value."""
    truth, robust_truth = record["answer"], record["cluster_robust"]
    model, robust = fit(record, "wald"), fit(record, "cluster_robust")
    comparison = Comparison(f"correlation {record['sampling_correlation']}")
    comparison.check("tau2 between", model.tau2_between, truth["tau2_between"], ITERATED - 1, 1e-2)
    comparison.check("tau2 within", model.tau2_within, truth["tau2_within"], ITERATED - 1, 1e-2)
    comparison.check("estimate", model.estimate, truth["estimate"], ITERATED, truth["standard_error"])
    comparison.check("standard error", model.standard_error, truth["standard_error"], ITERATED - 1)
    comparison.check("robust error", robust.standard_error, robust_truth["standard_error"], ITERATED - 1)
    comparison.check("degrees of freedom", robust.mean.df, robust_truth["df"], ITERATED - 1)
    comparison.check("p value", robust.mean.p_value, robust_truth["p_value"], ITERATED - 1)
    comparison.check("log-likelihood", model.log_likelihood, truth["log_likelihood"], ITERATED)
    comparison.close()
