"""PET, PEESE, limit meta-analysis and step selection against certified values.

Sources of the methods: Stanley & Doucouliagos 2014; Rucker 2011; Vevea & Hedges 1995 (tests/reference/oracle/adjustments.py and
selection.py, written before their kernels were read). Source of the values: tests/reference/generate.py.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from agreement import CLOSED, ITERATED, Comparison, certified

from metakit.core.effects import EffectTable
from metakit.errors import NotEstimableError
from metakit.models.small_studies.limit_meta_analysis import limit_meta_analysis
from metakit.models.small_studies.pet_peese import PrecisionLine, pet_peese
from metakit.models.small_studies.selection_model import selection_model
from metakit.models.small_studies.small_study import small_study_test
from metakit.models.small_studies.small_study_adjustments import AdjustmentOptions, small_study_adjustment

ADJUSTMENTS = certified("small_study_adjustments")
SELECTIONS = certified("selection")


def arrays(record: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Return effects and variances as doubles."""
    effect, variance = (np.array([float(x) for x in record[name]]) for name in ("effect", "variance"))
    return effect, variance


def is_wide(record: dict[str, Any]) -> bool:
    """Say whether the variances span 12 orders, where rounding of the inputs itself costs digits."""
    return "12 orders" in record["name"]


@pytest.mark.parametrize("record", ADJUSTMENTS, ids=lambda r: r["name"])
def test_pet_and_peese(record: dict[str, Any]) -> None:
    """Both lines: intercept, slope, errors with estimated scale, t tests with k - 2 degrees of freedom."""
    found = pet_peese(*arrays(record), AdjustmentOptions())
    comparison = Comparison(record["name"])
    required = CLOSED - (3 if is_wide(record) else 0)
    for name in ("pet", "peese"):
        line: PrecisionLine = getattr(found, name)
        truth = record["pet_peese"][name]
        for term, value, error, p in (
            ("intercept", line.estimate, line.standard_error, line.p_value),
            ("slope", line.slope, line.slope_standard_error, line.slope_p_value),
        ):
            figures = truth[term]
            comparison.check(
                f"{name} {term}", value, figures["estimate"], required, figures["standard_error"]
            )
            comparison.check(f"{name} {term} error", error, figures["standard_error"], required)
            if term == "slope":
                comparison.check(f"{name} {term} p", p, figures["p_value"], required - 2)
        comparison.check_pair(
            f"{name} interval",
            line.interval,
            truth["intercept"]["interval"],
            required,
            truth["intercept"]["standard_error"],
        )
        assert found.df == truth["intercept"]["df"]
    # The certified p is two-sided; half of it is the one-sided p on the side of the mean, else its complement.
    effect, variance = arrays(record)
    intercept = record["pet_peese"]["pet"]["intercept"]
    same_side = float(intercept["statistic"]) * float(np.sum(effect / variance)) > 0
    half = float(intercept["p_value"]) / 2
    comparison.check("one-sided p", found.one_sided_p, half if same_side else 1 - half, required - 2)
    assert found.chosen == ("peese" if same_side and half < 0.05 else "pet")
    comparison.close()


@pytest.mark.parametrize("tau2", ["dersimonian_laird", "reml"])
@pytest.mark.parametrize("record", ADJUSTMENTS, ids=lambda r: r["name"])
def test_limit_meta_analysis(record: dict[str, Any], tau2: str) -> None:
    """Adjusted mean by expectation, its error, the bias, limit effects, and the two parts of Q."""
    effect, variance = arrays(record)
    truth = record["limit"][tau2]
    found = limit_meta_analysis(effect, variance, AdjustmentOptions(tau2=tau2))
    comparison = Comparison(record["name"])
    se = truth["adjusted"]["standard_error"]
    required = ITERATED - (1 if is_wide(record) else 0)
    comparison.check("tau2", found.tau2, truth["tau2"], required, float(np.median(variance)))
    comparison.check("adjusted", found.estimate, truth["adjusted"]["estimate"], required, se)
    comparison.check("error", found.standard_error, se, required)
    comparison.check_pair("interval", found.interval, truth["adjusted"]["interval"], required, se)
    comparison.check("bias", found.bias, truth["alpha"], required, 1)
    comparison.check("Q small-study", found.q_small_study.value, truth["q_small_study"], required, 1e-3)
    comparison.check("Q residual", found.q_residual.value, truth["q_residual"], required)
    for i, (value, true) in enumerate(zip(found.limit_effects, truth["limit_effects"], strict=True)):
        comparison.check(f"limit effect {i}", value, true, required, se)
    comparison.close()


def quick_and_slow() -> list[Any]:
    """Mark most fits with several steps as slow: each takes half a second with its profile of the mean."""
    return [
        pytest.param(
            record,
            id=f"{record['name']} {record['steps']}",
            marks=[]
            if len(record["steps"]) == 1 or record["name"].startswith(("magnesium", "effects"))
            else [pytest.mark.slow],
        )
        for record in SELECTIONS
    ]


@pytest.mark.parametrize("record", quick_and_slow())
def test_selection_model(record: dict[str, Any]) -> None:
    """Mean, tau2, weights and the likelihood-ratio test of no selection."""
    steps = tuple(float(step) for step in record["steps"])
    options = AdjustmentOptions(cut_points=steps, favoured="higher")
    found = selection_model(*arrays(record), options)
    comparison = Comparison(record["name"])
    se = record["mu_standard_error"]
    comparison.check("mean", found.estimate, record["mu"], ITERATED, se)
    comparison.check("error", found.standard_error, se, ITERATED)
    comparison.check_pair("Wald interval", found.wald_interval, record["mu_interval"], ITERATED, se)
    comparison.check(
        "tau2", found.tau2, record["tau2"], ITERATED, record["tau2_standard_error"] or float(se) ** 2
    )
    for step, weight in zip(found.steps[1:], record["weights"], strict=True):
        comparison.check(f"weight after {step.after}", step.weight, weight, ITERATED)
    comparison.check("log-likelihood", found.log_likelihood, record["log_likelihood"], ITERATED)
    ratio = record["likelihood_ratio"]
    comparison.check("likelihood ratio", found.selection.value, ratio["value"], ITERATED, 1)
    assert found.selection.df == ratio["df"]
    comparison.check("p", found.selection.p_value, ratio["p_value"], ITERATED - 1)
    comparison.close()


@pytest.mark.parametrize("size", [0.0, 0.3, -7e5])
def test_equal_effects_end_in_words(size: float) -> None:
    """All effects equal: nothing leans, no error can be estimated; the limit is the common value itself."""
    k = 12
    table = EffectTable(
        measure="mean_difference",
        scale="",
        study=tuple(f"study {i}" for i in range(k)),
        effect=np.full(k, size),
        variance=np.linspace(0.01, 0.3, k),
        estimable=np.ones(k, dtype=bool),
    )
    for test in ("egger", "begg"):
        with pytest.raises(NotEstimableError, match="same effect"):
            small_study_test(table, test)
    with pytest.raises(NotEstimableError, match="on a line"):
        small_study_adjustment(table, "pet_peese")
    with pytest.raises(NotEstimableError, match="one interval"):
        small_study_adjustment(table, "selection_model")
    limit = small_study_adjustment(table, "limit_meta_analysis")
    assert limit.estimate == pytest.approx(size, rel=1e-9, abs=1e-12)
    assert 0.1 < limit.standard_error < 0.2
