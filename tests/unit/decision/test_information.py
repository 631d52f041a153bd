"""Information sizes and sequential boundaries against published tables and general-purpose libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from metakit.decision.information import (
    looks,
    size_for_means,
    size_for_rates,
    size_for_risks,
)
from metakit.errors import UsageError
from metakit.numerics.sequential import spending, spending_boundaries

# DeMets & Lan 1994 (Stat Med 13:1341-1352), two-sided 5 %, equally spaced looks: values from memory, as printed in
# textbooks of group-sequential methods (Jennison & Turnbull 2000).
TABLE = {
    2: [2.963, 1.969],
    3: [3.710, 2.511, 1.993],
    4: [4.333, 2.963, 2.359, 2.014],
    5: [4.877, 3.357, 2.680, 2.290, 2.031],
}


@pytest.mark.walk
@pytest.mark.parametrize("count", TABLE)
def test_boundaries_of_published_tables(count: int) -> None:
    found = spending_boundaries(np.arange(1, count + 1) / count)
    np.testing.assert_allclose(found.boundary, TABLE[count], atol=5.1e-4)
    assert found.spent[-1] == pytest.approx(0.05)


@pytest.mark.walk
def test_boundaries_keep_the_error_by_the_multivariate_normal() -> None:
    times = np.array([0.3, 0.55, 0.8, 1.0])
    found = spending_boundaries(times, alpha=0.1).boundary
    correlation = np.sqrt(np.minimum.outer(times, times) / np.maximum.outer(times, times))
    for last in range(1, len(times) + 1):
        normal = stats.multivariate_normal(cov=correlation[:last, :last])
        inside = normal.cdf(found[:last], lower_limit=-found[:last], rng=np.random.default_rng(1))
        assert 1 - inside == pytest.approx(float(spending(times[last - 1], 0.1)), abs=2e-4)


@pytest.mark.walk
def test_one_look_is_the_usual_test_and_early_looks_spend_nothing() -> None:
    assert spending_boundaries([1.0]).boundary[0] == pytest.approx(stats.norm.isf(0.025), abs=1e-9)
    early = spending_boundaries([0.02, 1.0]).boundary
    assert math.isinf(early[0])
    assert early[1] == pytest.approx(1.96, abs=1e-3)
    late = spending_boundaries([0.5, 1.0, 1.4])
    assert math.isinf(late.boundary[2])  # nothing is left to spend


@pytest.mark.parametrize("bad", [[0.0, 1.0], [0.5, 0.5], [1.0, 0.5], [math.nan], []])
def test_looks_must_rise(bad: list[float]) -> None:
    with pytest.raises(ValueError, match="information must"):
        spending_boundaries(bad)


def test_sizes_agree_with_statsmodels() -> None:
    power = pytest.importorskip("statsmodels.stats.power")
    exact = power.tt_ind_solve_power(effect_size=0.5, alpha=0.05, power=0.8)
    assert size_for_means(5, 10) == pytest.approx(2 * exact, abs=4)  # the normal form lacks the t's last few
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    n = size_for_risks(0.20, 0.15) / 2
    reached = proportion.power_proportions_2indep(-0.05, 0.20, n, return_results=False)
    assert reached == pytest.approx(0.8, abs=0.005)


def test_size_of_a_published_example() -> None:
    # published: Fleiss, Levin & Paik 2003, table A.4 (from memory): risks 0.10 and 0.05, error 5 %, power 80 %, about
    # 435 in each arm without correction for continuity.
    assert size_for_risks(0.10, 0.05) / 2 == pytest.approx(435, abs=1)
    # published: the same table (from memory): 0.20 and 0.15, 906 in each arm: 905.4 is rounded up, then doubled.
    assert size_for_risks(0.20, 0.15) == 2 * 906


def test_rates_agree_with_simulation() -> None:
    years = size_for_rates(0.03, 0.01) / 2
    draw = np.random.default_rng(7)
    a, b = draw.poisson(0.03 * years, 200_000), draw.poisson(0.01 * years, 200_000)
    z = (a - b) / np.sqrt(np.maximum(a + b, 1))
    assert float(np.mean(np.abs(z) > stats.norm.isf(0.025))) == pytest.approx(0.8, abs=0.04)  # some 60 events


def test_sizes_refuse_the_impossible() -> None:
    for call in (
        lambda: size_for_risks(0.2, 0.2),
        lambda: size_for_risks(0.2, 1.2),
        lambda: size_for_means(0, 1),
        lambda: size_for_rates(0.1, -0.1),
        lambda: size_for_means(1, 1, power=1.0),
    ):
        with pytest.raises(UsageError):
            call()


@pytest.mark.lengthy
def test_cumulative_evidence_is_held_against_its_boundary() -> None:
    # z at half the information: 2.5 would pass the usual 1.96 but not the boundary 2.963.
    full = 1 / (stats.norm.isf(0.025) + stats.norm.ppf(0.8))
    errors = [full * math.sqrt(2), full]
    found = looks(["first", "second"], [2.5 * errors[0], 2.5 * errors[1]], errors, smallest=1.0)
    assert [look.information for look in found] == [pytest.approx(0.5), pytest.approx(1.0)]
    assert [look.beyond for look in found] == [False, True]
    assert found[0].boundary == pytest.approx(2.963, abs=1e-3)


@pytest.mark.lengthy
def test_a_study_that_takes_information_away_keeps_the_boundary() -> None:
    found = looks(["a", "b", "c", "d"], [0.1] * 4, [0.5, 0.6, 0.3, 0.1], smallest=1.0)
    assert found[1].boundary == found[0].boundary
    assert found[3].information > 1
    with pytest.raises(UsageError):
        looks(["a"], [0.1], [0.0], smallest=1.0)
