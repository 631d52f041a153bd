"""Studies without pooling: against scipy.stats, published intervals, Fisher's own example and counting by hand.

Sources. Intervals: Newcombe RG (1998), Stat Med 17:857-872, table I (from memory). Fisher's combination: Fisher RA
(1932), Statistical methods for research workers, section 21.1: p = 0.145, 0.263, 0.087 give chi-squared 11.42 on 6
degrees of freedom (from memory). Vote counting: Cochrane Handbook, chapter 12 (from memory: 11 of 12 effects on one
side, p = 0.006; 10 of 14, p = 0.18); each is also computed by scipy.stats here.
"""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import metakit
from metakit.core.bibliography import REFERENCES as SOURCES
from metakit.core.effects import EffectTable
from metakit.errors import NotEstimableError
from metakit.models.without_pooling import REFERENCES, without_pooling
from metakit.numerics.directions import fisher_combination, sign_test


@pytest.mark.parametrize("n", range(1, 31))
def test_sign_test_is_the_exact_binomial_test(n: int) -> None:
    x = np.arange(n + 1)
    expected = [stats.binomtest(int(value), n, 0.5).pvalue for value in x]
    np.testing.assert_allclose(sign_test(x, n), expected, rtol=1e-12)


def test_sign_test_of_hundreds_and_of_none() -> None:
    assert sign_test(310, 500) == pytest.approx(stats.binomtest(310, 500).pvalue, rel=1e-11)
    assert sign_test(0, 0) == 1.0
    for wrong in ((3, 2), (-1, 2), (1.5, 2)):
        with pytest.raises(ValueError, match="whole numbers"):
            sign_test(*wrong)


def test_fisher_on_his_own_example() -> None:
    statistic, df, p = fisher_combination(np.log([0.145, 0.263, 0.087]))
    assert (round(float(statistic), 2), df) == (11.42, 6)
    assert 0.05 < p < 0.10  # as his text says
    assert p == pytest.approx(stats.combine_pvalues([0.145, 0.263, 0.087], method="fisher").pvalue, rel=1e-12)


def test_fisher_in_a_batch_is_a_loop_and_padding_changes_nothing() -> None:
    generator = np.random.default_rng(3)
    logs = np.log(generator.uniform(1e-6, 1, (5, 7)))
    present = generator.random((5, 7)) < 0.6
    whole = fisher_combination(np.where(present, logs, np.nan), present)
    for row in range(5):
        alone = fisher_combination(logs[row][present[row]])
        np.testing.assert_allclose([part[row] for part in whole], alone, rtol=1e-13)
    assert fisher_combination(np.zeros((0,)))[2] == 1.0
    with pytest.raises(ValueError, match="not be above 0"):
        fisher_combination([0.1, -2.0])


def two_arms(
    rows: list[tuple[float, float, float, float]], measure: str = "risk_ratio", **more
) -> EffectTable:
    frame = pd.DataFrame(rows, columns=["events_1", "total_1", "events_2", "total_2"])
    frame.insert(0, "study", [f"S{n}" for n in range(len(rows))])
    return metakit.effect_sizes(frame, measure=measure, rows_differ=True, **more)


@pytest.mark.parametrize(
    ("below", "above", "p", "exact", "score"),
    [
        (11, 1, 0.00635, (0.6152, 0.9979), (0.6461, 0.9851)),
        (10, 4, 0.17957, (0.4190, 0.9161), (0.4535, 0.8828)),
        (0, 20, 1.9e-6, (0.0, 0.1684), (0.0, 0.1611)),  # Newcombe 1998: 0 of 20
        (1, 28, 1.1e-7, (0.0009, 0.1776), (0.0061, 0.1718)),  # Newcombe 1998: 1 of 29
    ],
)
def test_counts_of_directions(below: int, above: int, p: float, exact, score) -> None:
    found = without_pooling(two_arms([(3, 40, 6, 40)] * below + [(6, 40, 3, 40)] * above)).directions
    assert (found.below, found.above, found.neither, found.unknown) == (below, above, 0, 0)
    assert found.p_value == pytest.approx(p, rel=0.02)
    assert found.interval == pytest.approx(exact, abs=6e-5)
    assert found.wilson == pytest.approx(score, abs=6e-5)
    test = stats.binomtest(below, below + above)
    assert found.p_value == pytest.approx(test.pvalue, rel=1e-12)
    assert found.interval == pytest.approx(tuple(test.proportion_ci(method="exact")), abs=1e-12)
    assert found.wilson == pytest.approx(tuple(test.proportion_ci(method="wilson")), abs=1e-12)


def test_directions_are_those_of_the_reported_numbers_not_of_corrected_ones() -> None:
    table = two_arms([(0, 100, 1, 500), (2, 30, 3, 30)])
    assert table.effect[0] > 0  # 0.5 added to unequal arms turns the effect round
    assert [row.side for row in without_pooling(table).studies] == ["below", "below"]


def test_no_event_at_all_is_no_direction_and_equal_risks_are_none_either() -> None:
    found = without_pooling(two_arms([(0, 30, 0, 30), (1, 10, 3, 30), (2, 30, 5, 30), (4, 30, 1, 30)]))
    assert [row.side for row in found.studies] == ["neither", "neither", "below", "above"]
    assert found.studies[0].effect is None  # a ratio of nothing
    assert found.directions.share == 0.5 and found.directions.p_value == 1.0


