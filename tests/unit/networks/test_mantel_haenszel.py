"""The Mantel-Haenszel network against the pairwise method, a brute-force two-stage computation, and simulation.

Sources: Efthimiou 2019 Stat Med 38:2992-3012; Greenland 1989 Biometrics 45:183-191; Robins, Breslow & Greenland 1986.
"""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

import metakit
from metakit.errors import NotEstimableError, UsageError
from metakit.networks.analysis import analyse_network
from metakit.networks.arms import arms_from_counts_or_means
from metakit.networks.mantel_haenszel import (
    design_contributions,
    design_direct_estimates,
    design_inconsistency,
    estimable_arms,
    fit_mantel_haenszel,
)
from metakit.numerics.networks.network_mantel_haenszel import cross_products, pairwise_log_odds_ratios
from tests.unit.networks import networks


def arms_of(rows):
    study, technique, events, total = zip(*rows, strict=True)
    return arms_from_counts_or_means("odds_ratio", study, technique, {"events": events, "total": total})


def random_rows(seed: int, studies: int = 24, risk: float = 0.08):
    generator = np.random.default_rng(seed)
    designs = [("a", "b"), ("a", "c"), ("b", "c"), ("a", "b", "c"), ("c", "d"), ("a", "d")]
    log_odds = {"a": 0.0, "b": 0.4, "c": -0.3, "d": 0.6}
    rows = []
    for number in range(studies):
        base = math.log(risk / (1 - risk)) + generator.normal(0, 0.3)
        for name in designs[number % len(designs)]:
            total = int(generator.integers(40, 120))
            odds = math.exp(base + log_odds[name])
            rows.append(
                (f"s{number}", name, float(generator.binomial(total, odds / (1 + odds))), float(total))
            )
    return rows


