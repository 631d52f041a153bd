"""Held against its truth by plain arithmetic, not by metakit's engine: the invented data are what they claim.

Limits are three standard errors, where the error holds the declared spread between studies as well as chance.
The summaries are the handbook's (crude shares, Mantel-Haenszel risk ratio with the Greenland-Robins variance,
inverse-variance mean of differences: Cochrane Handbook, chapter 10), written out here with numpy.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import generate_demo
import numpy as np
import pytest
import yaml

from tests.demonstration import plain_records

FOLDER = Path(generate_demo.FOLDER)
TRUTHS = yaml.load((FOLDER / "true_values.yaml").read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
STUDY_SPREAD = TRUTHS["spread_between_studies"]
ARM_SPREAD = TRUTHS["spread_between_arms_of_a_study"]
TO_KG = {"kg": 1.0, "lb": 0.45359237, "N": 1 / 9.80665}


# The later report of one cohort counts the same thumbs again.
def independent() -> list[dict[str, Any]]:
    return [tree for tree in plain_records() if tree["study"]["id"] != "DEMO-11"]


def arms_of(
    technique: str, trees: list[dict[str, Any]] | None = None
) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    return [
        (tree, arm)
        for tree in (trees or independent())
        for arm in tree["arms"]
        if arm["technique"] == technique
    ]


def value(tree: dict[str, Any], arm: dict[str, Any], outcome: str, months: object) -> dict[str, Any] | None:
    for row in tree["outcomes"]:
        at = row["time"].get("label", row["time"].get("value"))
        if (
            row["arm"] == arm["id"]
            and row["outcome"] == outcome
            and at == months
            and row.get("kind", "final") == "final"
        ):
            return row
    return None


def share(row: dict[str, Any] | None) -> tuple[float, float] | None:
    if row is None or row.get("counted") != "per_thumb":
        return None
    events = row["events"] if "events" in row else row["percent"] * row["total"] / 100
    return float(events), float(row["total"])


def spread(name: str, weights: np.ndarray[Any, Any]) -> float:
    """Variance that the differences between studies give to a mean with these weights."""
    total = STUDY_SPREAD[name] ** 2 + ARM_SPREAD[name] ** 2
    return float(total * (weights**2).sum() / weights.sum() ** 2)


# No invented report of APL suspension counts all complications.
@pytest.mark.parametrize("technique", sorted(set(TRUTHS["techniques"]) - {"apl_suspension"}))
def test_crude_complication_risk_is_near_the_truth(technique: str) -> None:
    found = [share(value(tree, arm, "any_complication", 12)) for tree, arm in arms_of(technique)]
    counts = np.array([pair for pair in found if pair is not None])
    events, totals = counts[:, 0], counts[:, 1]
    crude = events.sum() / totals.sum()
    truth = TRUTHS["techniques"][technique]["complication"]
    error = np.sqrt(1 / events.sum() + 1 / (totals - events).sum() + spread("complication_logit", totals))
    distance = np.log(crude / (1 - crude)) - np.log(truth / (1 - truth))
    assert abs(distance) < 3 * error, (technique, crude, truth)


@pytest.mark.parametrize("technique", sorted(set(TRUTHS["techniques"]) - {"lr", "apl_suspension"}))
def test_crude_revision_rate_is_near_the_truth(technique: str) -> None:
    events, years = [], []
    for tree, arm in arms_of(technique):
        row = value(tree, arm, "revision_index", "last_follow_up")
        # Where a report looks at spurs, revisions for them follow a truth of their own (test_demo_trouble.py).
        if row is not None and "events" in row and "metacarpal_osteophyte_removed" not in arm:
            follow = arm["follow_up"]
            known = follow["thumb_years"]
            years.append(
                arm["thumbs"]["analysed"] * follow["mean"] / 12 if known == "not_reported" else known
            )
            events.append(row["events"])
    time = np.array(years, dtype=float)
    count = float(np.sum(events))
    truth = TRUTHS["techniques"][technique]["revision"] / 100
    expected = truth * time.sum()
    # Log-normal studies: their arithmetic mean lies above the rate of the typical study.
    expected *= np.exp((STUDY_SPREAD["revision_log"] ** 2 + ARM_SPREAD["revision_log"] ** 2) / 2)
    error = np.sqrt(1 / expected + spread("revision_log", time))
    assert count > 0
    assert abs(np.log(count / expected)) < 3 * error, (technique, count, expected)


def mantel_haenszel_risk_ratio(tables: np.ndarray[Any, Any]) -> tuple[float, float]:
    a, n1, c, n2 = tables.T
    n = n1 + n2
    upper, lower = (a * n2 / n).sum(), (c * n1 / n).sum()
    variance = ((n1 * n2 * (a + c) - a * c * n) / n**2).sum() / (upper * lower)
    return float(np.log(upper / lower)), float(variance)


def two_by_two(technique: str, comparator: str) -> np.ndarray[Any, Any]:
    tables = []
    for tree in independent():
        by_technique = {
            arm["technique"]: share(value(tree, arm, "any_complication", 12)) for arm in tree["arms"]
        }
        first, second = by_technique.get(technique), by_technique.get(comparator)
        if first is not None and second is not None:
            tables.append((*first, *second))
    return np.array(tables)


@pytest.mark.parametrize(
    ("analysis", "technique", "comparator", "k"),
    [
        ("complications_lrti", "lrti", "trapeziectomy", 5),
        ("complications_button", "suture_button", "lrti", 2),
        ("complications_ball", "lrti", "lr", 1),
        ("complications_arthrodesis", "arthrodesis", "lrti", 1),
        ("complications_pyrocarbon", "pyrocarbon_interposition", "lrti", 1),
    ],
)
def test_risk_ratio_of_complications_is_near_the_truth(
    analysis: str, technique: str, comparator: str, k: int
) -> None:
    tables = two_by_two(technique, comparator)
    assert len(tables) == k
    log_ratio, variance = mantel_haenszel_risk_ratio(tables)
    variance += 2 * ARM_SPREAD["complication_logit"] ** 2 / k
    assert abs(log_ratio - np.log(TRUTHS["analyses"][analysis])) < 3 * np.sqrt(variance)


def test_complications_of_the_prosthesis_lie_near_its_range() -> None:
    tables = np.array(
        [
            table
            for technique in ("prosthesis_ball_socket", "prosthesis_dual_mobility")
            for comparator in ("lrti", "trapeziectomy")
            for table in two_by_two(technique, comparator).reshape(-1, 4)
        ]
    )
    assert len(tables) == 3
    log_ratio, variance = mantel_haenszel_risk_ratio(tables)
    low, high = np.log(TRUTHS["analyses"]["complications_prosthesis"])
    assert low - 3 * np.sqrt(variance) < log_ratio < high + 3 * np.sqrt(variance)


@pytest.mark.parametrize(
    ("analysis", "outcome", "pairs"),
    [
        ("dash_lrti", "dash", [("lrti", "trapeziectomy")]),
        ("pinch_lrti", "key_pinch", [("lrti", "trapeziectomy")]),
        ("pain_lrti", "pain_activity", [("lrti", "trapeziectomy")]),
        ("pinch_button", "key_pinch", [("suture_button", "lrti")]),
        (
            "dash_prosthesis",
            "dash",
            [("prosthesis_ball_socket", "lrti"), ("prosthesis_dual_mobility", "trapeziectomy")],
        ),
        (
            "pinch_prosthesis",
            "key_pinch",
            [("prosthesis_dual_mobility", "lrti"), ("prosthesis_dual_mobility", "trapeziectomy")],
        ),
        (
            "pain_prosthesis",
            "pain_activity",
            [
                ("prosthesis_ball_socket", "lrti"),
                ("prosthesis_dual_mobility", "lrti"),
                ("prosthesis_dual_mobility", "trapeziectomy"),
            ],
        ),
    ],
)
def test_differences_of_means_are_near_the_truth(
    analysis: str, outcome: str, pairs: list[tuple[str, str]]
) -> None:
    spread_name = "pain" if outcome == "pain_activity" else outcome
    differences, variances = [], []
    for tree in independent():
        moments = {}
        for arm in tree["arms"]:
            row = value(tree, arm, outcome, 12)
            if row is not None and "standard_deviation" in row:
                factor = TO_KG[row.get("measured_in", "kg")]
                error = row["standard_deviation"] * factor / np.sqrt(row["n"])
                moments[arm["technique"]] = (row["mean"] * factor, error)
        for first, second in pairs:
            if first in moments and second in moments:
                differences.append(moments[first][0] - moments[second][0])
                variances.append(
                    moments[first][1] ** 2 + moments[second][1] ** 2 + 2 * ARM_SPREAD[spread_name] ** 2
                )
    assert differences, analysis
    weights = 1 / np.array(variances)
    mean, error = float((weights * differences).sum() / weights.sum()), float(weights.sum() ** -0.5)
    truth = np.atleast_1d(TRUTHS["analyses"][analysis])
    assert truth.min() - 3 * error < mean < truth.max() + 3 * error, (analysis, mean, error)


def test_the_truths_of_the_contrasts_follow_from_those_of_the_techniques() -> None:
    techniques, analyses = TRUTHS["techniques"], TRUTHS["analyses"]
    ratio = techniques["lrti"]["complication"] / techniques["trapeziectomy"]["complication"]
    assert analyses["complications_lrti"] == pytest.approx(ratio, abs=5e-4)
    assert analyses["revision_lrti"] == pytest.approx(
        techniques["lrti"]["revision"] / techniques["trapeziectomy"]["revision"], abs=5e-4
    )
    assert analyses["revision_denervation"] == techniques["denervation"]["revision"]
    low, high = analyses["complications_prosthesis"]
    assert low == pytest.approx(0.18 / 0.20, abs=5e-4) and high == pytest.approx(0.18 / 0.15, abs=5e-4)
