"""Networks of counts against certified values: Mantel-Haenszel in two stages and the one-stage likelihoods.

Sources of the methods: Efthimiou 2019; Robins, Breslow & Greenland 1986; Greenland 1989; Dias 2013; Jackson 2018 (symmetric random
effects). Source of the values: tests/reference/generate.py, topic network_counts; the networks are invented.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from agreement import CLOSED, ITERATED, Comparison, certified

from metakit.networks.arms import arms_from_counts_or_means
from metakit.networks.model import NetworkPart
from metakit.networks.models import network_model
from metakit.numerics.networks.network_mantel_haenszel import pairwise_log_odds_ratios

RECORDS = certified("network_counts")
NAMES = [record["name"] for record in RECORDS]


@cache
def fit(number: int, model: str) -> NetworkPart:
    """Fit a record by a model of the registry."""
    rows = [
        (study["study"], technique, float(events), float(total))
        for study in RECORDS[number]["studies"]
        for technique, events, total in study["arms"]
    ]
    study, technique, events, total = zip(*rows, strict=True)
    arms = arms_from_counts_or_means("odds_ratio", study, technique, {"events": events, "total": total})
    chosen = network_model(model)
    return chosen.fit(chosen.prepare(arms) if chosen.prepare else arms, "", 0.95)


def compare(part: NetworkPart, truth: dict[str, Any], required: float, name: str) -> Comparison:
    """Compare every technique with the reference: log odds ratio and standard error."""
    comparison = Comparison(name)
    for pair in truth["comparisons"]:
        against = pair.get("against", truth.get("against"))
        found = part.contrast(pair["technique"], against)
        what = f"{pair['technique']} against {against}"
        comparison.check(what, found.estimate, pair["estimate"], required, pair["standard_error"])
        comparison.check(f"{what} error", found.standard_error, pair["standard_error"], required)
    return comparison


@pytest.mark.parametrize("number", range(len(RECORDS)), ids=NAMES)
def test_mantel_haenszel_network(number: int) -> None:
    """Averaged log odds ratios of each design with Greenland's covariances, then generalised least squares."""
    answers = RECORDS[number]["mantel_haenszel"]
    truth = answers.get("three/averaged") or answers["three/plain"]
    part = fit(number, "mantel_haenszel")
    comparison = compare(part, truth, CLOSED - 1, NAMES[number])
    if truth["q"]["df"]:
        comparison.check("Q", part.q.value, truth["q"]["value"], CLOSED - 1)  # type: ignore[union-attr]
        assert part.q.df == truth["q"]["df"]  # type: ignore[union-attr]
    comparison.close()


@pytest.mark.parametrize("number", [2, 3], ids=NAMES[2:])
def test_other_unbiased_covariances_hardly_matter(number: int) -> None:
    """Which unbiased form of the covariance is taken moves an estimate by less than a twentieth of its error.

    Greenland's formula is known to us from memory only, so it must not matter much that it is the right one.
    """
    answers = RECORDS[number]["mantel_haenszel"]
    part = fit(number, "mantel_haenszel")
    for rule in ("six/averaged", "four/averaged"):
        for pair in answers[rule]["comparisons"]:
            found, error = part.contrast(pair["technique"], "A"), float(pair["standard_error"])
            assert abs(found.estimate - float(pair["estimate"])) < error / 20
            assert found.standard_error == pytest.approx(error, rel=0.01)


def test_covariance_at_expected_counts() -> None:
    """With counts at their expectations the covariance of two log odds ratios is that of the binomial model.

    Definition: cov(L_xy, L_xz) = sum n_x n_y n_z p_x q_y q_z / (q_x N^2) / (E R_xy E R_xz), R_xy = X_x Y_y / N.
    """
    psi = np.array([1.0, 1.8, 0.6])
    odds = np.array([0.05, 0.2, 0.9])[:, None] * psi
    p, n = odds / (1 + odds), np.array([[30.0, 41, 22], [55, 50, 61], [12, 19, 17]])
    q, whole = 1 - p, n.sum(axis=1)
    _, covariance = pairwise_log_odds_ratios(n * p, n)
    for x, y, z in ((0, 1, 2), (1, 0, 2), (2, 1, 0)):
        r_xy = np.sum(n[:, x] * p[:, x] * n[:, y] * q[:, y] / whole)
        r_xz = np.sum(n[:, x] * p[:, x] * n[:, z] * q[:, z] / whole)
        size = n[:, x] * n[:, y] * n[:, z] * p[:, x] * q[:, y] * q[:, z] / (q[:, x] * whole**2)
        assert covariance[x, y, x, z] == pytest.approx(np.sum(size) / (r_xy * r_xz), rel=1e-12)
        assert covariance[x, y, z, x] == pytest.approx(-covariance[x, y, x, z], rel=1e-12)


@pytest.mark.parametrize("number", range(len(RECORDS)), ids=NAMES)
def test_one_stage_common_effect(number: int) -> None:
    """Full logistic likelihood with an intercept a study, by Newton's rule."""
    truth = RECORDS[number]["one_stage_common"]
    part = fit(number, "one_stage_common_effect")
    comparison = compare(part, truth, ITERATED, NAMES[number])
    comparison.close()
    assert part.tau2 == 0
    assert part.df == truth["residual_df"]


def test_one_stage_random_effects() -> None:
    """Three studies, three techniques, one of three arms; random effects sum to zero within a study."""
    truth = next(item for item in RECORDS[0]["one_stage_random"] if item["coding"] == "centred")
    part = fit(0, "one_stage")
    # errors come from second differences in the oracle, good to 12 digits
    comparison = compare(part, truth, ITERATED, "triangle")
    comparison.check("tau2", part.tau2, truth["tau2"], ITERATED)
    comparison.close()


def test_techniques_without_events_leave_their_design() -> None:
    """A technique that no study of a design saw an event with has no odds ratio there; the rest is unchanged."""
    rare = [(study["study"], *arm) for study in RECORDS[1]["studies"] for arm in study["arms"]]
    three = [("abc", "A", 3, 40), ("abc", "B", 2, 44)]

    def against_a(rows: list[tuple[Any, ...]]) -> list[float]:
        study, technique, events, total = zip(*rows, strict=True)
        counts = {"events": [float(x) for x in events], "total": [float(x) for x in total]}
        arms = arms_from_counts_or_means("odds_ratio", study, technique, counts)
        chosen = network_model("mantel_haenszel")
        assert chosen.prepare is not None
        part = chosen.fit(chosen.prepare(arms), "", 0.95)
        found = [part.contrast(name, "A") for name in "BCD"]
        return [item.estimate for item in found] + [item.standard_error for item in found]

    whole_design = [*rare, ("bd", "B", 0, 20), ("bd", "D", 2, 25)]
    assert against_a(whole_design) == pytest.approx(against_a(rare), rel=1e-12)
    one_arm = [*rare, *three, ("abc", "C", 0, 39)]
    assert against_a(one_arm) == pytest.approx(against_a([*rare, *three]), rel=1e-12)
