"""Intervals of the spread say so when a side did not settle, and what one study can tell."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from metakit.numerics import tau2_intervals
from metakit.numerics.quadratic_forms import contrast_form_below
from metakit.numerics.tau2_intervals import generalised_q, q_profile
from metakit.numerics.weights import prepare

Y, V = np.array([0.1, 0.9, -0.4, 1.6, 0.3]), np.array([0.05, 0.1, 0.2, 0.02, 0.4])


def generalised(t: float) -> float:
    weight = 1 / (V + t)
    return float((weight * (Y - (weight * Y).sum() / weight.sum()) ** 2).sum())


def test_limits_meet_the_quantiles_of_chi_squared() -> None:
    found = q_profile(prepare(Y, V), 0.9)
    for limit, probability in ((found.lower, 0.95), (found.upper, 0.05)):
        assert generalised(float(np.squeeze(limit))) == pytest.approx(
            stats.chi2.ppf(probability, 4), rel=1e-9
        )
    assert np.all(found.converged) and not np.any(found.empty)


@pytest.mark.parametrize("method", [q_profile, generalised_q])
def test_one_study_leaves_everything_open_and_two_do_not(method) -> None:  # type: ignore[no-untyped-def]
    one = method(prepare([0.3], [0.1]), 0.95)
    assert (float(np.squeeze(one.lower)), float(np.squeeze(one.upper))) == (0.0, np.inf)
    assert np.all(one.converged) and not np.any(one.empty)
    two = method(prepare([0.0, 2.0], [0.1, 0.1]), 0.95)
    assert 0 < float(np.squeeze(two.upper)) < np.inf


@pytest.mark.parametrize("settled", [(True, True), (True, False), (False, True), (False, False)])
def test_both_sides_must_settle(monkeypatch: pytest.MonkeyPatch, settled: tuple[bool, bool]) -> None:
    real, said = tau2_intervals.solve_generalised_q, iter(settled)

    def unsure(studies, target):  # type: ignore[no-untyped-def]
        tau2, below, done = real(studies, target)
        return tau2, below, done & next(said)

    monkeypatch.setattr(tau2_intervals, "solve_generalised_q", unsure)
    assert bool(np.squeeze(q_profile(prepare(Y, V), 0.95).converged)) == all(settled)


def test_studies_more_alike_than_chance_leave_an_empty_interval() -> None:
    found = q_profile(prepare(np.full(5, 0.3) + 1e-4 * np.arange(5), V), 0.95)
    assert np.all(found.empty) and float(np.squeeze(found.upper)) == 0.0


@pytest.mark.parametrize("factor", [1.0, 30.0])
def test_limits_of_the_statistic_with_fixed_weights_have_their_probabilities(factor: float) -> None:
    """Jackson 2013: weights are reciprocals of standard errors; the limits turn the tail into half of 1 - level."""
    studies = prepare(factor * Y, V).as_rows()
    found = generalised_q(prepare(factor * Y, V), 0.9)
    weight = 1 / np.sqrt(V)
    mean = (weight * factor * Y).sum() / weight.sum()
    q = np.array([(weight * (factor * Y - mean) ** 2).sum()])
    for limit, probability in ((found.lower, 0.95), (found.upper, 0.05)):
        at = np.atleast_1d(np.asarray(limit, dtype=float))
        if at[0] > 0:
            below = contrast_form_below(studies, q, at, weight_power=0.5)
            assert float(below[0]) == pytest.approx(probability, abs=1e-9)
    assert float(np.squeeze(found.upper)) > float(np.squeeze(found.lower)) > 0 and np.all(found.converged)
