"""Rates by cause: parts add up to the whole, products against draws, exact limits of one study."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

import metakit
from metakit.core.causes import StudyReturns
from metakit.models.causes_of_return.causes import pool_causes
from metakit.models.causes_of_return.causes_products import Rate, ShareTable
from metakit.models.causes_of_return.causes_rates import WholeRate
from metakit.numerics.posteriors.causes_limits import BetaParts

TAILS = np.array([0.025, 0.5, 0.975])


def study(name: str, bone: int, mp: int, lost: int, thumbs: float | None, time: float | None) -> StudyReturns:
    return StudyReturns(
        study=name, counts={"residual_bone": bone, "mp_hyperextension": mp}, returned=bone + mp + lost,
        not_stated=lost, thumbs=thumbs, time=time,
    )  # fmt: skip


STUDIES = [
    study("A", 4, 2, 1, 80, 240), study("B", 3, 3, 2, 60, 150), study("C", 0, 2, 0, 45, 90),
    study("D", 5, 1, 0, 120, 480), study("E", 0, 0, 0, 50, 100),
]  # fmt: skip


@pytest.fixture(scope="module")
def found() -> Any:
    return pool_causes(STUDIES)


@pytest.mark.parametrize("per", ["per_thumb", "per_thumb_year"])
def test_means_of_parts_add_up_to_the_mean_of_the_whole(found: Any, per: str) -> None:
    parts = [getattr(answer, per).mean for answer in found.causes]
    lost = getattr(found, f"not_stated_{per}").mean
    assert sum(parts) + lost == pytest.approx(getattr(found, f"all_{per}").mean, rel=1e-12)


@pytest.mark.lengthy
def test_the_whole_is_what_pool_answers(found: Any) -> None:
    table = {
        "study": [s.study for s in STUDIES],
        "events": [s.returned for s in STUDIES],
        "total": [s.thumbs for s in STUDIES],
    }
    result = metakit.pool(metakit.effect_sizes(table, measure="proportion"))
    assert found.all_per_thumb.median == pytest.approx(result.back_transform(result.estimate), rel=1e-8)
    limits = [result.back_transform(limit) for limit in result.interval]
    assert list(found.all_per_thumb.interval) == pytest.approx(limits, rel=1e-8)


def test_studies_without_returns_count_in_rates(found: Any) -> None:
    assert found.rate_studies == {"per_thumb": 5, "per_thumb_year": 5}
    assert found.k == 4


def test_rates_if_all_are_higher_and_predictions_hold_the_interval(found: Any) -> None:
    for answer in found.causes:
        for per in ("per_thumb", "per_thumb_year"):
            rate, most = getattr(answer, per), getattr(answer, f"{per}_if_all")
            assert most.median > rate.median
            assert rate.prediction.lower <= rate.interval.lower < rate.median
            assert rate.median < rate.interval.upper <= rate.prediction.upper


def test_one_study_is_exact() -> None:
    one = pool_causes([STUDIES[0]])
    rate = one.causes[0].per_thumb_year
    assert rate.mean == 4 / 240
    # Garwood 1936 by chi-squared quantiles.
    expected = stats.chi2.ppf(0.025, 8) / 480, stats.chi2.ppf(0.975, 10) / 480
    assert tuple(rate.interval) == pytest.approx(expected, rel=1e-10)
    assert one.causes[0].per_thumb.interval.lower == pytest.approx(stats.beta(4, 77).ppf(0.025), rel=1e-10)


def test_products_agree_with_draws() -> None:
    # Independent route: two million products of numpy's own Beta and gamma draws; their own error is 0.2 %.
    random = np.random.default_rng(7)
    drawn = random.beta(3, 5, 2_000_000) * random.gamma(6, 0.01, 2_000_000)
    nodes = stats.gamma(6, scale=0.01).ppf((np.arange(4000) + 0.5) / 4000)
    rate = Rate(value=nodes, weight=np.full(4000, 1 / 4000))
    table = ShareTable(BetaParts(np.ones(1), np.array([3.0]), np.array([5.0])))
    assert table.product_quantiles(rate, TAILS) == pytest.approx(np.quantile(drawn, TAILS), rel=0.01)


def test_a_certain_share_gives_the_rate_back() -> None:
    rate = Rate(value=np.array([0.01, 0.02, 0.05]), weight=np.array([0.2, 0.6, 0.2]))
    table = ShareTable(BetaParts(np.ones(1), np.array([1e8]), np.array([1.0])))
    assert table.product_quantiles(rate, np.array([0.5]))[0] == pytest.approx(0.02, rel=1e-6)


def test_sizes_that_no_study_gives_have_no_rates() -> None:
    bare = pool_causes([study("A", 4, 2, 1, None, None), study("B", 3, 3, 2, None, None)])
    assert bare.causes[0].per_thumb is None
    assert bare.all_per_thumb is None
    assert WholeRate(STUDIES, "time", 0.95).k == 5