def test_studies_without_any_direction_have_no_share() -> None:
    found = without_pooling(two_arms([(1, 30, 1, 30), (2, 30, 2, 30)])).directions
    assert (found.counted, found.neither) == (0, 2)
    assert found.share is found.interval is found.p_value is None


def test_significance_plays_no_part() -> None:
    faint, strong = [(50, 100, 51, 100)], [(5, 100, 60, 100)]
    assert without_pooling(two_arms(faint * 4)).directions == without_pooling(two_arms(strong * 4)).directions


def test_effects_are_described_on_their_scale() -> None:
    rows = [(2, 40, 8, 40), (3, 40, 6, 40), (5, 40, 5, 40), (8, 40, 4, 40), (9, 40, 3, 40)]
    spread = without_pooling(two_arms(rows)).spread
    assert (spread.lowest, spread.median, spread.highest) == pytest.approx((0.25, 1.0, 3.0))
    assert spread.quartiles == pytest.approx((0.5, 2.0))
    even = without_pooling(two_arms(rows[:2])).spread
    assert even.median == pytest.approx(math.sqrt(0.25 * 0.5)) and even.quartiles is None


def test_series_are_described_as_observed_and_have_no_direction() -> None:
    frame = pd.DataFrame({"study": list("abcd"), "events": [0, 2, 4, 10], "total": [20, 20, 20, 20]})
    found = without_pooling(metakit.effect_sizes(frame, measure="proportion"))
    assert found.directions is None and found.combined == ()
    assert (found.spread.lowest, found.spread.highest) == (0.0, 0.5)
    assert found.spread.median == pytest.approx(0.15)
    assert found.spread.quartiles == pytest.approx((0.075, 0.275))


def test_combined_p_values_agree_with_scipy() -> None:
    table = two_arms([(2, 40, 8, 40), (3, 40, 6, 40), (8, 40, 4, 40)])
    found = without_pooling(table)
    z = table.effect / np.sqrt(table.variance)
    for part, values in zip(found.combined, (stats.norm.cdf(z), stats.norm.sf(z)), strict=True):
        other = stats.combine_pvalues(values, method="fisher")
        assert (part.statistic, part.p_value) == pytest.approx((other.statistic, other.pvalue), rel=1e-12)
        assert (part.df, part.k) == (6, 3)


def test_a_p_value_too_small_for_a_number_still_counts() -> None:
    table = EffectTable(
        measure="generic", scale="identity", study=("a", "b"), effect=np.array([-50.0, -40.0]),
        variance=np.ones(2), estimable=np.ones(2, dtype=bool),
    )  # fmt: skip
    below, above = without_pooling(table).combined
    assert math.isfinite(below.statistic) and below.statistic > 4000 and above.p_value == pytest.approx(1.0)


def test_order_of_studies_and_swapped_arms() -> None:
    rows = [(2, 40, 8, 40), (3, 40, 6, 40), (5, 40, 5, 40), (8, 40, 4, 40), (0, 40, 3, 40)]
    first = without_pooling(two_arms(rows))
    for order in itertools.islice(itertools.permutations(rows), 0, 120, 17):
        other = without_pooling(two_arms(list(order)))
        assert (other.directions, other.spread) == (first.directions, first.spread)
    turned = without_pooling(two_arms([(c, d, a, b) for a, b, c, d in rows]))
    assert (turned.directions.below, turned.directions.above) == (
        first.directions.above,
        first.directions.below,
    )
    assert turned.directions.p_value == first.directions.p_value
    assert turned.spread.median == pytest.approx(1 / first.spread.median)
    assert turned.combined[0].p_value == pytest.approx(first.combined[1].p_value)


def test_means_and_rates_have_directions() -> None:
    means = pd.DataFrame(
        {
            "study": list("ab"),
            "mean_1": [1.0, 3.0],
            "sd_1": 1.0,
            "total_1": 20,
            "mean_2": [2.0, 2.0],
            "sd_2": 1.0,
            "total_2": 20,
        }
    )
    assert [
        r.side for r in without_pooling(metakit.effect_sizes(means, measure="mean_difference")).studies
    ] == ["below", "above"]
    rates = pd.DataFrame(
        {
            "study": list("ab"),
            "events_1": [1, 6],
            "time_1": [100.0, 200.0],
            "events_2": [3, 3],
            "time_2": [100.0, 100.0],
        }
    )
    assert [r.side for r in without_pooling(metakit.effect_sizes(rates, measure="rate_ratio")).studies] == [
        "below",
        "neither",
    ]


def test_one_study_is_no_synthesis_and_json_has_no_nan() -> None:
    with pytest.raises(NotEstimableError, match="two studies"):
        without_pooling(two_arms([(1, 30, 2, 30)]))
    answer = without_pooling(two_arms([(0, 30, 0, 30), (0, 30, 0, 20)])).to_json()
    text = json.dumps(answer, allow_nan=False)
    assert "synthesis without pooling" in text and answer["effects"] is None
    assert all(key in SOURCES for key in REFERENCES)
