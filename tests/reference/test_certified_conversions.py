"""Conversions of reported figures and exact intervals, against printed values and the oracle.

Sources: Cochrane Handbook 5.1 sections 7.7.3.2-7.7.3.3 and table 7.7.a (6.5.2 and table 6.5.a in version 6); Wan 2014
table 1; Luo 2018; Clopper & Pearson 1934; Wilson 1927; Garwood 1936; Miller 1978. Certified values:
tests/reference/generate.py, topics conversions and effects.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from agreement import CLOSED, ITERATED, Comparison, certified, published

from metakit.measures.converting.combining import MeanSummary, combined_means
from metakit.measures.converting.order_statistics import expected_normal_order_statistic
from metakit.measures.converting.quantiles import (
    Quantiles,
    mean_from_quantiles,
    range_constant,
    sd_from_quantiles,
)
from metakit.measures.converting.spread import (
    critical_value,
    sd_from_interval,
    sd_from_p,
    sd_from_standard_error,
    t_from_p,
)
from metakit.measures.double_arcsine import double_arcsine, harmonic_mean, miller_back_transform
from metakit.measures.exact_intervals import clopper_pearson, exact_poisson, wilson

RECORDS = certified("conversions")
ORDER_STATISTIC = 9.0  # an integral over a product of normal probabilities


def named(name: str) -> list[dict[str, Any]]:
    """Return the records of one conversion."""
    return [record for record in RECORDS if record["name"] == name]


def test_combined_groups() -> None:
    """Handbook table 6.5.a; inputs invented, one of them with means a million times the SD."""
    for record in named("combine_groups"):
        groups = [MeanSummary(mean=float(m), sd=float(s), total=float(n)) for n, m, s in record["groups"]]
        answer = combined_means(groups).value
        comparison = Comparison(str(record["groups"]))
        for figure, truth in zip((answer.total, answer.mean, answer.sd), record["answer"], strict=True):
            comparison.check("combined", figure, truth, CLOSED)
        comparison.close()


def test_combined_groups_of_the_collection() -> None:
    """Status computed: combine_groups.yaml."""
    rows = published("combine_groups")["rows"]
    computed = published("combine_groups")["computed"]
    for label, count in (("two", 2), ("three", 3)):
        answer = combined_means([MeanSummary(mean=m, sd=s, total=n) for _, n, m, s in rows[:count]]).value
        assert (answer.total, answer.mean, answer.sd) == pytest.approx(
            [computed[f"{label}/{i}"] for i in range(3)], rel=1e-12
        )


def test_handbook_figures() -> None:
    """Status published, Handbook 5.1 section 7.7.3: t 2.78 at 45 df, SE 1.37, divisors 3.92, 3.29, 5.15, 4.128."""
    printed = {item["quantity"]: item for item in published("handbook_sd")["expected"]}
    found = {
        "t value, 45 df": t_from_p(0.008, 45),
        "SE of mean difference": 3.8 / t_from_p(0.008, 45),
        "t, 24 df": critical_value(0.95, 24),
        "2 x t, 24 df": 2 * critical_value(0.95, 24),
        "95% divisor": 2 * critical_value(0.95, 24, "normal"),
        "90% divisor": 2 * critical_value(0.90, 24, "normal"),
        "99% divisor": 2 * critical_value(0.99, 24, "normal"),
    }
    assert set(found) == set(printed)
    for name, value in found.items():
        assert value == pytest.approx(printed[name]["value"], abs=printed[name]["tolerance"]), name


def test_standard_deviations() -> None:
    """From a standard error, an interval, an exact p value."""
    comparison = Comparison("standard deviations")
    for record in named("sd_from_se"):
        comparison.check("SE", sd_from_standard_error(1.2, 50).value, record["answer"], CLOSED)
    for record in named("sd_from_interval"):
        lower, upper = (float(x) for x in record["interval"])
        found = sd_from_interval(lower, upper, record["n"], quantile="t" if record["t"] else "normal").value
        comparison.check(f"interval n={record['n']}", found, record["answer"], CLOSED - 1)
    for record in named("sd_from_p"):
        found = sd_from_p(3.8, 0.008, *record["n"]).value
        comparison.check("p", found, record["answer"]["sd"], ITERATED)
        comparison.check("t", t_from_p(0.008, 45), record["answer"]["t"], ITERATED)
    comparison.close()


def test_medians_and_ranges() -> None:
    """Wan 2014 and Luo 2018, closed approximations, three ways of reporting, four sample sizes."""
    comparison = Comparison("medians")
    names = {
        "smallest": "minimum",
        "q1": "first_quartile",
        "median": "median",
        "q3": "third_quartile",
        "largest": "maximum",
    }
    for record in named("median_and_range"):
        given = Quantiles(total=record["n"], **{names[k]: float(x) for k, x in record["given"].items()})
        what = f"{record['scenario']} n={record['n']}"
        comparison.check(f"mean {what}", mean_from_quantiles(given, rule="luo").value, record["mean"], CLOSED)
        comparison.check(f"sd {what}", sd_from_quantiles(given, rule="wan").value, record["sd"], CLOSED - 1)
    comparison.close()


def test_expected_ranges_of_the_printed_table() -> None:
    """Status published: Wan 2014 table 1, xi(n) = 2 E(Z_(n)) for n up to 50; and the oracle's digits."""
    printed = {item["quantity"]: item for item in published("wan_luo")["expected"]}
    for name, item in printed.items():
        n = int(name[3:-1])
        exact = expected_normal_order_statistic(n, n) - expected_normal_order_statistic(1, n)
        assert exact == pytest.approx(item["value"], abs=item["tolerance"]), name
    comparison = Comparison("xi")
    for record in named("expected_range"):
        n = record["n"]
        comparison.check(
            f"xi({n})", 2 * expected_normal_order_statistic(n, n), record["answer"], ORDER_STATISTIC
        )
    comparison.close()


