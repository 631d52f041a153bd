"""Maxima and profile limits: general-purpose optimisers, plain regressions, symmetries, hard data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, special, stats

from metakit.numerics.of_counts import one_stage_fit
from metakit.numerics.of_counts import one_stage_models as models
from metakit.numerics.of_counts.one_stage_fit import LatentFit, fit_latent
from metakit.numerics.of_counts.one_stage_likelihood import marginal
from metakit.numerics.of_counts.one_stage_models import Prepared
from metakit.numerics.of_counts.one_stage_profile import profile_limits, signed_root

CUTOFF = np.array([stats.chi2.ppf(0.95, 1)])
# Invented: rare events with zeros, uneven arms, one study without any event.
ONE_ARM = ([0.0, 1.0, 3.0, 0.0, 6.0, 1.0], [40.0, 55.0, 31.0, 12.0, 48.0, 120.0])
TWO_ARMS = (
    [5.0, 0.0, 0.0, 9.0, 1.0, 2.0],
    [40.0, 25.0, 18.0, 35.0, 60.0, 44.0],
    [1.0, 0.0, 4.0, 4.0, 0.0, 14.0],
    [38.0, 30.0, 20.0, 36.0, 55.0, 40.0],
)


def rows(columns: tuple[list[float], ...]) -> tuple[np.ndarray, ...]:
    return tuple(np.array([column]) for column in columns)


MAKERS: dict[str, Callable[[], Prepared]] = {
    "binomial_normal": lambda: models.binomial_normal(*rows(ONE_ARM)),
    "poisson_normal": lambda: models.poisson_normal(*rows(ONE_ARM)),
    "hypergeometric_normal": lambda: models.hypergeometric_normal(*rows(TWO_ARMS)),
    "conditional_binomial_normal": lambda: models.conditional_binomial_normal(*rows(TWO_ARMS)),
    "binomial_fixed": lambda: models.two_arm_binomial_normal(*rows(TWO_ARMS), random_intercepts=False),
    "binomial_random": lambda: models.two_arm_binomial_normal(*rows(TWO_ARMS), random_intercepts=True),
    "poisson_random": lambda: models.two_arm_poisson_normal(*rows(TWO_ARMS), random_intercepts=True),
}


def fitted(prepared: Prepared, **options: bool) -> LatentFit:
    return fit_latent(prepared.model, prepared.beta, prepared.intercepts, **options)


@pytest.mark.parametrize("name", list(MAKERS))
def test_maximum_is_where_a_general_optimiser_ends(name: str) -> None:
    """Source: scipy.optimize (BFGS with a numerical gradient) on the value alone."""
    prepared = MAKERS[name]()
    model, fit = prepared.model, fitted(prepared)
    size = model.coefficients + model.dimensions

    def minus(x: np.ndarray) -> float:
        return -float(marginal(model, x[None, :size], x[None, size:], nodes=61).value[0])

    start = np.concatenate([prepared.beta[0], np.full(model.dimensions, 0.7), prepared.intercepts[0]])
    if model.study_intercepts:  # the double-zero study's intercept runs off to minus infinity: hold it
        start[size:] = fit.maximum.intercepts[0]
    found = optimize.minimize(minus, start, method="BFGS", options={"gtol": 1e-6})
    assert fit.maximum.converged[0] and fit.settled[0]
    # BFGS stops within its own tolerance; it must not have found anything higher.
    assert fit.maximum.value[0] == pytest.approx(-found.fun, abs=2e-4 if model.study_intercepts else 1e-8)
    assert fit.maximum.value[0] >= -found.fun - 1e-9 or model.study_intercepts
    tolerance = 5e-2 if model.study_intercepts else 2e-4
    assert fit.maximum.parameters[0] == pytest.approx(
        np.abs(found.x[:size]) * np.sign(fit.maximum.parameters[0]), abs=tolerance
    )


def test_equal_risks_give_the_logistic_regression() -> None:
    """Source: statsmodels GLM (binomial), the model without heterogeneity."""
    events, total = np.array([[2.0, 3.0, 2.0, 4.0]]), np.array([[40.0, 60.0, 20.0, 80.0]])
    fit = fitted(models.binomial_normal(events, total))
    plain = sm.GLM(
        np.column_stack([events[0], total[0] - events[0]]), np.ones((4, 1)), family=sm.families.Binomial()
    ).fit(tol=1e-12)
    assert fit.maximum.parameters[0, 1] == 0.0
    assert fit.maximum.parameters[0, 0] == pytest.approx(plain.params[0], rel=1e-10)
    assert fit.maximum.value[0] == pytest.approx(plain.llf, rel=1e-12)
    assert np.sqrt(-1 / fit.maximum.hessian[0, 0, 0]) == pytest.approx(plain.bse[0], rel=1e-8)


@pytest.mark.parametrize("family", ["binomial", "poisson"])
def test_common_effect_with_study_intercepts_is_the_regression_on_dummies(family: str) -> None:
    """Source: statsmodels GLM with one dummy a study, arms coded plus and minus one half."""
    columns = tuple(np.array(column)[[0, 2, 3, 4, 5]] for column in TWO_ARMS)
    a, n1, c, n2 = columns
    table = tuple(column[None] for column in columns)
    if family == "binomial":
        prepared = models.two_arm_binomial_normal(*table, random_intercepts=False)
        endog = np.column_stack([np.append(a, c), np.append(n1 - a, n2 - c)])
        kwargs = {"family": sm.families.Binomial()}
    else:
        prepared = models.two_arm_poisson_normal(*table, random_intercepts=False)
        endog = np.append(a, c)
        kwargs = {"family": sm.families.Poisson(), "exposure": np.append(n1, n2)}
    dummies = np.vstack([np.eye(5), np.eye(5)])
    exog = np.column_stack([np.repeat([0.5, -0.5], 5), dummies])
    plain = sm.GLM(endog, exog, **kwargs).fit(tol=1e-12)
    common = fitted(prepared).common
    assert common.converged[0]
    assert common.parameters[0, 0] == pytest.approx(plain.params[0], rel=1e-9)
    assert common.intercepts[0] == pytest.approx(plain.params[1:], rel=1e-7)
    free = fitted(prepared, heterogeneous=False)
    assert np.sqrt(-1 / free.maximum.hessian[0, 0, 0]) == pytest.approx(plain.bse[0], rel=1e-7)


@pytest.mark.parametrize("name", ["hypergeometric_normal", "binomial_fixed", "binomial_random"])
def test_exchanging_the_arms_turns_the_sign_and_nothing_else(name: str) -> None:
    a, n1, c, n2 = rows(TWO_ARMS)
    make: Callable[..., Prepared] = {
        "hypergeometric_normal": models.hypergeometric_normal,
        "binomial_fixed": lambda *t: models.two_arm_binomial_normal(*t, random_intercepts=False),
        "binomial_random": lambda *t: models.two_arm_binomial_normal(*t, random_intercepts=True),
    }[name]
    forth, back = fitted(make(a, n1, c, n2)), fitted(make(c, n2, a, n1))
    assert back.maximum.value[0] == pytest.approx(forth.maximum.value[0], rel=1e-10)
    assert back.maximum.parameters[0, 0] == pytest.approx(-forth.maximum.parameters[0, 0], rel=1e-6)
    assert back.maximum.parameters[0, -1] == pytest.approx(forth.maximum.parameters[0, -1], rel=1e-6)


def test_another_unit_of_time_shifts_the_log_rate_only() -> None:
    events, time = rows(ONE_ARM)
    years, months = (
        fitted(models.poisson_normal(events, time)),
        fitted(models.poisson_normal(events, 12 * time)),
    )
    assert months.maximum.parameters[0] == pytest.approx(
        years.maximum.parameters[0] - [np.log(12), 0.0], abs=1e-8
    )
    assert months.maximum.hessian[0] == pytest.approx(years.maximum.hessian[0], rel=1e-6)


def test_order_of_studies_does_not_matter() -> None:
    events, total = rows(ONE_ARM)
    shuffle = np.array([3, 5, 0, 2, 4, 1])
    straight = fitted(models.binomial_normal(events, total)).maximum
    shuffled = fitted(models.binomial_normal(events[:, shuffle], total[:, shuffle])).maximum
    assert shuffled.parameters[0] == pytest.approx(straight.parameters[0], rel=1e-9)


@pytest.mark.parametrize("make", [models.binomial_normal, models.poisson_normal])
def test_batch_equals_loop_to_the_last_bit(make: Callable[..., Prepared]) -> None:
    rng = np.random.default_rng(20261125)
    total = rng.integers(20, 120, size=(12, 7)).astype(float)
    events = rng.binomial(total.astype(int), rng.uniform(0.02, 0.3, size=(12, 7))).astype(float)
    events[:, 0] += 1
    together = fitted(make(events, total))
    limits = profile_limits(make(events, total).model, together, parameter=0, cutoff=np.repeat(CUTOFF, 12))
    several = np.array([0.5, float(CUTOFF[0]), 7.0])[:, None] * np.ones(12)
    limits_of_several = profile_limits(make(events, total).model, together, parameter=0, cutoff=several)
    assert all(np.array_equal(one, of[1]) for one, of in zip(limits, limits_of_several, strict=True))
    for row in range(12):
        prepared = make(events[row : row + 1], total[row : row + 1])
        alone = fitted(prepared)
        assert np.array_equal(alone.maximum.parameters[0], together.maximum.parameters[row])
        assert np.array_equal(alone.maximum.hessian[0], together.maximum.hessian[row])
        assert alone.nodes[0] == together.nodes[row]
        single = profile_limits(prepared.model, alone, parameter=0, cutoff=CUTOFF)
        assert [limit[0] for limit in single] == [limit[row] for limit in limits]


@pytest.mark.grid
@pytest.mark.parametrize("name", list(MAKERS))
@pytest.mark.parametrize("which", ["effect", "tau"])
def test_at_a_profile_limit_the_likelihood_has_dropped_by_the_cutoff(name: str, which: str) -> None:
    prepared = MAKERS[name]()
    model, fit = prepared.model, fitted(prepared)
    parameter = 0 if which == "effect" else model.coefficients
    limits = profile_limits(model, fit, parameter=parameter, cutoff=CUTOFF)
    centre = fit.maximum.parameters[0, parameter]
    assert limits[0][0] <= centre <= limits[1][0]
    finite = [
        float(limit[0]) for limit in limits if np.isfinite(limit[0]) and (which, limit[0]) != ("tau", 0.0)
    ]
    assert finite
    for limit in finite:
        root = signed_root(model, fit, parameter=parameter, value=limit)
        assert root[0] ** 2 == pytest.approx(CUTOFF[0], rel=1e-6)
        assert np.sign(root[0]) == np.sign(centre - limit)


def test_profile_limits_against_a_scalar_root_finder() -> None:
    """Source: scipy.optimize: inner minimisation over tau, outer root in the effect, on the value alone."""
    prepared = MAKERS["binomial_normal"]()
    model, fit = prepared.model, fitted(prepared)
    none = np.zeros((1, 0))

    def gap(effect: float) -> float:
        inner = optimize.minimize_scalar(
            lambda tau: -float(marginal(model, np.array([[effect, tau]]), none, nodes=81).value[0]),
            bounds=(0, 6),
            method="bounded",
            options={"xatol": 1e-10},
        )
        return 2 * (float(fit.maximum.value[0]) + inner.fun) - CUTOFF[0]

    lower, upper = profile_limits(model, fit, parameter=0, cutoff=CUTOFF)
    centre = float(fit.maximum.parameters[0, 0])
    assert lower[0] == pytest.approx(optimize.brentq(gap, centre - 4, centre - 0.1), abs=1e-6)
    assert upper[0] == pytest.approx(optimize.brentq(gap, centre + 0.1, centre + 3), abs=1e-6)


def test_one_study_without_heterogeneity_has_the_binomial_profile() -> None:
    """Source: the likelihood-ratio interval of a single binomial, solved by scipy.optimize.brentq."""
    fit = fitted(models.binomial_normal(np.array([[3.0]]), np.array([[20.0]])), heterogeneous=False)
    model = models.binomial_normal(np.array([[3.0]]), np.array([[20.0]])).model
    assert fit.maximum.parameters[0, 0] == pytest.approx(special.logit(0.15), rel=1e-12)

    def gap(p: float) -> float:
        return 2 * (stats.binom.logpmf(3, 20, 0.15) - stats.binom.logpmf(3, 20, p)) - CUTOFF[0]

    lower, upper = profile_limits(model, fit, parameter=0, cutoff=CUTOFF)
    assert special.expit(lower[0]) == pytest.approx(optimize.brentq(gap, 1e-6, 0.15), rel=1e-7)
    assert special.expit(upper[0]) == pytest.approx(optimize.brentq(gap, 0.15, 0.9), rel=1e-7)


def test_two_studies_that_disagree_leave_the_mean_wide_open() -> None:
    prepared = models.binomial_normal(np.array([[3.0, 0.0]]), np.array([[20.0, 40.0]]))
    fit = fitted(prepared)
    lower, upper = profile_limits(prepared.model, fit, parameter=0, cutoff=CUTOFF)
    tau_lower, tau_upper = profile_limits(prepared.model, fit, parameter=1, cutoff=CUTOFF)
    assert fit.maximum.converged[0]
    assert lower[0] == -np.inf and upper[0] == np.inf
    assert tau_lower[0] == 0 and tau_upper[0] == np.inf


def test_nodes_are_raised_until_the_likelihood_is_settled() -> None:
    """Large heterogeneity with empty studies is what Gauss-Hermite quadrature finds hardest."""
    easy = fitted(models.binomial_normal(np.array([[20.0, 22.0, 19.0]]), np.array([[100.0, 100.0, 100.0]])))
    hard = fitted(
        models.binomial_normal(np.array([[0.0, 0.0, 0.0, 60.0]]), np.array([[200.0, 150.0, 90.0, 99.0]]))
    )
    assert easy.nodes[0] < hard.nodes[0]
    assert hard.maximum.converged[0]


def test_a_likelihood_without_maximum_is_not_called_converged() -> None:
    fit = fitted(models.binomial_normal(np.array([[0.0, 40.0]]), np.array([[20.0, 40.0]])))
    assert not fit.maximum.converged[0]


def test_a_newton_step_across_zero_does_not_go_round_in_circles() -> None:
    """A case met by the simulation: from tau 0.423 the full step leads to -0.423, where all is the same."""
    prepared = models.binomial_normal(
        np.array([[1.0, 0.0, 1.0, 1.0, 0.0]]), np.array([[93.0, 65.0, 105.0, 25.0, 67.0]])
    )
    root = signed_root(prepared.model, fitted(prepared), parameter=0, value=float(special.logit(0.02)))
    assert np.isfinite(root[0]) and root[0] < 0


@pytest.mark.parametrize(
    ("lower_by", "first_ends", "second_ends", "told"),
    [
        (0.1, True, True, True),
        (-0.1, True, True, True),
        (0.0, True, True, False),
        (1e-7, True, True, False),  # rounding of two ways to one maximum
        (0.1, False, True, False),
        (0.1, True, False, False),
        (0.1, False, False, False),
    ],
)
def test_another_maximum_is_told_only_where_both_starts_ended_apart(
    monkeypatch: pytest.MonkeyPatch, lower_by: float, first_ends: bool, second_ends: bool, told: bool
) -> None:
    real, calls = one_stage_fit.maximise, []

    def of_two(model, parameters, intercepts, **options):
        found = real(model, parameters, intercepts, **options)
        calls.append(len(parameters))
        if len(calls) > 1:  # later rungs go on from the better start
            return found
        return replace(
            found,
            value=found.value - np.array([0.0, lower_by]),
            converged=np.array([first_ends, second_ends]),
        )

    monkeypatch.setattr(one_stage_fit, "maximise", of_two)
    fit = fitted(MAKERS["binomial_normal"]())
    assert calls[0] == 2
    assert fit.other_maximum.tolist() == [told]
