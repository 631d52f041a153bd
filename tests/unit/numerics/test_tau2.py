"""tau2 estimators against closed forms, statsmodels and their own definitions.

The 50-digit comparison of every estimator is in tests/reference/test_certified_pooling.py.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize
from statsmodels.stats.meta_analysis import combine_effects

from metakit.models.estimators import TAU2_ESTIMATORS
from metakit.numerics import tau2
from metakit.numerics.weights import prepare, weigh
from tests.outside_library import met_paule_mandel

effects = st.lists(st.tuples(st.floats(-3, 3), st.floats(0.01, 2)), min_size=3, max_size=12)


def arrays(pairs: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    y, v = np.array(pairs).T
    return y, v


# With equal variances every moment and likelihood estimator but three is the variance of the effects less
# the sampling variance (DerSimonian & Kacker 2007; Viechtbauer 2005); the three are simple multiples.
@pytest.mark.parametrize("entry", list(TAU2_ESTIMATORS), ids=lambda entry: entry.name)
def test_equal_variances_have_a_closed_form(entry) -> None:
    y, v, k = np.array([0.1, 0.9, -0.4, 1.6, 0.3]), 0.07, 5
    between = np.var(y, ddof=1)
    expected = {
        "maximum_likelihood": np.var(y) - v,
        "hunter_schmidt": (k - 1) / k * between - v,
        # crude variance times the weighted sum of squares over k - 1: between * crude / (crude + v)
        "sidik_jonkman": between * np.var(y) / (np.var(y) + v),
    }.get(entry.name, between - v)
    found = entry.kernel(prepare(y, np.full(k, v)))
    assert float(found.tau2) == pytest.approx(expected, rel=1e-13)
    assert found.converged
    assert not found.truncated
    assert found.maxima == 1


@pytest.mark.parametrize("entry", list(TAU2_ESTIMATORS), ids=lambda entry: entry.name)
def test_effects_that_agree_give_zero_and_a_flag(entry) -> None:
    found = entry.kernel(prepare([0.30, 0.31, 0.29], [0.04, 0.05, 0.06]))
    if entry.name == "sidik_jonkman":  # never below zero, so never cut off
        assert 0 < float(found.tau2) < 1e-5
        assert not found.truncated
    else:
        assert float(found.tau2) == 0
        assert found.truncated


@pytest.mark.parametrize("entry", list(TAU2_ESTIMATORS), ids=lambda entry: entry.name)
def test_one_study_has_no_between_study_variance(entry) -> None:
    found = entry.kernel(prepare([0.4], [0.1]))
    assert float(found.tau2) == 0
    assert not found.truncated
    assert found.converged


@pytest.mark.parametrize("entry", list(TAU2_ESTIMATORS), ids=lambda entry: entry.name)
def test_identical_effects_give_exactly_zero(entry) -> None:
    assert float(entry.kernel(prepare([0.1] * 4, [0.03, 0.2, 1.1, 0.4])).tau2) == 0


@pytest.mark.lengthy
@settings(max_examples=80, deadline=None)
@given(effects)
def test_moments_and_paule_mandel_against_statsmodels(pairs: list[tuple[float, float]]) -> None:
    y, v = arrays(pairs)
    studies = prepare(y, v)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the other library divides by zero and takes roots of negatives
        theirs = combine_effects(y, v, method_re="dl").tau2
        iterated = combine_effects(y, v, method_re="iterated", atol=1e-14, maxiter=500).tau2
    # statsmodels does not cut DerSimonian and Laird's estimate at zero
    assert float(tau2.dersimonian_laird(studies).tau2) == pytest.approx(max(theirs, 0.0), rel=1e-9, abs=1e-12)
    if met_paule_mandel(y, v, iterated):
        assert float(tau2.paule_mandel(studies).tau2) == pytest.approx(iterated, rel=1e-5, abs=1e-7)


@settings(max_examples=80, deadline=None)
@given(effects)
def test_paule_mandel_against_brentq(pairs: list[tuple[float, float]]) -> None:
    y, v = arrays(pairs)

    def excess(t: float) -> float:
        w = 1 / (v + t)
        mean = np.sum(w * y) / np.sum(w)
        return float(np.sum(w * (y - mean) ** 2) - (len(y) - 1))

    expected = optimize.brentq(excess, 0, 100, xtol=1e-15) if excess(0) > 0 else 0.0
    for kernel in (tau2.paule_mandel, tau2.empirical_bayes):
        assert float(kernel(prepare(y, v)).tau2) == pytest.approx(expected, rel=1e-9, abs=1e-11)


@settings(max_examples=60, deadline=None)
@given(effects)
def test_two_step_estimators_are_the_general_moment_formula(pairs: list[tuple[float, float]]) -> None:
    """DerSimonian & Kacker 2007, equation 6, written out plainly."""
    y, v = arrays(pairs)
    studies = prepare(y, v)
    for first, second in (
        (tau2.dersimonian_laird, tau2.dersimonian_laird_two_step),
        (tau2.hedges_olkin, tau2.hedges_olkin_two_step),
    ):
        a = 1 / (v + float(first(studies).tau2))
        mean = np.sum(a * y) / a.sum()
        numerator = np.sum(a * (y - mean) ** 2) - (np.sum(a * v) - np.sum(a * a * v) / a.sum())
        expected = max(numerator / (a.sum() - np.sum(a * a) / a.sum()), 0.0)
        assert float(second(studies).tau2) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_the_generalised_q_is_met_from_below_whatever_the_scale() -> None:
    y, v = np.array([0.0, 1e8, -5e7, 3.0]), np.array([1e-6, 1.0, 1e6, 1e-3])
    studies = prepare(y, v).as_rows()
    for target in (1e-3, 3.0, 1e4):
        found, below, converged = tau2.solve_generalised_q(studies, np.array([target]))
        assert converged.all()
        assert not below.any()
        assert weigh(studies, found).squares()[0] == pytest.approx(target, rel=1e-12)