def test_wan_and_luo_of_the_collection() -> None:
    """Status computed: wan_luo.yaml (the approximate constants and the example row)."""
    computed = published("wan_luo")["computed"]
    for path, value in computed.items():
        if path.startswith("xi_approx/"):
            assert range_constant(int(path.split("/")[1]), "formula") == pytest.approx(value, rel=1e-11), path


@pytest.mark.parametrize("family", ["one_arm_counts", "one_arm_rates"])
def test_exact_intervals(family: str) -> None:
    """Clopper-Pearson and Wilson for counts, Garwood for rates, at 95 %."""
    rules = {"clopper_pearson": clopper_pearson, "wilson": wilson, "garwood": exact_poisson}
    comparison = Comparison(family)
    for record in certified("effects"):
        if record["family"] != family:
            continue
        first, second = (np.array([float(item)]) for item in record["row"])
        for name, truth in record["intervals"].items():
            lower, upper = rules[name](first, second, 0.95)
            # quantiles of beta and gamma come from scipy.special, which promises about 12 digits, not all of them
            required = CLOSED - 1 if name == "wilson" else ITERATED + 1
            comparison.check_pair(
                f"{name} {record['row']}",
                (float(lower[0]), float(upper[0])),
                truth,
                required,
                1e-9 if name == "wilson" else 0,
            )
    comparison.close()


def test_miller_inverse() -> None:
    """Miller 1978 (data from memory): four proportions, harmonic mean of n, back-transform of the plain mean of the arcs."""
    (record,) = named("miller_inverse")
    rows = np.array([[row[1], row[2]] for row in published("miller_1978")["rows"]], dtype=float)
    half_arcs, variance = double_arcsine(rows[:, 0], rows[:, 1])
    comparison = Comparison("Miller 1978")
    for i, truth in enumerate(record["arcs"]):
        comparison.check(f"arc {i}", float(2 * half_arcs[i]), truth, CLOSED)
        comparison.check(f"variance {i}", float(variance[i]), str(1 / (4 * rows[i, 1] + 2)), CLOSED)
    n = harmonic_mean(rows[:, 1])
    comparison.check("harmonic mean", n, record["harmonic_mean"], CLOSED)
    back = miller_back_transform(np.array([half_arcs.mean()]), np.array([n]))
    comparison.check("back-transform", float(np.asarray(back)[0]), record["answer"], CLOSED - 1)
    comparison.check(
        "collection",
        float(np.asarray(back)[0]),
        str(published("miller_1978")["computed"]["p_back"]),
        CLOSED - 1,
    )
    comparison.close()
