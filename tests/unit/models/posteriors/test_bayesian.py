"""Bayesian pooling: defaults by measure, priors that are said and varied, few studies, wrong use."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.measures.tables import effect_sizes
from metakit.models.posteriors.bayesian import fit
from metakit.models.posteriors.bayesian_priors import TAU_PRIORS
from metakit.models.registry import PoolOptions

# Invented numbers throughout.
READY = {"study": list("ABCD"), "effect": [0.12, -0.35, 0.61, 0.28], "variance": [0.05, 0.11, 0.08, 0.21]}
COUNTS = {
    "study": list("ABC"),
    "events_1": [4, 7, 2],
    "total_1": [40, 60, 35],
    "events_2": [8, 9, 6],
    "total_2": [41, 58, 36],
}
MEANS = {
    "study": list("AB"),
    "mean_1": [10.0, 11.0],
    "sd_1": [20.0, 21.0],
    "total_1": [30, 40],
    "mean_2": [14.0, 12.0],
    "sd_2": [19.0, 22.0],
    "total_2": [30, 41],
}


def pooled(
    table: dict[str, Any],
    measure: str = "generic",
    *,
    level: float = 0.95,
    interval: str | None = None,
    **extra: Any,
) -> Any:
    return fit(effect_sizes(table, measure=measure), PoolOptions(level=level, interval=interval, extra=extra))


def test_log_ratios_have_the_half_normal_of_one_half() -> None:
    """Rover 2021: half-normal with scale 0.5 on tau for log ratios."""
    result = pooled(COUNTS, "odds_ratio")
    assert "half-normal with scale 0.5" in result.prior and "mean flat" in result.prior
    assert result.prior in result.notes
    assert result.estimate == pooled(COUNTS, "odds_ratio", tau_prior_scale=0.5).estimate


def test_single_arms_have_the_wider_half_normal() -> None:
    table = {"study": list("AB"), "events": [3, 5], "total": [40, 50]}
    assert "half-normal with scale 1 " in pooled(table, "proportion").prior


def test_other_measures_take_an_eighth_of_the_unit_information() -> None:
    """Rover 2021: the unit-information standard deviation is the root of sum n over sum 1/v."""
    result, effects = pooled(MEANS, "mean_difference"), effect_sizes(MEANS, measure="mean_difference")
    unit = math.sqrt(141 / np.sum(1 / effects.variance))
    assert f"half-normal with scale {unit / 8:g}" in result.prior
    assert "unit-information" in result.prior


def test_ready_effects_need_a_stated_scale() -> None:
    with pytest.raises(UsageError, match="state tau_prior_scale on the analysis scale"):
        pooled(READY)


def test_the_prior_is_varied_by_half_and_double() -> None:
    result = pooled(READY, tau_prior_scale=0.4)
    assert [item.factor for item in result.prior_variations] == [0.5, 2.0]
    for item in result.prior_variations:
        other = pooled(READY, tau_prior_scale=0.4 * item.factor)
        assert item.estimate == pytest.approx(other.estimate, abs=1e-12)
        assert item.interval == pytest.approx(other.interval, abs=1e-12)
        assert any(f"tau {item.prior} instead" in note for note in result.notes)
    widths = [item.interval.upper - item.interval.lower for item in result.prior_variations]
    assert widths[0] < result.interval.upper - result.interval.lower < widths[1]


def test_the_log_normal_prior_is_varied_on_tau() -> None:
    """Doubling tau adds 2 ln 2 to ln tau squared."""
    result = pooled(READY, tau_prior="log_normal", tau_prior_location=-2.56, tau_prior_scale=1.74)
    double = pooled(
        READY, tau_prior="log_normal", tau_prior_location=-2.56 + 2 * math.log(2), tau_prior_scale=1.74
    )
    assert result.prior_variations[1].estimate == pytest.approx(double.estimate, abs=1e-12)


def test_tail_probabilities_are_asked_in_natural_units() -> None:
    result = pooled(COUNTS, "odds_ratio", threshold=[1.0, 0.8])
    assert [tail.threshold for tail in result.tail_probabilities] == [1.0, 0.8]
    at_limit = pooled(COUNTS, "odds_ratio", threshold=math.exp(result.interval.upper)).tail_probabilities[0]
    assert at_limit.mean_above == pytest.approx(0.025, abs=1e-9)
    new = pooled(
        COUNTS, "odds_ratio", threshold=math.exp(result.prediction.interval.lower)
    ).tail_probabilities[0]
    assert new.new_centre_above == pytest.approx(0.975, abs=1e-9)
    (default,) = pooled(COUNTS, "odds_ratio").tail_probabilities
    assert default.threshold == 1.0
    assert pooled({"study": ["A"], "events": [3], "total": [40]}, "proportion").tail_probabilities == ()


def test_studies_are_drawn_towards_the_mean() -> None:
    result = pooled(READY, tau_prior_scale=0.4)
    for row, shrunken in zip(result.studies, result.shrinkage, strict=True):
        low, high = sorted((row.effect, result.estimate))
        assert low - 0.02 < shrunken.median < high + 0.02
        own = row.interval.upper - row.interval.lower
        assert shrunken.interval.upper - shrunken.interval.lower < own
    assert sum(row.weight for row in result.studies) == pytest.approx(1.0)


def test_one_study_against_brute_force() -> None:
    """Source: scipy.integrate.quad over the half-normal prior: a scale mixture of normals."""
    result = pooled({"study": ["A"], "effect": [0.3], "variance": [0.04]}, tau_prior_scale=0.5)

    def below(limit: float, extra: int) -> float:
        value, _ = integrate.quad(
            lambda t: (
                stats.halfnorm.pdf(t, scale=0.5)
                * stats.norm.cdf(limit, 0.3, math.sqrt(0.04 + (1 + extra) * t * t))
            ),
            0,
            np.inf,
            epsabs=1e-12,
        )
        return float(value)

    assert result.estimate == pytest.approx(0.3, abs=1e-12)
    assert below(result.interval.lower, 0) == pytest.approx(0.025, abs=1e-8)
    assert below(result.prediction.interval.upper, 1) == pytest.approx(0.975, abs=1e-8)
    assert any("One study" in note for note in result.notes)


def test_two_studies_say_that_the_prior_decides() -> None:
    result = pooled(MEANS, "mean_difference")
    assert any("Two studies say next to nothing on tau" in note for note in result.notes)


def test_a_posterior_without_mean_says_so() -> None:
    """One study under a half-Cauchy prior: tails too heavy for a mean."""
    one = {"study": ["A"], "effect": [0.3], "variance": [0.04]}
    result = pooled(one, tau_prior="half_cauchy", tau_prior_scale=0.5)
    assert result.posterior_mean is None and math.isinf(result.standard_error)
    assert result.to_json()["standard_error"] is None
    assert any("no mean" in note for note in result.notes)


def test_shortest_is_shorter_and_both_are_shown() -> None:
    equal, shortest = (
        pooled(READY, tau_prior_scale=0.4, interval=name) for name in ("equal_tailed", "shortest")
    )
    assert shortest.mean.method == "shortest" and shortest.other_intervals[0].method == "equal_tailed"
    assert shortest.interval.upper - shortest.interval.lower < equal.interval.upper - equal.interval.lower
    assert equal.other_intervals[0].interval == pytest.approx(shortest.interval, abs=1e-9)
    assert equal.tau_shortest.lower == 0.0


def test_json_holds_no_nan_and_names_every_part() -> None:
    answer = pooled(READY, tau_prior_scale=0.4).to_json()
    for key in ("prior", "posterior_mean", "shrinkage", "tail_probabilities", "prior_variations"):
        assert answer[key] is not None
    assert answer["model"] == "bayesian" and answer["interval_method"] == "equal_tailed"


@pytest.mark.parametrize("name", TAU_PRIORS.names())
def test_every_prior_can_be_fitted_and_is_said(name: str) -> None:
    extra: dict[str, Any] = {"tau_prior": name, "tau_prior_scale": 0.7}
    if TAU_PRIORS[name].needs_location:
        extra["tau_prior_location"] = -2.0
    result = pooled(READY, **extra)
    assert TAU_PRIORS[name].label.split(" ")[0] in result.prior
    assert result.interval.lower < result.estimate < result.interval.upper


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ({"tau_prior_scale": 0.0}, "above 0"),
        ({"tau_prior_scale": "wide"}, "above 0, not 'wide'"),
        ({"tau_prior_scale": math.inf}, "above 0"),
        ({"tau_prior": "uniform"}, "upper end"),
        ({"tau_prior": "log_normal", "tau_prior_scale": 1.0}, "tau_prior_location"),
        ({"tau_prior_scale": 1.0, "tau_prior_location": 0.0}, "no location"),
        ({"tau_prior_scale": 1.0, "mean_prior_scale": 2.0}, "needs both"),
        ({"tau_prior_scale": 1.0, "mean_prior_location": 0.0, "mean_prior_scale": -1}, "above 0"),
        ({"tau_prior_scale": 1.0, "draws": 1000}, "no option draws"),
        ({"tau_prior_scale": 1.0, "threshold": "big"}, "threshold"),
    ],
)
def test_wrong_priors_are_refused_in_one_sentence(extra: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        pooled(READY, **extra)


def test_wrong_names_get_the_nearest() -> None:
    with pytest.raises(UnknownNameError, match="did you mean half_normal"):
        pooled(READY, tau_prior="halfnormal", tau_prior_scale=1.0)
    with pytest.raises(UnknownNameError, match="equal_tailed"):
        pooled(READY, tau_prior_scale=1.0, interval="wald")
    with pytest.raises(UsageError, match="no option tau2"):
        fit(effect_sizes(COUNTS, measure="odds_ratio"), PoolOptions(tau2="reml"))
    with pytest.raises(UsageError, match="threshold must lie inside the range"):
        pooled(COUNTS, "odds_ratio", threshold=-1.0)


def test_an_improper_posterior_is_refused() -> None:
    with pytest.raises(UsageError, match="at least 3 studies"):
        pooled(MEANS, "mean_difference", tau_prior="uniform", tau_prior_scale=math.inf)


def test_nothing_to_pool_names_every_study() -> None:
    table = {
        "study": list("AB"),
        "events_1": [0, 0],
        "total_1": [9, 8],
        "events_2": [0, 0],
        "total_2": [9, 8],
    }
    with pytest.raises(NotEstimableError, match=r"A: .*B: "):
        pooled(table, "odds_ratio")
