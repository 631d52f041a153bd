"""The one-stage binomial network against statsmodels, brute-force integration, and the pairwise one-stage model."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import integrate, optimize, special

import metakit
from metakit.errors import NotEstimableError
from metakit.networks.analysis import analyse_network
from metakit.networks.arms import arms_from_counts_or_means
from metakit.networks.model import membership
from metakit.networks.one_stage import arm_groups, fit_part_one_stage, separated_arms, without_separated
from metakit.numerics.networks.network_one_stage import ArmGroup, fit_one_stage, log_likelihood, sharing
from tests.unit.networks import networks


def arms_of(rows):
    study, technique, events, total = zip(*rows, strict=True)
    return arms_from_counts_or_means("odds_ratio", study, technique, {"events": events, "total": total})


SMALL = [
    ("s1", "a", 3, 20), ("s1", "b", 7, 22),
    ("s2", "a", 1, 15), ("s2", "c", 0, 16),
    ("s3", "a", 9, 40), ("s3", "b", 22, 41), ("s3", "c", 4, 38),
    ("s4", "b", 4, 30), ("s4", "c", 6, 31),
    ("s5", "a", 5, 25), ("s5", "b", 1, 24), ("s5", "c", 5, 23),
    ("s6", "a", 2, 30), ("s6", "b", 9, 28),
]  # fmt: skip


def test_common_effect_equals_logistic_regression_with_study_dummies() -> None:
    # statsmodels GLM is the outside; nine digits, since both stop at their own rounding
    for arms in (arms_of(SMALL), arms_from_counts_or_means("odds_ratio", *networks.smoking_rows())):
        events, total = arms.data["events"], arms.data["total"]
        x = np.hstack([membership(arms, arms.techniques)[:, 1:], np.eye(len(arms.studies))[arms.study_index]])
        glm = sm.GLM(np.column_stack([events, total - events]), x, family=sm.families.Binomial()).fit(
            tol=1e-15, maxiter=100
        )
        part = fit_part_one_stage(arms, heterogeneous=False)
        for place, technique in enumerate(arms.techniques[1:]):
            found = part.contrast(technique, arms.techniques[0])
            assert found.estimate == pytest.approx(glm.params[place], rel=1e-9, abs=1e-10)
            assert found.standard_error == pytest.approx(glm.bse[place], rel=1e-9)
            assert found.prediction is None


def brute_log_likelihood(arms, beta, tau, intercepts):
    """Integrate each study's contrasts against its arms' mean over their normal distribution, by scipy."""
    total = 0.0
    for number, study in enumerate(arms.studies):
        rows = [n for n, name in enumerate(arms.study) if name == study]
        x, n = arms.data["events"][rows], arms.data["total"][rows]
        fixed = intercepts[number] + np.array([beta[arms.techniques.index(arms.technique[r])] for r in rows])
        size = len(rows)
        cov = tau**2 / 2 * (np.eye(size) - 1 / size)  # of the deviations from the study's mean
        half = np.linalg.cholesky(cov[: size - 1, : size - 1])

        shift = -float(np.sum(special.xlogy(x, x / n) + special.xlogy(n - x, 1 - x / n)))

        def integrand(*z, fixed=fixed, half=half, x=x, n=n, shift=shift):
            first = half @ np.array(z)
            eta = fixed + np.append(first, -first.sum())
            log = float(np.sum(x * eta - n * np.logaddexp(0, eta))) - 0.5 * float(np.dot(z, z))
            return math.exp(log + shift) / (2 * math.pi) ** (len(z) / 2)

        value = integrate.nquad(integrand, [(-9, 9)] * (size - 1), opts={"epsabs": 1e-12, "epsrel": 1e-9})[0]
        total += math.log(value) - shift
    return total


@pytest.mark.parametrize("tau", [0.3, 1.2])
def test_likelihood_agrees_with_brute_force_integration(tau: float) -> None:
    arms = arms_of(SMALL[:7])
    beta, intercepts = np.array([-0.2, 0.5, 0.0]), np.array([-1.5, -2.0, -1.0])
    brute = brute_log_likelihood(arms, beta, tau, intercepts)
    for rung, tolerance in ((0, 1e-7), (1, 1e-8)):
        found = log_likelihood(arm_groups(arms), beta[:2], tau, intercepts, rung=rung)
        assert found == pytest.approx(brute, rel=tolerance)


def highest(function) -> float:
    return -float(
        optimize.minimize_scalar(lambda a: -function(a), bracket=(-3, -1), options={"xtol": 1e-9}).fun
    )


def test_random_effects_maximise_the_likelihood() -> None:
    # Moving any effect by a tenth of its standard error, or tau by a tenth, lowers the profile likelihood.
    arms = arms_of(SMALL)
    groups = arm_groups(arms)
    fit = fit_one_stage(groups, heterogeneous=True)
    assert fit.converged and fit.tau > 0.1 and fit.change < 1e-7

    def best_over_intercepts(beta, tau):
        """Each study alone, its intercept found by a search without derivatives."""
        value = 0.0
        for group in groups:
            for place in range(len(group.index)):
                alone = ArmGroup(
                    index=np.array([0]),
                    events=group.events[[place]],
                    total=group.total[[place]],
                    x=group.x[[place]],
                )
                value += highest(
                    lambda a, alone=alone: log_likelihood([alone], beta, tau, np.array([a]), rung=1)
                )
        return value

    top = best_over_intercepts(fit.beta, fit.tau)
    assert top == pytest.approx(fit.log_likelihood, abs=1e-6)
    step = 0.1 * np.sqrt(np.diag(fit.covariance))
    for change in (step * [1, 0], step * [-1, 0], step * [0, 1], step * [0, -1]):
        assert best_over_intercepts(fit.beta + change, fit.tau) < top
    for factor in (0.9, 1.1):
        assert best_over_intercepts(fit.beta, factor * fit.tau) < top


def test_two_techniques_equal_the_pairwise_one_stage_model() -> None:
    rows, table = [], []
    counts = [(1, 40, 6, 41), (3, 30, 2, 29), (0, 50, 4, 52), (8, 60, 3, 61), (2, 30, 9, 33), (1, 25, 5, 24)]
    for number, (x, n, c, m) in enumerate(counts):
        rows += [(f"s{number}", "one", x, n), (f"s{number}", "two", c, m)]
        table.append((f"s{number}", x, n, c, m))
    frame = pd.DataFrame(table, columns=["study", "events_1", "total_1", "events_2", "total_2"])
    effects = metakit.effect_sizes(frame, measure="odds_ratio")
    pairwise = metakit.pool(effects, model="one_stage", variant="binomial_normal_fixed_study_intercepts")
    part = fit_part_one_stage(arms_of(rows), heterogeneous=True)
    assert pairwise.heterogeneity.tau2 > 0.01
    assert part.tau2 == pytest.approx(pairwise.heterogeneity.tau2, rel=1e-7)
    assert part.contrast("one", "two").estimate == pytest.approx(pairwise.estimate, rel=1e-8)
    assert part.contrast("two", "one").estimate == -part.contrast("one", "two").estimate
    assert part.contrast("one", "two").prediction is not None


@pytest.mark.parametrize("arms", [2, 3, 5, 7])
def test_shared_deviations_have_variance_tau2_and_correlation_one_half(arms: int) -> None:
    # Lu & Ades 2004: Var(d_i - d_j) = tau2, Cov(d_i - d_j, d_i - d_h) = tau2 / 2
    h = sharing(arms)
    covariance = h @ h.T
    contrasts = np.eye(arms)[1:] - np.eye(arms)[0]
    expected = 0.5 * (np.eye(arms - 1) + 1)
    assert contrasts @ covariance @ contrasts.T == pytest.approx(expected)


def test_separated_arms_are_left_out_by_name_and_change_nothing_else() -> None:
    rows = [*SMALL, ("s7", "a", 4, 30), ("s7", "d", 0, 30), ("s8", "b", 3, 30), ("s8", "d", 0, 25)]
    arms = arms_of(rows)
    assert [arms.technique[n] for n in np.flatnonzero(separated_arms(arms))] == ["d", "d"]
    left = without_separated(arms)
    assert "d" not in left.techniques
    assert "no finite estimate" in {item.study: item.reason for item in left.set_aside}["s7"]
    # What remains is the limit: the likelihood with d held ever lower tends to it.
    without = fit_part_one_stage(left, heterogeneous=False).contrast("b", "a")
    techniques = membership(arms, arms.techniques)[:, 1:3]
    x = np.hstack([techniques, np.eye(len(arms.studies))[arms.study_index]])
    events, total = arms.data["events"], arms.data["total"]
    offset = np.where(np.array(arms.technique) == "d", -18.0, 0.0)
    glm = sm.GLM(
        np.column_stack([events, total - events]), x, family=sm.families.Binomial(), offset=offset
    ).fit(start_params=np.zeros(x.shape[1]), maxiter=200)
    assert without.estimate == pytest.approx(glm.params[0], rel=1e-6)


def test_quasi_separation_through_a_chain_is_found() -> None:
    # c beats b, b beats a, each once and only with zeros: no direction is finite
    arms = arms_of([("s1", "a", 0, 20), ("s1", "b", 3, 20), ("s2", "b", 0, 20), ("s2", "c", 3, 20)])
    with pytest.raises(NotEstimableError, match="no odds ratio of this network has a finite estimate"):
        analyse_network(arms, model="one_stage")


def test_all_zero_studies_say_so_and_few_studies_get_no_tau() -> None:
    arms = arms_of([("s1", "a", 0, 20), ("s1", "b", 0, 20), ("s2", "a", 2, 20), ("s2", "b", 3, 20)])
    answer = analyse_network(arms, model="one_stage").to_json()
    assert answer["set_aside"] == [
        {"study": "s1", "reason": "no events in any arm: no information on a ratio"}
    ]
    assert answer["tau2"] == 0.0
    assert answer["inconsistency"] is None and answer["contributions"] is None
    assert all(row["direct_share"] is None for row in answer["comparisons"])


def test_smoking_cessation_is_near_the_published_binomial_fit() -> None:
    # Dias et al., NICE DSU TSD 2: posterior means under vague priors 0.49, 0.84, 1.10, tau 0.82 (status: memory). The
    # maximum of the likelihood has a smaller tau, as always; a third of a posterior deviation is allowed.
    arms = arms_from_counts_or_means("odds_ratio", *networks.smoking_rows())
    part = fit_part_one_stage(arms, heterogeneous=True)
    for technique, published, deviation in (("B", 0.49, 0.40), ("C", 0.84, 0.24), ("D", 1.10, 0.44)):
        assert part.contrast(technique, "A").estimate == pytest.approx(published, abs=deviation / 3)
    assert 0.5 < math.sqrt(part.tau2) < 0.84


@pytest.mark.lengthy
def test_many_arms_use_a_smaller_rule_and_seven_say_laplace() -> None:
    generator = np.random.default_rng(4)
    names = "abcdefg"
    rows = []
    for number in range(6):
        for place, name in enumerate(names if number == 0 else names[number % 5 : number % 5 + 3]):
            rows.append((f"s{number}", name, float(generator.binomial(60, 0.15 + 0.03 * place)), 60.0))
    arms = arms_of(rows)
    fit = fit_one_stage(arm_groups(arms), heterogeneous=True)
    assert fit.converged
    part = fit_part_one_stage(arms, heterogeneous=True)
    assert any("Laplace" in note for note in part.notes) == (fit.tau > 0)
