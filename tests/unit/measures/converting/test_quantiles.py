"""Where quantiles begin to say something: each bound from both sides. Values by the published formulas, written out."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from metakit.errors import NotEstimableError, UsageError
from metakit.measures.converting.quantiles import (
    Quantiles,
    mean_from_quantiles,
    quartile_constant,
    range_constant,
    sd_from_quantiles,
    skewness,
)


def test_three_observations_are_enough_and_order_may_be_equal() -> None:
    given = Quantiles(total=3, minimum=1, median=1, maximum=4)  # the median may be an end
    # Wan 2014: range over 2 Phi^-1((n - 0.375)/(n + 0.25)); Luo 2018: weight 4/(4 + n^0.75) of the ends.
    assert sd_from_quantiles(given).value == pytest.approx(3 / (2 * stats.norm.ppf(2.625 / 3.25)), rel=1e-12)
    weight = 4 / (4 + 3**0.75)
    assert mean_from_quantiles(given).value == pytest.approx(weight * 2.5 + (1 - weight) * 1, rel=1e-12)
    with pytest.raises(UsageError, match="at least 3"):
        Quantiles(total=2.9, minimum=1, median=1, maximum=4)


def test_equal_quartiles_alone_have_no_spread() -> None:
    given = Quantiles(total=20, minimum=1, first_quartile=3, median=3, third_quartile=3, maximum=9)
    # Shi 2020: the quartiles have weight, and no width.
    weight = 1 / (1 + 0.07 * 20**0.6)
    assert sd_from_quantiles(given).value == pytest.approx(weight * 8 / range_constant(20), rel=1e-12)
    # The ends alone lean: 2 |5 - 3| / 8 = 0.5, times 2.65 ln(0.6 n)/sqrt n (Shi 2023).
    found = skewness(given)
    assert found.statistic == pytest.approx(2.65 * math.log(12) / math.sqrt(20) * 0.5, rel=1e-12)
    assert found.critical == pytest.approx(2.97 / math.sqrt(20) - 39.1 / 20**3, rel=1e-12)
    with pytest.raises(UsageError, match="all equal"):
        Quantiles(total=20, first_quartile=3, median=3, third_quartile=3)
    # A quartile beside a complete range is left out, and with one end both quartiles count.
    part = Quantiles(total=20, minimum=1, first_quartile=2, median=3, maximum=9)
    assert part.pattern == "range" and "quartiles" not in str(part)
    other = Quantiles(total=20, minimum=1, first_quartile=3, median=3, third_quartile=3)
    assert other.pattern == "quartiles" and skewness(other).statistic == 0
    with pytest.raises(NotEstimableError, match="quartiles are equal"):
        sd_from_quantiles(other)


@pytest.mark.parametrize(("given", "statistic", "critical"), [
    ({"minimum": 0, "maximum": 10}, 0.2, 1.01 / math.log(34) + 2.43 / 26),
    ({"first_quartile": 3, "third_quartile": 8}, 0.6, 2.66 / 5 - 5.92 / 625),
])  # fmt: skip
def test_skewness_of_one_pair(given: dict[str, float], statistic: float, critical: float) -> None:
    found = skewness(Quantiles(total=25, median=4, **given))
    assert found == pytest.approx((statistic, critical, statistic > critical), rel=1e-12)


def test_exact_constants_where_quartiles_are_observations() -> None:
    # n = 4Q + 1 from 5 on; expected normal order statistics of 5: 0, 0.495018970, 1.162964474 (Harter 1961).
    assert quartile_constant(5, "exact") == pytest.approx(2 * 0.4950189705, abs=1e-9)
    assert range_constant(5, "exact") == pytest.approx(2 * 1.1629644736, abs=1e-9)
    for total in (1, 4, 6, 5.5, 8.999):
        formula = 2 * stats.norm.ppf((0.75 * total - 0.125) / (total + 0.25))
        assert quartile_constant(total, "exact") == pytest.approx(formula, rel=1e-12)
    assert quartile_constant(9, "exact") != pytest.approx(quartile_constant(9), rel=1e-6)
    assert range_constant(5.5, "exact") == range_constant(5.5)


def test_both_ends_of_the_range_are_asked_for() -> None:
    for given in (
        {"minimum": 1},
        {"maximum": 9},
        {"first_quartile": 2},
        {"third_quartile": 8},
        {"minimum": 1, "third_quartile": 8},
    ):
        with pytest.raises(UsageError, match="both quartiles or both ends"):
            Quantiles(total=20, median=3, **given)
    with pytest.raises(UsageError, match="median 3 lies above third quartile 2"):
        Quantiles(total=20, first_quartile=1, median=3, third_quartile=2)
    assert math.isfinite(mean_from_quantiles(Quantiles(total=20, minimum=-3, median=0, maximum=0)).value)


@pytest.mark.parametrize(
    ("given", "mean"),
    [
        # Wan 2014, equations 3 (from Hozo 2005), 14 and 10
        ({"minimum": 1.0, "maximum": 10.0}, (1 + 2 * 4 + 10) / 4),
        ({"first_quartile": 2.0, "third_quartile": 7.0}, (2 + 4 + 7) / 3),
        (
            {"minimum": 1.0, "first_quartile": 2.0, "third_quartile": 7.0, "maximum": 10.0},
            (1 + 4 + 8 + 14 + 10) / 8,
        ),
    ],
)
def test_the_fixed_weights_of_the_older_rule(given: dict[str, float], mean: float) -> None:
    assert mean_from_quantiles(Quantiles(total=30, median=4.0, **given), rule="wan").value == pytest.approx(
        mean, rel=1e-12
    )
