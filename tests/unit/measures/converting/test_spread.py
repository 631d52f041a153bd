"""Where a spread follows from errors, intervals and p values: each bound from both sides. Values written out."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from metakit.errors import UsageError
from metakit.measures.converting import spread as cv


def test_arms_of_one_are_allowed_where_the_other_is_larger() -> None:
    # Cochrane Handbook, section 6.5.2.3: SD = SE / sqrt(1/n1 + 1/n2); t with n1 + n2 - 2 degrees of freedom.
    assert cv.sd_from_difference_error(1, 1, 1).value == pytest.approx(1 / math.sqrt(2), rel=1e-14)
    assert cv.sd_from_difference_error(2, 1, 3).value == pytest.approx(2 / math.sqrt(4 / 3), rel=1e-14)
    one = cv.sd_from_p(3.0, 0.2, 1, 2).value
    t = stats.t.ppf(0.9, 1)
    assert one == pytest.approx(3 / t / math.sqrt(1.5), rel=1e-9)
    for pair in ((0.9, 3), (3, 0.9), (1, 1)):
        with pytest.raises(UsageError):
            cv.sd_from_p(3.0, 0.2, *pair)
    with pytest.raises(UsageError, match="total_2 must be at least 1"):
        cv.sd_from_difference_error(1, 1, 0.99)


def test_p_values_from_the_smallest_to_one() -> None:
    assert cv.t_from_p(1.0, 5) == pytest.approx(0, abs=1e-12)
    assert cv.t_from_p(0.05, 5) == pytest.approx(stats.t.ppf(0.975, 5), rel=1e-9)
    assert cv.z_from_p(1.0) == pytest.approx(0, abs=1e-12)
    for p in (0.0, -0.1, 1.0000001, math.nan):
        with pytest.raises(UsageError):
            cv.t_from_p(p, 5)
        with pytest.raises(UsageError):
            cv.z_from_p(p)
    for df in (0, -1):
        with pytest.raises(UsageError):
            cv.t_from_p(0.05, df)


def test_limits_that_meet_or_cross_are_refused() -> None:
    for lower, upper in ((2, 2), (3, 2)):
        with pytest.raises(UsageError, match="must lie below"):
            cv.sd_from_interval(lower, upper, 20)
    assert cv.sd_from_interval(2, 2.001, 20).value > 0


def test_only_a_bound_is_said_to_be_one() -> None:
    assert "upper bound" not in cv.sd_from_p(3.0, 0.2, 12, 15).inputs
    assert "upper bound" in cv.sd_from_p(3.0, 0.2, 12, 15, exact=False).inputs


@pytest.mark.parametrize(
    ("quantile", "critical"), [("t", stats.t.ppf(0.95, 25)), ("normal", stats.norm.ppf(0.95))]
)
def test_the_interval_of_a_difference_gives_the_deviation_back(quantile: str, critical: float) -> None:
    """Cochrane Handbook, section 6.5.2.3: half the width over the quantile is the error of the difference."""
    found = cv.sd_from_difference_interval(1.0, 4.0, 12, 15, level=0.9, quantile=quantile)  # type: ignore[arg-type]
    assert found.value == pytest.approx(1.5 / critical / math.sqrt(1 / 12 + 1 / 15), rel=1e-9)
    assert found.inputs.startswith("90 % interval 1 to 4") and quantile in found.rule


def test_an_arm_of_one_counts_for_the_degrees_of_freedom() -> None:
    found = cv.sd_from_difference_interval(1.0, 4.0, 1, 2, level=0.9)
    assert found.value == pytest.approx(1.5 / stats.t.ppf(0.95, 1) / math.sqrt(1 + 1 / 2), rel=1e-9)
    turned = cv.sd_from_difference_interval(1.0, 4.0, 2, 1, level=0.9)
    assert turned.value == pytest.approx(found.value, rel=1e-12)
    for pair in ((0.9, 2), (2, 0.9)):
        with pytest.raises(UsageError):
            cv.sd_from_difference_interval(1.0, 4.0, *pair)