def brute_force(rows):
    """Two stages written out with plain loops: sums over studies, covariances term by term, then least squares."""
    studies = {}
    for study, technique, events, total in rows:
        studies.setdefault(study, {})[technique] = (events, total)
    designs = {}
    for arms in studies.values():
        designs.setdefault(tuple(sorted(arms)), []).append(arms)
    names = sorted({technique for _, technique, *_ in rows})
    blocks, design, values = [], [], []
    for techniques, members in sorted(designs.items()):
        c = {}
        for i in techniques:
            for j in techniques:
                c[i, j] = sum(
                    arm[i][0] * (arm[j][1] - arm[j][0]) / sum(n for _, n in arm.values()) for arm in members
                )
        pairs = list(combinations(techniques, 2))
        log_ratio = {(i, j): math.log(c[i, j] / c[j, i]) for i, j in pairs}

        def covariance(one, two, c=c, members=members):
            total = 0.0
            for i, j, sign_1 in ((*one, 1), (*one[::-1], -1)):
                for g, h, sign_2 in ((*two, 1), (*two[::-1], -1)):
                    if i != g or j == h:
                        continue
                    for arm in members:
                        n = sum(size for _, size in arm.values())
                        x = {k: arm[k][0] for k in arm}
                        y = {k: arm[k][1] - arm[k][0] for k in arm}
                        total += (
                            sign_1
                            * sign_2
                            / (3 * n**2)
                            * (
                                x[i] * y[j] * y[h] / (c[i, j] * c[i, h])
                                + y[i] * x[j] * x[h] / (c[j, i] * c[h, i])
                                + (x[i] + y[i]) * x[j] * y[h] / (c[j, i] * c[i, h])
                                + (x[i] + y[i]) * x[h] * y[j] / (c[h, i] * c[i, j])
                            )
                        )
            if one == two:
                i, j = one
                for arm in members:
                    n = sum(size for _, size in arm.values())
                    a, b, d, e = arm[i][0], arm[i][1] - arm[i][0], arm[j][0], arm[j][1] - arm[j][0]
                    r, s, p, q = a * e / n, b * d / n, (a + e) / n, (b + d) / n
                    total += p * r / (2 * c[i, j] ** 2) + q * s / (2 * c[j, i] ** 2)
                    total += (p * s + q * r) / (2 * c[i, j] * c[j, i])
            return total

        u = np.array([[covariance(one, two) for two in pairs] for one in pairs])
        size = len(techniques)
        mean = np.zeros((size, len(pairs)))
        for place, (i, j) in enumerate(pairs):
            mean[techniques.index(i), place] = 1 / size
            mean[techniques.index(j), place] = -1 / size
        turn = mean[1:] - mean[0]
        values += list(turn @ np.array([log_ratio[pair] for pair in pairs]))
        blocks.append(turn @ u @ turn.T)
        for technique in techniques[1:]:
            row = np.zeros(len(names))
            row[names.index(technique)], row[names.index(techniques[0])] = 1.0, -1.0
            design.append(row)
    sigma = np.zeros((len(values), len(values)))
    at = 0
    for block in blocks:
        sigma[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    fit = sm.GLS(np.array(values), np.array(design)[:, 1:], sigma=sigma).fit()
    return names, fit.params, np.asarray(fit.normalized_cov_params), float(fit.wresid @ fit.wresid)


@pytest.mark.parametrize("seed", range(3))
def test_network_equals_brute_force_in_two_stages(seed: int) -> None:
    rows = random_rows(seed)
    names, beta, covariance, q = brute_force(rows)
    part = fit_mantel_haenszel(arms_of(rows))
    for place, technique in enumerate(names[1:]):
        found = part.contrast(technique, names[0])
        assert found.estimate == pytest.approx(beta[place], rel=1e-9, abs=1e-11)
        assert found.standard_error == pytest.approx(math.sqrt(covariance[place, place]), rel=1e-9)
        assert found.prediction is None
    assert part.q is not None
    assert part.q.value == pytest.approx(q, rel=1e-8)
    # five two-arm designs and one of three arms: 7 contrasts, 3 of them estimated
    assert part.q.df == 4


def test_one_comparison_is_the_pairwise_mantel_haenszel_with_its_variance() -> None:
    # zero cells on both sides; no correction may enter
    rows = []
    events = [(0, 3), (1, 0), (2, 5), (0, 1), (4, 4)]
    totals = [(40, 38), (25, 29), (60, 61), (33, 30), (80, 77)]
    for number, (x, n) in enumerate(zip(events, totals, strict=True)):
        rows += [(f"s{number}", "one", x[0], n[0]), (f"s{number}", "two", x[1], n[1])]
    frame = pd.DataFrame(
        [(f"s{k}", x[0], n[0], x[1], n[1]) for k, (x, n) in enumerate(zip(events, totals, strict=True))],
        columns=["study", "events_1", "total_1", "events_2", "total_2"],
    )
    pairwise = metakit.pool(metakit.effect_sizes(frame, measure="odds_ratio"), model="mantel_haenszel")
    found = fit_mantel_haenszel(arms_of(rows)).contrast("one", "two")
    assert found.estimate == pytest.approx(pairwise.estimate, rel=1e-12)
    assert found.standard_error == pytest.approx(pairwise.standard_error, rel=1e-12)
    assert found.interval == pytest.approx(pairwise.interval, rel=1e-12)
    table = sm.stats.StratifiedTable(
        [[[x[0], n[0] - x[0]], [x[1], n[1] - x[1]]] for x, n in zip(events, totals, strict=True)]
    )
    assert found.estimate == pytest.approx(table.logodds_pooled, rel=1e-12)
    assert found.standard_error == pytest.approx(table.logodds_pooled_se, rel=1e-12)


@pytest.mark.slow
def test_covariance_between_pairs_agrees_with_simulation() -> None:
    generator = np.random.default_rng(5)
    total = generator.integers(30, 90, (8, 3)).astype(float)
    odds = np.exp(
        np.log(np.array([0.05, 0.1, 0.2]) / np.array([0.95, 0.9, 0.8])) + generator.normal(0, 0.4, (8, 1))
    )
    estimates, covariances = [], []
    for _ in range(8000):
        events = generator.binomial(total.astype(int), odds / (1 + odds)).astype(float)
        if cross_products(events, total)[~np.eye(3, dtype=bool)].min() <= 0:
            continue
        pairs, covariance = pairwise_log_odds_ratios(events, total)
        estimates.append([pairs[0, 1], pairs[0, 2]])
        covariances.append(covariance[0, 1, 0, 2])
    # Monte Carlo error of a covariance of 0.05 over 8,000 draws is about 2 %; small-sample bias about 4 %
    assert np.mean(covariances) == pytest.approx(np.cov(np.array(estimates).T)[0, 1], rel=0.12)


def test_covariance_is_antisymmetric_and_of_rank_two_in_three_arms() -> None:
    generator = np.random.default_rng(2)
    total = generator.integers(30, 90, (6, 3)).astype(float)
    events = generator.binomial(total.astype(int), 0.15).astype(float)
    estimate, covariance = pairwise_log_odds_ratios(events, total)
    assert estimate == pytest.approx(-estimate.T)
    assert covariance == pytest.approx(-np.swapaxes(covariance, 0, 1))
    assert covariance == pytest.approx(np.transpose(covariance, (2, 3, 0, 1)))
    assert np.linalg.eigvalsh(covariance.reshape(9, 9)).min() > -1e-12


def test_inconsistency_splits_contributions_and_direct_evidence() -> None:
    part = fit_mantel_haenszel(arms_of(random_rows(1)))
    found = design_inconsistency(part)
    assert found.within_designs is None
    assert found.between_designs == found.design_by_treatment == part.q
    assert {(s.technique, s.comparator) for s in found.splits} >= {("a", "b"), ("a", "d"), ("c", "d")}
    # One triangle of two-arm designs: the split of one side is the loop, whatever side is taken.
    loop = fit_mantel_haenszel(arms_of([row for row in random_rows(1) if int(row[0][1:]) % 6 < 3]))
    direct = design_direct_estimates(loop)
    around = direct["a", "b"].estimate + direct["b", "c"].estimate - direct["a", "c"].estimate
    splits = design_inconsistency(loop).splits
    assert len(splits) == 3
    for split in splits:
        assert abs(split.difference) == pytest.approx(abs(around), rel=1e-9)
        assert split.direct == pytest.approx(direct[split.technique, split.comparator].estimate, rel=1e-9)
        assert (split.difference / split.difference_error) ** 2 == pytest.approx(loop.q.value, rel=1e-9)
    shares = design_contributions(part)
    assert shares.by_design.sum(axis=1) == pytest.approx(1.0)
    assert shares.by_study.sum(axis=1) == pytest.approx(1.0)


def test_arms_without_a_ratio_leave_their_design_by_name() -> None:
    rows = [
        ("s1", "a", 2, 40), ("s1", "b", 5, 40), ("s1", "c", 0, 40),
        ("s2", "a", 3, 50), ("s2", "c", 6, 50),
        ("s3", "d", 0, 30), ("s3", "a", 1, 30),
    ]  # fmt: skip
    left, aside = estimable_arms(arms_of(rows))
    assert set(zip(left.study, left.technique, strict=True)) == {
        ("s1", "a"),
        ("s1", "b"),
        ("s2", "a"),
        ("s2", "c"),
    }
    said = {item.study: item.reason for item in aside}
    assert said["s1"] == "c has no events in this study, so it has no odds ratio there"
    assert said["s3"] == "d has no events in this study, so it has no odds ratio there"
    found = analyse_network(arms_of(rows), model="mantel_haenszel", reference="a")
    assert any("No mantel_haenszel estimate for d" in note for note in found.notes)
    assert not found.arms.assumptions  # nothing was corrected
    with pytest.raises(NotEstimableError, match="No mantel_haenszel estimate for d"):
        analyse_network(arms_of(rows), model="mantel_haenszel", reference="d")


def test_zero_events_throughout_and_wrong_measures_are_refused_in_words() -> None:
    with pytest.raises(NotEstimableError, match="no comparison has a Mantel-Haenszel odds ratio"):
        analyse_network(arms_of([("s1", "a", 0, 30), ("s1", "b", 2, 30)]), model="mantel_haenszel")
    means = arms_from_counts_or_means(
        "mean_difference", ["s"] * 2, ["a", "b"], {"mean": [1, 2], "sd": [1, 1], "total": [9, 9]}
    )
    with pytest.raises(UsageError, match="events and totals"):
        analyse_network(means, model="mantel_haenszel")
    with pytest.raises(UsageError, match="component model"):
        analyse_network(arms_of(random_rows(0)), model="mantel_haenszel", components=True)


def test_common_large_counts_agree_with_inverse_variance() -> None:
    # Greenland 1989: both are consistent for few large studies; with thousands of events they differ by little.
    rows = [(s, t, e * 40.0, n * 40.0) for s, t, e, n in random_rows(3, risk=0.25)]
    arms = arms_of(rows)
    one = fit_mantel_haenszel(arms).contrast("d", "a")
    two = analyse_network(arms, model="common_effect").parts[0].part.contrast("d", "a")
    assert one.estimate == pytest.approx(two.estimate, abs=2 * two.standard_error)
    assert one.standard_error == pytest.approx(two.standard_error, rel=0.06)


def test_smoking_network_runs_with_its_zero_arms() -> None:
    arms = arms_from_counts_or_means("odds_ratio", *networks.smoking_rows())
    answer = analyse_network(arms, model="mantel_haenszel", reference="A").to_json()
    assert answer["model"] == "mantel_haenszel"
    assert answer["tau2"] is None
    assert answer["inconsistency"]["within_designs"] is None
    assert answer["thresholds"] == []
    assert {item["study"] for item in answer["set_aside"]} == {"15"}
