"""The oracle's regression, small-study, leave-one-out and network answers against the collection (status: computed)."""

from __future__ import annotations

from typing import Any

import pytest
from agreement import Comparison, certified, published
from scipy import stats

DIGITS = 12.5
RENAMED = {"log_odds_ratio": "odds_ratio", "log_risk_ratio": "risk_ratio"}
INTERVALS = {
    "interval": "wald",
    "hartung_knapp_interval": "knapp_hartung",
    "hartung_knapp_floor_interval": "knapp_hartung_floor",
}


def regression_figure(record: dict[str, Any], method: str, figure: str, places: list[str]) -> object:
    """Find one figure of a regression record."""
    answer = record["answers"][method]
    if figure in ("tau2", ""):
        return answer.get(figure)
    if figure == "r2":
        return answer.get("r2")
    place = answer["coefficients"][int(places[0])] if places else None
    if place is None:
        return None
    if figure == "coefficient":
        return place["estimate"]
    if figure in INTERVALS:
        return place[INTERVALS[figure]]["interval"][int(places[1])]
    if figure == "hartung_knapp_standard_error":
        return place["knapp_hartung"]["standard_error"]
    if figure in ("standard_error", "p_value"):
        return place["wald"][figure]
    return None


@pytest.mark.parametrize(
    "record", certified("meta_regression"), ids=lambda r: f"{r['measure']} on {'+'.join(r['moderators'])}"
)
def test_meta_regression(record: dict[str, Any]) -> None:
    """BCG on latitude and year: another 50-digit program, and van Houwelingen 2002 through it."""
    prefix = f"log_{record['measure']}_on_{'_'.join(record['moderators'])}"
    comparison = Comparison(prefix)
    for path, value in published("bcg_latitude")["computed"].items():
        head, *rest = path.split("/")
        if head != prefix or rest[0] not in record["answers"]:
            continue
        truth = regression_figure(record, rest[0], rest[1], rest[2:])
        if truth is not None:
            comparison.check(path, value, truth, DIGITS, 1e-3)
    assert comparison.checked > 60
    comparison.close()


def test_printed_regression_of_van_houwelingen() -> None:
    """Status memory: van Houwelingen 2002, ML: 0.371 (0.106), -0.0327 (0.0034), tau2 0.004."""
    record = next(
        r for r in certified("meta_regression") if r["measure"] == "odds_ratio" and len(r["moderators"]) == 1
    )
    for item in published("bcg_latitude")["expected"]:
        method, figure, *places = item["path"].split("/")[1:]
        truth = regression_figure(record, method, figure, places)
        assert float(str(truth)) == pytest.approx(item["value"], abs=item["tolerance"]), item["quantity"]


@pytest.mark.parametrize("record", certified("small_study"), ids=lambda r: f"{r['table']}/{r['measure']}")
def test_small_study_effects(record: dict[str, Any]) -> None:
    """Egger, Begg, Harbord, Peters, trim and fill."""
    comparison = Comparison(record["table"])
    names = {
        "intercept": "estimate",
        "slope": "estimate",
        "standard_error": "standard_error",
        "t": "statistic",
        "p": "p_value",
    }
    for path, value in published(record["table"])["computed"].items():
        parts = path.split("/")
        if parts[0] in ("harbord", "peters") and parts[0] in record:
            if parts[1] in names:
                comparison.check(path, value, record[parts[0]][names[parts[1]]], DIGITS)
        elif parts[0] == record["measure"] and parts[1] == "egger":
            if parts[2] != "slope":
                comparison.check(path, value, record["egger"][names[parts[2]]], DIGITS)
        elif parts[0] == record["measure"] and parts[1] == "begg":
            figure = {
                "S": "s",
                "tau": "kendall_tau",
                "z": "z",
                "p": "p_value_normal",
                "z_cc": "z_continuity",
                "p_cc": "p_value_continuity",
            }[parts[2]]
            if figure in record["begg"]:
                comparison.check(path, value, record["begg"][figure], DIGITS)
        elif parts[0] == record["measure"] and parts[1] == "trim_and_fill":
            estimator, model = parts[2].split("_", 1)
            model = "common_effect" if model == "common_effect" else "random_effects"
            slope_sign = float(record["egger"]["estimate"])
            side = "right" if slope_sign < 0 else "left"
            (fill,) = [
                f
                for f in record["trim_and_fill"]
                if (f["estimator"], f["model"], f["side"]) == (estimator, model, side)
            ]
            comparison.check(
                path, value, fill[{"coefficient": "estimate"}.get(parts[3], parts[3])], DIGITS, 1e-6
            )
    if comparison.checked:
        comparison.close()


def test_exact_kendall_probability() -> None:
    """Source: scipy.stats.kendalltau(method="exact"), an independent library."""
    record = next(r for r in certified("small_study") if "p_value_exact" in r["begg"])
    from oracle.small_study import kendall_exact_p

    for k, s in ((4, 4), (6, -7), (9, 10), (13, -22)):
        if (k * (k - 1) // 2 - s) % 2 == 0:
            order = next(p for p in _orders(k) if _score(p) == s)
            truth = stats.kendalltau(range(k), order, method="exact").pvalue
            assert float(kendall_exact_p(k, s)) == pytest.approx(truth, rel=1e-10)
    assert 0 < float(record["begg"]["p_value_exact"]) <= 1


def _orders(k: int) -> list[list[int]]:
    """Return orders that run through every value of S, by moving neighbours one step at a time."""
    order, found = list(range(k)), [list(range(k))]
    for _ in range(k):
        for i in range(k - 1):
            if order[i] < order[i + 1]:
                order[i], order[i + 1] = order[i + 1], order[i]
                found.append(list(order))
    return found


def _score(order: list[int]) -> int:
    return sum(1 if order[j] > order[i] else -1 for i in range(len(order)) for j in range(i + 1, len(order)))


def test_leave_one_out() -> None:
    """BCG odds ratios of the collection against the same oracle run on odds ratios."""
    from oracle import cases, mean, tau2

    pairs = [pair for pair in cases.table_effects("bcg", "odds_ratio", "none") if pair is not None]
    y, v = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
    comparison = Comparison("leave one out")
    for i in range(len(y)):
        part = y[:i] + y[i + 1 :], v[:i] + v[i + 1 :]
        best = tau2.reml(*part)
        centre, se = mean.estimate(*part, best)
        for name, truth in (("coefficient", centre), ("standard_error", se), ("tau2", best)):
            path = f"odds_ratio/leave_one_out/reml/{i}/{name}"
            comparison.check(path, published("bcg")["computed"][path], truth, DIGITS)
    comparison.close()


def test_network() -> None:
    """Parkinson network: every pair, Q and tau2 of four models; printed values of the decision unit (status memory)."""
    record = next(r for r in certified("network") if r["name"] == "parkinson_nma")
    comparison = Comparison("parkinson")

    def figure(path: str) -> object:
        model, *rest = path.split("/")
        answer = record["answers"][model]
        if rest[0] == "q":
            return answer["q"]["value"]
        if rest[0] == "tau2":
            return answer["tau2"]
        comparator, technique = rest[1].split("->")
        (pair,) = [
            c for c in answer["comparisons"] if (c["technique"], c["comparator"]) == (technique, comparator)
        ]
        return pair[rest[2]]

    for path, value in published("parkinson_nma")["computed"].items():
        comparison.check(path, value, figure(path), DIGITS, 1e-3)
    comparison.close()
    for item in published("parkinson_nma")["expected"]:
        assert float(str(figure(item["path"]))) == pytest.approx(item["value"], abs=item["tolerance"]), item[
            "quantity"
        ]
