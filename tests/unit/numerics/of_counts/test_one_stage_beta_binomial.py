"""The beta-binomial against scipy.stats.betabinom, and its profile limits against a general optimiser."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special, stats

from metakit.numerics.of_counts.one_stage_beta_binomial import fit_beta_binomial
from metakit.numerics.of_counts.one_stage_contrast import Contrast, contrast, contrast_limits, contrast_root

CUTOFF = np.array([stats.chi2.ppf(0.95, 1)])
A, N1 = np.array([[5.0, 0, 0, 9, 1, 2]]), np.array([[40.0, 25, 18, 35, 60, 44]])
C, N2 = np.array([[1.0, 0, 4, 4, 0, 14]]), np.array([[38.0, 30, 20, 36, 55, 40]])


def log_likelihood(p1: float, p2: float, rho: float) -> float:
    """Source: scipy.stats.betabinom, binomial at rho = 0."""
    total = 0.0
    for p, x, n in ((p1, A[0], N1[0]), (p2, C[0], N2[0])):
        if rho < 1e-9:
            total += stats.binom.logpmf(x, n, p).sum()
        else:
            size = (1 - rho) / rho
            total += stats.betabinom.logpmf(x, n.astype(int), p * size, (1 - p) * size).sum()
    return float(total)


def best_given(effect: float | None, kind: Contrast) -> float:
    """Maximise over what is left free, by Nelder-Mead on bounded scales."""

    def minus(x: np.ndarray) -> float:
        p2, rho = special.expit(x[0]), special.expit(x[1])
        if effect is None:
            p1 = special.expit(x[2])
        elif kind == "odds_ratio":
            p1 = special.expit(x[0] + effect)
        elif kind == "risk_ratio":
            p1 = p2 * np.exp(effect)
        else:
            p1 = p2 + effect
        return -log_likelihood(p1, p2, rho) if 0 < p1 < 1 else 1e6

    start = [-1.0, -2.5] if effect is not None else [-2.0, -2.5, -2.0]
    found = optimize.minimize(
        minus, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000}
    )
    return -float(found.fun)


def test_maximum_is_that_of_scipy() -> None:
    fit, _ = fit_beta_binomial(A, N1, C, N2)
    p1, p2 = special.expit(fit.logits[0])
    assert fit.converged[0]
    assert fit.value[0] == pytest.approx(log_likelihood(p1, p2, float(fit.correlation[0])), rel=1e-12)
    assert fit.value[0] == pytest.approx(best_given(None, "odds_ratio"), abs=1e-9)
    crude = log_likelihood(A.sum() / N1.sum(), C.sum() / N2.sum(), 0.0)
    assert fit.value_binomial[0] == pytest.approx(crude, rel=1e-12)


@pytest.mark.parametrize("kind", ["odds_ratio", "risk_ratio", "risk_difference"])
def test_profile_limits_are_where_the_likelihood_has_dropped(kind: Contrast) -> None:
    fit, tails = fit_beta_binomial(A, N1, C, N2)
    for limit in contrast_limits(tails, fit, kind, CUTOFF):
        drop = 2 * (float(fit.value[0]) - best_given(float(limit[0]), kind))
        assert drop == pytest.approx(CUTOFF[0], abs=1e-6)
        assert contrast_root(tails, fit, kind, limit)[0] ** 2 == pytest.approx(CUTOFF[0], rel=1e-8)


def test_limits_of_several_cutoffs_are_those_of_each() -> None:
    fit, tails = fit_beta_binomial(A, N1, C, N2)
    cutoffs = np.array([[1.0], [CUTOFF[0]], [9.0]])
    together = contrast_limits(tails, fit, "risk_ratio", cutoffs)
    for number, cutoff in enumerate(cutoffs):
        single = contrast_limits(tails, fit, "risk_ratio", cutoff)
        assert [limit[0] for limit in single] == [limit[number, 0] for limit in together]


def test_all_three_contrasts_share_one_test_of_no_difference() -> None:
    """No difference is the same hypothesis on every scale, and so is its likelihood ratio."""
    fit, tails = fit_beta_binomial(A, N1, C, N2)
    kinds: tuple[Contrast, ...] = ("odds_ratio", "risk_ratio", "risk_difference")
    roots = [contrast_root(tails, fit, kind, np.zeros(1))[0] for kind in kinds]
    assert roots == pytest.approx([roots[0]] * 3, rel=1e-9)


def test_standard_errors_follow_from_numerical_curvature() -> None:
    fit, _ = fit_beta_binomial(A, N1, C, N2)
    at = np.array([*fit.logits[0], special.logit(fit.correlation[0])])

    def value(x: np.ndarray) -> float:
        return log_likelihood(*special.expit(x))

    step = 1e-4
    hessian = np.empty((3, 3))
    for i, e in enumerate(np.eye(3) * step):
        for j, g in enumerate(np.eye(3) * step):
            hessian[i, j] = (
                value(at + e + g) - value(at + e - g) - value(at - e + g) + value(at - e - g)
            ) / (4 * step**2)
    expected = np.linalg.inv(-hessian)[:2, :2]
    assert fit.covariance[0] == pytest.approx(expected, rel=1e-4)
    estimate, error = contrast(fit.logits, fit.covariance, "odds_ratio")
    assert estimate[0] == pytest.approx(at[0] - at[1], rel=1e-12)
    assert error[0] == pytest.approx(np.sqrt([1, -1] @ expected @ [1, -1]), rel=1e-4)


def test_arms_that_differ_no_more_than_binomially_end_at_the_boundary() -> None:
    events, total = np.array([[2.0, 3, 1, 4]]), np.array([[40.0, 60, 20, 80]])
    fit, _ = fit_beta_binomial(events, total, events + 1, total)
    assert fit.correlation[0] == 0.0 and fit.converged[0]
    assert fit.value[0] == pytest.approx(fit.value_binomial[0], rel=1e-13)
    crude = 10 / 200
    assert fit.covariance[0, 0, 0] == pytest.approx(1 / (200 * crude * (1 - crude)), rel=1e-9)


def test_a_double_zero_study_counts() -> None:
    """Kuss 2015: studies without any event carry information on both risks and on the correlation."""
    with_it, _ = fit_beta_binomial(A, N1, C, N2)
    keep = np.array([0, 2, 3, 4, 5])
    without, _ = fit_beta_binomial(A[:, keep], N1[:, keep], C[:, keep], N2[:, keep])
    assert abs(float(with_it.logits[0, 0] - without.logits[0, 0])) > 0.01


def test_batch_equals_loop_and_padding_changes_nothing() -> None:
    rng = np.random.default_rng(7)
    n1, n2 = (rng.integers(20, 120, size=(6, 5)).astype(float) for _ in range(2))
    a, c = (rng.binomial(n.astype(int), 0.08).astype(float) + 1 for n in (n1, n2))
    together, tails = fit_beta_binomial(a, n1, c, n2)
    limits = contrast_limits(tails, together, "risk_ratio", np.repeat(CUTOFF, 6))
    for row in range(6):
        part = [np.append(x[row : row + 1], [[0.0]], axis=1) for x in (a, n1, c, n2)]
        alone, own = fit_beta_binomial(*part)
        assert alone.logits[0] == pytest.approx(together.logits[row], rel=1e-10)
        single = contrast_limits(own, alone, "risk_ratio", CUTOFF)
        assert [x[0] for x in single] == pytest.approx([x[row] for x in limits], rel=1e-8)


def test_a_limit_that_the_data_cannot_set_is_infinite() -> None:
    """A single event in each arm of two tiny studies does not exclude any ratio at a strict level."""
    fit, tails = fit_beta_binomial(
        np.array([[1.0, 0.0]]), np.array([[4.0, 3.0]]), np.array([[1.0, 0.0]]), np.array([[4.0, 4.0]])
    )
    lower, upper = contrast_limits(tails, fit, "odds_ratio", np.array([30.0]))
    assert lower[0] == -np.inf and upper[0] == np.inf
    lower, upper = contrast_limits(tails, fit, "risk_difference", np.array([500.0]))
    assert lower[0] == -1 and upper[0] == 1
