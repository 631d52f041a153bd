"""The half-normal default against the 50-digit reference, which was written before its kernels were read.

Sources of the models: Friede 2017; Rover 2021; Gunhan 2020; Stijnen 2010; Cai 2010; Higgins 2009 (new centre). Source of
the values: tests/reference/generate.py, topics half_normal_effects and half_normal_counts. Figures are held to 9 digits of themselves or of the posterior's width, whichever is larger (the issue asks for a quadrature
error below 1e-9).
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from agreement import ITERATED, Comparison, certified
from oracle.topics_half_normal import MEAN_SD

from metakit.measures.families.two_arm_counts import odds_ratio, risk_ratio
from metakit.models.pool import pool
from metakit.numerics.of_counts.count_models import (
    binomial_logit,
    conditional_binomial,
    conditional_hypergeometric,
    poisson_log,
)
from metakit.numerics.posteriors.half_normal_counts import half_normal_counts
from metakit.numerics.posteriors.half_normal_effects import half_normal_effects

EFFECTS = certified("half_normal_effects")
COUNTS = certified("half_normal_counts")
COLUMNS = ("events_1", "total_1", "events_2", "total_2")


def name_of(record: dict[str, Any]) -> str:
    """Return the id of a record."""
    parts = (record.get("measure"), record["name"], record["scale"], record.get("mean_sd"))
    return "/".join(str(part) for part in parts if part)


def width(answer: dict[str, Any]) -> float:
    """Return the width of the interval, the yardstick of figures near zero."""
    return float(answer["interval"][1]) - float(answer["interval"][0])


def check_result(comparison: Comparison, result: Any, answer: dict[str, Any]) -> None:
    """Compare a public result with what is certified."""
    yardstick = width(answer)
    comparison.check("median", result.estimate, answer["median"], ITERATED, yardstick)
    comparison.check_pair("interval", result.interval, answer["interval"], ITERATED, yardstick)
    comparison.check_pair("prediction", result.prediction.interval, answer["prediction"], ITERATED, yardstick)
    low, high = result.heterogeneity.tau2_interval
    comparison.check_pair("tau limits", (low**0.5, high**0.5), answer["tau_interval"], ITERATED, "0.1")
    comparison.check("tau", result.heterogeneity.tau2**0.5, answer["tau_median"], ITERATED, "0.1")


# --- normal effects ------------------------------------------------------------------------------


@cache
def columns_of(number: int) -> tuple[Any, Any]:
    """Return effects and variances of a record of normal effects."""
    record = EFFECTS[number]
    if "effect" in record:
        return tuple(np.array([float(x) for x in record[name]]) for name in ("effect", "variance"))
    measure = {"risk_ratio": risk_ratio, "odds_ratio": odds_ratio}[record["measure"]]
    columns = np.array([[float(x) for x in row] for row in record["rows"]]).T
    found = measure(dict(zip(COLUMNS, columns, strict=True)), zero_cells=record["correction"])
    return found.effect[found.estimable], found.variance[found.estimable]


@pytest.mark.parametrize("number", range(len(EFFECTS)), ids=[name_of(record) for record in EFFECTS])
def test_kernel_of_normal_effects(number: int) -> None:
    """Median, mean, limits, new centre, tails and spread of the kernel."""
    record = EFFECTS[number]
    answer, comparison = record["answer"], Comparison(name_of(record))
    effect, variance = columns_of(number)
    deviation = float(record["mean_sd"]) if record["mean_sd"] else np.inf
    yardstick = width(answer)
    for threshold, above, new_above in answer["above"]:
        found = half_normal_effects(
            effect,
            variance,
            scale=float(record["scale"]),
            mean_deviation=deviation,
            threshold=float(threshold),
        )
        comparison.check(f"above {threshold}", float(found.above), above, ITERATED, 1)
        comparison.check(f"new above {threshold}", float(found.new_above), new_above, ITERATED, 1)
    comparison.check("median", float(found.median), answer["median"], ITERATED, yardstick)
    comparison.check("mean", float(found.mean), answer["mean"], ITERATED, yardstick)
    comparison.check_pair(
        "interval", (float(found.lower), float(found.upper)), answer["interval"], ITERATED, yardstick
    )
    comparison.check_pair(
        "prediction",
        (float(found.new_lower), float(found.new_upper)),
        answer["prediction"],
        ITERATED,
        yardstick,
    )
    comparison.check("tau", float(found.tau), answer["tau_median"], ITERATED, "0.1")
    comparison.check_pair(
        "tau limits",
        (float(found.tau_lower), float(found.tau_upper)),
        answer["tau_interval"],
        ITERATED,
        "0.1",
    )
    comparison.close()


READY = [i for i, r in enumerate(EFFECTS) if "effect" in r and r["mean_sd"] is None and len(r["effect"]) > 1]


@pytest.mark.parametrize("number", READY, ids=[name_of(EFFECTS[i]) for i in READY])
def test_pool_of_ready_effects(number: int) -> None:
    """The public answer is the kernel's."""
    record, comparison = EFFECTS[number], Comparison(name_of(EFFECTS[number]))
    effect, variance = columns_of(number)
    result = pool(
        effect=effect, variance=variance, model="half_normal", tau_prior_scale=float(record["scale"])
    )
    check_result(comparison, result, record["answer"])
    comparison.close()


# --- counts --------------------------------------------------------------------------------------


MODELS = {
    "risk_ratio": conditional_binomial,
    "odds_ratio": conditional_hypergeometric,
    "rate_ratio": conditional_binomial,
    "proportion": binomial_logit,
    "rate": poisson_log,
}


@pytest.mark.parametrize("number", range(len(COUNTS)), ids=[name_of(record) for record in COUNTS])
def test_counts(number: int) -> None:
    """Conditional binomial, non-central hypergeometric, binomial and Poisson with normal effects."""
    record = COUNTS[number]
    measure, answer, comparison = record["measure"], record["answer"], Comparison(name_of(record))
    assert record["mean"] in (f"normal(0, {MEAN_SD})", "jeffreys")
    columns = np.array([[float(x) for x in row] for row in record["rows"]]).T
    found = half_normal_counts(MODELS[measure](*columns), scale=float(record["scale"]))
    posterior, yardstick = found.posterior, width(answer)

    def quantiles(new_centre: bool) -> list[float]:
        return [float(posterior.quantile(p, new_centre=new_centre)) for p in (0.025, 0.5, 0.975)]

    low, middle, high = quantiles(False)
    comparison.check("median", middle, answer["median"], ITERATED, yardstick)
    comparison.check("mean", posterior.moments()[0], answer["mean"], ITERATED, yardstick)
    comparison.check_pair("interval", (low, high), answer["interval"], ITERATED, yardstick)
    low, _, high = quantiles(True)
    comparison.check_pair("prediction", (low, high), answer["prediction"], ITERATED, yardstick)
    low, middle, high = found.tau_quantiles(0.025, 0.5, 0.975).tolist()
    comparison.check("tau", middle, answer["tau_median"], ITERATED, "0.1")
    comparison.check_pair("tau limits", (low, high), answer["tau_interval"], ITERATED, "0.1")
    for threshold, above, new_above in answer["above"]:
        at = float(threshold)
        comparison.check(f"above {at}", 1 - float(posterior.below(at)), above, ITERATED, 1)
        new = 1 - float(posterior.below(at, new_centre=True))
        comparison.check(f"new above {at}", new, new_above, ITERATED, 1)
    comparison.close()
