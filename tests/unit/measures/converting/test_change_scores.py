"""Correlations at their ends, and what mixing kinds means. Values written out."""

from __future__ import annotations

import pytest

from metakit.errors import NotEstimableError, UsageError
from metakit.measures.converting.change_scores import change_sd, check_value_kinds, correlation_from_sds


def test_a_correlation_may_be_one_and_not_more() -> None:
    # (3^2 + 4^2 - 1^2) / (2 * 3 * 4) = 1; with 7 instead of 1 it is -1 (Cochrane Handbook, section 6.5.2.8).
    assert correlation_from_sds(3, 4, 1).value == 1
    assert correlation_from_sds(3, 4, 7).value == -1
    assert correlation_from_sds(3, 4, 5).value == 0
    for change in (0.99, 7.01):
        with pytest.raises(NotEstimableError, match="impossible beside"):
            correlation_from_sds(3, 4, change)
    for given in ((0, 4, 1), (3, 0, 1), (3, 4, 0)):
        with pytest.raises(UsageError):
            correlation_from_sds(*given)


def test_the_change_follows_from_the_correlation_and_back() -> None:
    assert change_sd(3, 4, 0).value == 5
    for correlation in (-0.9, 0.3, 0.9):
        change = change_sd(3, 4, correlation).value
        assert change == pytest.approx((9 + 16 - 24 * correlation) ** 0.5, rel=1e-14)
        assert correlation_from_sds(3, 4, change).value == pytest.approx(correlation, abs=1e-14)
    for correlation in (-1.01, 1.01):
        with pytest.raises(UsageError):
            change_sd(3, 4, correlation)


def test_kinds_alone_and_mixed() -> None:
    for standardized in (False, True):
        assert check_value_kinds(["final", "final"], standardized=standardized) == ""
        assert check_value_kinds(["change"], standardized=standardized) == ""
        assert check_value_kinds([], standardized=standardized) == ""
    assert check_value_kinds(["change", "final"], standardized=False)
    with pytest.raises(UsageError):
        check_value_kinds(["change", "final"], standardized=True)
