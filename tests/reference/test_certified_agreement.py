"""Design effects, agreement of two people, directions and combined p values against certified values.

Sources of the methods: Cochrane Handbook 23.1 and the check values of the project's domain paper; Cohen 1960, Fleiss, Cohen & Everitt
1969, Byrt 1993, Bland & Altman 1986, Barlow 1991, Efron & Tibshirani 1993; Clopper & Pearson 1934; Fisher 1932.
Source of the values: tests/reference/generate.py, topic design_and_agreement.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from agreement import CLOSED, Comparison, certified

from metakit.core.values import Place
from metakit.measures.converting.units_of_analysis import (
    design_effect,
    effective_number,
    weighted_cluster_size,
)
from metakit.measures.exact_intervals import clopper_pearson
from metakit.numerics.directions import fisher_combination, sign_test
from metakit.review.reconciling.agreement import category_agreement, number_agreement
from metakit.review.reconciling.reconcile_agreement import field_agreements, overall_agreement
from metakit.review.reconciling.reconcile_compared import Compared, Side
from metakit.synthesis.exploring.moderators import moderator_column
from tests.unit.synthesis.invented import arm, gathered, plan, trial

RECORDS = certified("design_and_agreement")


def part(name: str) -> Any:
    """Return the record that holds this key."""
    return next(record for record in RECORDS if name in record)


@pytest.mark.parametrize(
    "record",
    part("design_effects")["design_effects"],
    ids=lambda r: f"{r['patients']}/{r['thumbs']} {r['icc']}",
)
def test_design_effects(record: dict[str, Any]) -> None:
    """Size-weighted cluster size, design effect and effective number of thumbs."""
    patients, thumbs, icc = record["patients"], record["thumbs"], float(record["icc"])
    comparison = Comparison(f"{patients}/{thumbs}")
    comparison.check("cluster size", weighted_cluster_size(patients, thumbs), record["cluster_size"], CLOSED)
    comparison.check("effect", design_effect(patients, thumbs, icc), record["design_effect"], CLOSED)
    found = effective_number(thumbs, patients, icc)
    comparison.check("effective", found.value, record["effective"], CLOSED)
    comparison.close()


def items_of(table: list[list[int]]) -> tuple[list[str], list[str]]:
    """Return two people's categories that make up the table."""
    pairs = [
        (f"c{i}", f"c{j}") for i, row in enumerate(table) for j, count in enumerate(row) for _ in range(count)
    ]
    first, second = zip(*pairs, strict=True)
    return list(first), list(second)


@pytest.mark.parametrize("record", part("kappas")["kappas"], ids=lambda r: str(r["table"]))
def test_kappa(record: dict[str, Any]) -> None:
    """Cohen's kappa with its large-sample interval, cut at -1 and 1, and the prevalence-adjusted kappa."""
    found = category_agreement(*items_of(record["table"]))
    comparison = Comparison(str(record["table"]))
    truth = record["kappa"]
    comparison.check("observed", found.proportion_same, record["observed"], CLOSED)
    comparison.check("kappa", found.kappa, truth["estimate"], CLOSED)
    comparison.check("adjusted", found.adjusted_kappa, record["prevalence_adjusted"]["estimate"], CLOSED)
    if float(truth["standard_error"]) == 0:
        assert found.kappa_interval is None
    else:
        lower, upper = (min(max(float(limit), -1.0), 1.0) for limit in truth["interval"])
        comparison.check_pair(
            "interval", found.kappa_interval, (lower, upper), CLOSED, truth["standard_error"]
        )
    comparison.close()


@pytest.mark.parametrize(
    "record", part("stratified")["stratified"], ids=lambda r: f"{len(r['studies'])} studies"
)
def test_overall_kappa_by_leaving_studies_out(record: dict[str, Any]) -> None:
    """Fields weighted by their numbers of values; the jackknife over studies has a t quantile."""

    def side(text: str) -> Side:
        return Side(typed=text, place=Place(file="invented.yaml", line=1, column=1), source="")

    items = [
        Compared(
            study=f"study {number:02d}",
            address=field,
            field=field,
            topic="",
            kind="choice",
            first=side(one),
            second=side(two),
            same=one == two,
        )
        for number, study in enumerate(record["studies"])
        for field, (one, two) in study.items()
    ]
    found = overall_agreement(field_agreements(items), items)
    comparison = Comparison("overall")
    comparison.check("kappa", found.kappa, record["estimate"], CLOSED)
    lower, upper = (min(max(float(limit), -1.0), 1.0) for limit in record["interval_t"])
    comparison.check_pair(
        "interval", found.kappa_interval, (lower, upper), CLOSED - 1, record["standard_error"]
    )
    comparison.close()


def test_limits_of_agreement() -> None:
    """Mean difference and its SD (n - 1) with the normal quantile."""
    record = part("limits_of_agreement")
    first, second = ([float(item) for item in record[name]] for name in ("first", "second"))
    found, truth = number_agreement(first, second), record["limits_of_agreement"]
    comparison = Comparison("limits of agreement")
    comparison.check("mean", found.mean_difference, truth["mean"], CLOSED, truth["sd"])
    comparison.check_pair("limits", found.limits, truth["limits"], CLOSED, truth["sd"])
    comparison.close()


@pytest.mark.parametrize("record", part("shares")["shares"], ids=lambda r: f"{r['favourable']}/{r['total']}")
def test_exact_share_and_sign_test(record: dict[str, Any]) -> None:
    """Clopper-Pearson limits, and the two-sided exact test of one half."""
    x, n = record["favourable"], record["total"]
    lower, upper = clopper_pearson(np.array([float(x)]), np.array([float(n)]), 0.95)
    comparison = Comparison(f"{x}/{n}")
    comparison.check_pair("interval", (float(lower[0]), float(upper[0])), record["interval"], CLOSED)
    comparison.check("sign test", float(sign_test(x, n)), record["sign_test"], CLOSED)
    comparison.close()


def test_fisher_combination() -> None:
    """-2 sum log p by chi-square with two degrees of freedom a study."""
    record = part("p_values")
    statistic, df, p_value = fisher_combination(np.log([float(item) for item in record["p_values"]]))
    comparison = Comparison("Fisher")
    comparison.check("statistic", float(statistic), record["statistic"], CLOSED)
    comparison.check("p", float(p_value), record["combined"], CLOSED)
    comparison.close()
    assert df == record["df"]


@pytest.mark.parametrize("record", part("weighted_pairs")["weighted_pairs"], ids=lambda r: str(r["values"]))
def test_moderators_are_weighted_means(record: dict[str, Any]) -> None:
    """The mean age of a study: its arms weighted by their patients."""
    one, two = (
        arm(name, technique, age_mean=float(value), patients=weight, thumbs=weight)
        for name, technique, value, weight in zip(
            "AB", ("lrti", "trapeziectomy"), record["values"], record["weights"], strict=True
        )
    )
    studies = gathered(plan(), trial("1", 1, 2, arms=(one, two))).studies
    (found,) = moderator_column("age", studies, "any_complication").values
    comparison = Comparison("age")
    comparison.check("mean", float(found.value), record["weighted_mean"], CLOSED)  # type: ignore[arg-type]
    comparison.close()
