"""Three-level REML and CR2 against dense algebra, statsmodels and certified values."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from agreement import certified
from scipy import linalg, optimize, stats

from metakit.numerics.cluster_robust import cluster_robust_covariance
from metakit.numerics.multilevel import by_cluster, fit_three_level, variance_limits, working_covariance

RNG = np.random.default_rng(3)
N = 30
CLUSTER = np.unique(RNG.integers(0, 9, N), return_inverse=True)[1]
VARIANCE = RNG.uniform(0.02, 0.2, N)
DESIGN = np.column_stack([np.ones(N), RNG.normal(size=N)])
EFFECT = (
    0.3
    + 0.5 * RNG.normal(size=CLUSTER.max() + 1)[CLUSTER]
    + 0.3 * RNG.normal(size=N)
    + np.sqrt(VARIANCE) * RNG.normal(size=N)
)


def dense(correlation: float, between: float, within: float) -> np.ndarray:
    same = CLUSTER[:, None] == CLUSTER[None]
    sampling = np.where(same, correlation * np.sqrt(np.outer(VARIANCE, VARIANCE)), 0.0)
    np.fill_diagonal(sampling, VARIANCE)
    return sampling + between * same + within * np.eye(N)


def minus_restricted(roots: np.ndarray, design: np.ndarray, correlation: float) -> float:
    """Restricted log-likelihood by dense linear algebra (Searle, Casella & McCulloch 1992)."""
    v = dense(correlation, roots[0] ** 2, roots[1] ** 2)
    w = np.linalg.inv(v)
    cross = design.T @ w @ design
    residual = EFFECT - design @ np.linalg.solve(cross, design.T @ w @ EFFECT)
    return 0.5 * float(
        np.linalg.slogdet(v)[1]
        + np.linalg.slogdet(cross)[1]
        + residual @ w @ residual
        + (N - design.shape[1]) * np.log(2 * np.pi)
    )


@pytest.mark.parametrize("correlation", [0.0, 0.5])
@pytest.mark.parametrize("terms", [1, 2])
def test_reml_is_where_a_general_optimiser_ends(correlation: float, terms: int) -> None:
    """Source: scipy.optimize on the dense restricted likelihood."""
    design = DESIGN[:, :terms]
    fit = fit_three_level(by_cluster(EFFECT, VARIANCE, design, CLUSTER, correlation=correlation))
    best = optimize.minimize(
        minus_restricted, [0.5, 0.5], args=(design, correlation), method="BFGS", options={"gtol": 1e-8}
    )
    assert fit.converged
    assert fit.log_likelihood == pytest.approx(-best.fun, rel=1e-10)
    assert [fit.between, fit.within] == pytest.approx(best.x**2, rel=1e-5)
    v = dense(correlation, fit.between, fit.within)
    bread = np.linalg.inv(design.T @ np.linalg.inv(v) @ design)
    assert fit.covariance == pytest.approx(bread, rel=1e-10)
    assert fit.coefficients == pytest.approx(bread @ design.T @ np.linalg.inv(v) @ EFFECT, rel=1e-9)


@pytest.mark.parametrize("component", [0, 1])
def test_variance_limits_are_where_the_likelihood_has_dropped(component: int) -> None:
    design, cutoff = DESIGN[:, :1], float(stats.chi2.ppf(0.95, 1))
    data = by_cluster(EFFECT, VARIANCE, design, CLUSTER)
    fit = fit_three_level(data)
    for limit in variance_limits(data, fit, component=component, cutoff=cutoff):
        held = np.sqrt(limit)

        def minus(other: float, held: float = held) -> float:
            roots = np.array([held, other] if component == 0 else [other, held])
            return minus_restricted(roots, design, 0.0)

        best = optimize.minimize_scalar(minus, bounds=(0, 4), method="bounded", options={"xatol": 1e-10})
        assert 2 * (fit.log_likelihood + best.fun) == pytest.approx(cutoff, abs=1e-6)


def test_equal_sampling_variances_give_the_linear_mixed_model() -> None:
    """Source: statsmodels MixedLM by REML: its residual variance is within plus the known sampling variance."""
    v = 0.01
    fit = fit_three_level(by_cluster(EFFECT, np.full(N, v), np.ones((N, 1)), CLUSTER))
    frame = pd.DataFrame({"y": EFFECT, "cluster": CLUSTER})
    mixed = smf.mixedlm("y ~ 1", frame, groups="cluster").fit(reml=True, method="lbfgs")
    if not mixed.converged:
        pytest.skip("the other library's optimiser did not converge on this processor")
    assert fit.between == pytest.approx(float(mixed.cov_re.iloc[0, 0]), rel=1e-4)
    assert fit.within + v == pytest.approx(mixed.scale, rel=1e-4)
    assert fit.coefficients[0] == pytest.approx(mixed.fe_params.iloc[0], rel=1e-6)
    # Its errors come from a joint information matrix with the variances, not given them: close, not equal.
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(mixed.bse_fe.iloc[0], rel=1e-3)
    assert fit.log_likelihood == pytest.approx(mixed.llf, rel=1e-6)


@pytest.mark.parametrize("factor", [1e-3, 250.0])
def test_units_do_not_matter(factor: float) -> None:
    here = fit_three_level(by_cluster(EFFECT, VARIANCE, DESIGN, CLUSTER))
    there = fit_three_level(by_cluster(EFFECT * factor, VARIANCE * factor**2, DESIGN, CLUSTER))
    assert there.between == pytest.approx(here.between * factor**2, rel=1e-8)
    assert there.within == pytest.approx(here.within * factor**2, rel=1e-8)
    change = (N - 2) * np.log(factor)
    assert there.log_likelihood == pytest.approx(here.log_likelihood - change, rel=1e-9)


def test_order_of_effects_does_not_matter() -> None:
    shuffle = np.random.default_rng(1).permutation(N)
    here = by_cluster(EFFECT, VARIANCE, DESIGN, CLUSTER)
    there = by_cluster(EFFECT[shuffle], VARIANCE[shuffle], DESIGN[shuffle], CLUSTER[shuffle])
    assert fit_three_level(there).coefficients == pytest.approx(fit_three_level(here).coefficients, rel=1e-10)
    assert there.effect.ravel()[there.order] == pytest.approx(EFFECT[shuffle])


def dense_cr2(design: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, list[float]]:
    """CR2 and its Satterthwaite df by the formulas of Pustejovsky & Tipton 2018, with n x n matrices."""
    w = np.linalg.inv(v)
    bread = np.linalg.inv(design.T @ w @ design)
    maker = np.eye(N) - design @ bread @ design.T @ w
    residual = maker @ EFFECT
    meat, pulls = np.zeros((design.shape[1],) * 2), []
    for c in range(CLUSTER.max() + 1):
        i = np.flatnonzero(c == CLUSTER)
        root = linalg.cholesky(v[np.ix_(i, i)])
        inner = root @ maker[i] @ v @ maker[i].T @ root.T
        adjust = root.T @ np.linalg.inv(np.real(linalg.sqrtm(inner))) @ root
        score = design[i].T @ w[np.ix_(i, i)] @ adjust @ residual[i]
        meat += np.outer(score, score)
        pulls.append(maker[i].T @ adjust.T @ w[np.ix_(i, i)] @ design[i] @ bread)
    df = []
    for p in range(design.shape[1]):
        pull = np.array([each[:, p] for each in pulls])
        kernel = pull @ v @ pull.T
        df.append(float(np.trace(kernel) ** 2 / np.sum(kernel**2)))
    return bread @ meat @ bread, df


@pytest.mark.parametrize("correlation", [0.0, 0.5])
@pytest.mark.parametrize("terms", [1, 2])
def test_cr2_is_that_of_dense_matrices(correlation: float, terms: int) -> None:
    design = DESIGN[:, :terms]
    data = by_cluster(EFFECT, VARIANCE, design, CLUSTER, correlation=correlation)
    fit = fit_three_level(data)
    found = cluster_robust_covariance(data.design, fit.working, fit.residual)
    covariance, df = dense_cr2(design, dense(correlation, fit.between, fit.within))
    assert found.covariance == pytest.approx(covariance, rel=1e-9)
    assert found.df == pytest.approx(df, rel=1e-9)


def test_equal_single_effects_give_the_t_test_of_the_mean() -> None:
    """One effect a cluster, equal variances: CR2 is s^2 / n and the df are n - 1 (Bell & McCaffrey 2002)."""
    data = by_cluster(EFFECT, np.full(N, 0.1), np.ones((N, 1)), np.arange(N))
    fit = fit_three_level(data)
    found = cluster_robust_covariance(data.design, fit.working, fit.residual)
    expected = stats.ttest_1samp(EFFECT, 0.0)
    assert found.covariance[0, 0] == pytest.approx(np.var(EFFECT, ddof=1) / N, rel=1e-10)
    assert found.df[0] == pytest.approx(expected.df, rel=1e-10)
    t = fit.coefficients[0] / np.sqrt(found.covariance[0, 0])
    assert t == pytest.approx(expected.statistic, rel=1e-10)


def test_cr2_is_the_hc2_of_statsmodels_for_single_effects() -> None:
    """Source: statsmodels OLS, cov_type HC2; the same correction when every cluster is one observation."""
    import statsmodels.api as sm

    data = by_cluster(EFFECT, np.full(N, 0.1), DESIGN, np.arange(N))
    fit = fit_three_level(data)
    found = cluster_robust_covariance(data.design, fit.working, fit.residual)
    expected = sm.OLS(EFFECT, DESIGN).fit(cov_type="HC2")
    assert found.covariance == pytest.approx(expected.cov_params(), rel=1e-9)


@pytest.mark.parametrize("record", certified("dependent"), ids=lambda record: record["name"])
def test_certified(record: dict[str, Any]) -> None:
    """Source: tests/reference/generate.py, topic dependent (mpmath)."""
    effect, variance = (np.array([float(x) for x in record[name]]) for name in ("effect", "variance"))
    labels = record["cluster"]
    cluster = np.array([sorted(set(labels)).index(label) for label in labels])
    if record["name"] == "three_level_reml":
        shared = float(record["sampling_correlation"])
        ones = np.ones((len(effect), 1))
        fit = fit_three_level(by_cluster(effect, variance, ones, cluster, correlation=shared))
        answer = {key: float(value) for key, value in record["answer"].items()}
        assert fit.coefficients[0] == pytest.approx(answer["estimate"], rel=1e-9)
        assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(answer["standard_error"], rel=1e-9)
        assert fit.between == pytest.approx(answer["tau2_between"], rel=1e-8, abs=1e-12)
        assert fit.within == pytest.approx(answer["tau2_within"], rel=1e-8, abs=1e-12)
        assert fit.log_likelihood == pytest.approx(answer["log_likelihood"], rel=1e-9)
        return
    columns = {
        "intercept": np.ones(len(effect)),
        "moderator": np.array([float(x) for x in record["moderator"]]),
    }
    data = by_cluster(effect, variance, np.column_stack([columns[term] for term in record["terms"]]), cluster)
    working = working_covariance(data, float(record["tau2_between"]), float(record["tau2_within"]))
    weighted = np.linalg.inv(working) @ data.design
    bread = np.linalg.inv(np.einsum("cmp,cmq->pq", data.design, weighted))
    beta = bread @ np.einsum("cmp,cm->p", weighted, data.effect)
    residual = np.where(data.present, data.effect - data.design @ beta, 0.0)
    found = cluster_robust_covariance(data.design, working, residual)
    for place, answer in enumerate(record["answer"]):
        assert beta[place] == pytest.approx(float(answer["estimate"]), rel=1e-12)
        error = np.sqrt(found.covariance[place, place])
        assert error == pytest.approx(float(answer["standard_error"]), rel=1e-11)
        assert found.df[place] == pytest.approx(float(answer["df"]), rel=1e-10)
