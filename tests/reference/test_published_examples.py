"""Every worked example of the collection that is about effects and pooling.

Each expected value sits in tests/reference/published/<example>.yaml with its source and status
(published: read in the source; memory: recalled from it; computed: another 50-digit program); the ids of the tests carry both.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from agreement import Comparison, digits, published, published_names
from published_paths import answer, effects_of

from metakit.models.pool import pool

PRINTED = [(name, item) for name in published_names() for item in published(name)["expected"] if item["path"]]
IN_SCOPE = ("two_arm_counts", "two_arm_means", "one_arm_counts", "one_arm_rates", "two_arm_rates")
ELSEWHERE = ("bcg_latitude", "miller_1978")
"""Tested as meta-regression, and in test_certified_conversions (sum form of the double arcsine)."""
POOLED = [
    name for name in published_names() if published(name)["family"] in IN_SCOPE and name not in ELSEWHERE
]


def scope(name: str, item: dict[str, Any]) -> bool:
    """Say whether a printed value is a pooled figure of this module."""
    head = item["path"].split("/")[0]
    heads = (
        "odds_ratio",
        "risk_ratio",
        "risk_difference",
        "book_hedges_g",
        "mantel_haenszel",
        "mantel_haenszel_rate_ratio",
        "peto",
    )
    return head in heads and not item["path"].endswith(("cmh", "cmh_cc")) and name != "bcg_latitude"


def shown(value: float, item: dict[str, Any]) -> float:
    """Turn a figure into the form in which the source prints it."""
    form = item.get("shown_as")
    if form == "exponential":
        return math.exp(value)
    return 100 * value if form == "percent" else value


@pytest.mark.parametrize(
    ("name", "item"),
    [(name, item) for name, item in PRINTED if scope(name, item)],
    ids=lambda part: (
        part if isinstance(part, str) else f"{part['status']}: {part['quantity']} ({part['source'][:40]})"
    ),
)
def test_printed_value(name: str, item: dict[str, Any]) -> None:
    """A value printed in the source, within its printed precision."""
    found = answer(name, item["path"])
    assert found is not None
    assert shown(found[0], item) == pytest.approx(item["value"], abs=item["tolerance"] * (1 + 1e-9)), item[
        "source"
    ]


@pytest.mark.parametrize("name", POOLED)
def test_computed_values(name: str) -> None:
    """Status computed: the collection's own 50-digit program; digits as named in agreement.py."""
    comparison = Comparison(name)
    for path, value in published(name)["computed"].items():
        found = answer(name, path)
        if found is None:
            continue
        figure, required = found
        # a collection value that is zero, or a limit near zero, is counted against the third decimal
        comparison.check(path, figure, value, min(required, 11), 1e-3)
    comparison.close()


def test_bcg_as_the_issue_states_it() -> None:
    """BCG, 13 trials, risk ratio (Colditz 1994); rounded values of the project's issue 2, status published."""
    effects = effects_of("bcg", "risk_ratio")
    reml = pool(effects, tau2="reml", interval="wald").to_json()
    assert reml["k"] == 13
    assert reml["estimate"] == pytest.approx(-0.7145, abs=5e-5)
    assert reml["standard_error"] == pytest.approx(0.1798, abs=5e-5)
    assert reml["tau2"] == pytest.approx(0.3132, abs=5e-5)
    assert reml["i2"] == pytest.approx(0.92, abs=5e-3)
    moment = pool(effects, tau2="dersimonian_laird", interval="wald").to_json()
    assert moment["estimate"] == pytest.approx(-0.7141, abs=5e-5)
    assert moment["standard_error"] == pytest.approx(0.1787, abs=5e-5)
    assert moment["tau2"] == pytest.approx(0.3088, abs=5e-5)
    assert moment["q"]["value"] == pytest.approx(152.23, abs=5e-3)


def test_streptokinase_patients() -> None:
    """Lau 1992, abstract (memory): 2432 patients in the first eight trials, 36974 in all 33; and 0.74 (0.59-0.92)."""
    content = published("streptokinase_cumulative")
    place = {column: i for i, column in enumerate(content["columns"])}
    patients = [row[place["total_1"]] + row[place["total_2"]] for row in content["rows"]]
    assert sum(patients[:8]) == 2432
    assert sum(patients) == 36974
    first_eight = effects_of("streptokinase_cumulative", "odds_ratio").select(
        [index < 8 for index in range(33)]  # type: ignore[arg-type]
    )
    result = pool(first_eight, model="mantel_haenszel")
    for found, printed in zip((result.estimate, *result.interval), (0.74, 0.59, 0.92), strict=True):
        assert math.exp(found) == pytest.approx(printed, abs=5e-3)
    for count in (8, 15, 33):
        part = effects_of("streptokinase_cumulative", "odds_ratio").select([i < count for i in range(33)])  # type: ignore[arg-type]
        truth = content["computed"][f"cumulative_MH/{count - 1}/OR"]
        assert digits(math.exp(pool(part, model="mantel_haenszel").estimate), truth) > 11


ANSWERED_ELSEWHERE = {
    "bcg_latitude": "test_oracle_exploring and test_certified_exploring",
    "combine_groups": "test_certified_conversions",
    "handbook_sd": "test_certified_conversions",
    "wan_luo": "test_certified_conversions",
    "parkinson_nma": "test_certified_network",
    "handbook_nnt_rr": "tests/unit/decision/test_absolute.py",
    "pollen_mosimann": "causes that share a total, test_certified_causes",
    "kappa_fleiss": "agreement of two raters, tests/unit/review/reconciling/test_agreement.py",
}
OUTSIDE_OF_METAKIT = {
    "bayes_binomial_exact_gamma_precision": "a binomial likelihood with a gamma prior on 1/tau2: metakit has no such prior",
    "beta11_posterior_mean": "independent hospitals with a uniform prior: nothing is pooled",
    "mantel_haenszel/OR/cmh": "the test of no effect in all strata: the oracle computes it (test_oracle)",
}


def test_no_printed_value_is_forgotten() -> None:
    """Each printed value has a test, or a reason why metakit has no such figure."""
    forgotten = []
    for name in published_names():
        for item in published(name)["expected"]:
            path = item["path"] or ""
            covered = (
                name in ANSWERED_ELSEWHERE
                or path.startswith(("bayes_uniform_tau/", *OUTSIDE_OF_METAKIT))
                or (item["path"] and scope(name, item))
                or item["quantity"] in UNPATHED
            )
            if not covered:
                forgotten.append(f"{name}: {item['quantity']} ({path})")
    assert not forgotten, forgotten


UNPATHED = {
    "variance of random mean": "test_variance_of_the_random_mean",
    "patients in first 8 trials": "test_streptokinase_patients",
    "patients in all 33": "test_streptokinase_patients",
    "cumulative OR after 8 trials (1973), MH": "test_streptokinase_patients",
    "lower": "test_streptokinase_patients",
    "upper": "test_streptokinase_patients",
    "P value": "test_oracle (p of the test with continuity correction, rabbits)",
}


def test_variance_of_the_random_mean() -> None:
    """Borenstein 2009 ch 14 (memory): 0.0111, from the book's own g and variance."""
    from published_paths import fit

    result = fit("borenstein_smd", "book_hedges_g", tau2="dersimonian_laird", interval="wald")
    assert result.standard_error**2 == pytest.approx(0.0111, abs=1e-4)
