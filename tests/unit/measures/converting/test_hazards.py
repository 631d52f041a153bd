"""Log hazard ratios at the bounds of what is allowed. Values by the formulas of Parmar 1998 and Tierney 2007, written out."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from metakit.errors import UsageError
from metakit.measures.converting.hazards import (
    hazard_ratio_from_logrank,
    hazard_ratio_from_p,
    hazard_ratio_from_p_and_sizes,
)

Z = stats.norm.isf(0.01)


def test_variance_from_events_and_from_sizes() -> None:
    # Tierney 2007: V = e1 e2 / (e1 + e2), or events n1 n2 / (n1 + n2)^2.
    found = hazard_ratio_from_p(0.02, 10, 30, fewer_in="arm_1").value
    assert found == pytest.approx((-Z / math.sqrt(7.5), 1 / math.sqrt(7.5)), rel=1e-9)
    found = hazard_ratio_from_p_and_sizes(0.02, 24, 1, 3, fewer_in="arm_2").value
    variance = 24 * 3 / 16
    assert found == pytest.approx((Z / math.sqrt(variance), 1 / math.sqrt(variance)), rel=1e-9)
    assert hazard_ratio_from_p_and_sizes(
        0.02, 0.5, 1, 1, fewer_in="arm_1"
    ).value.standard_error == pytest.approx(math.sqrt(8))
    assert hazard_ratio_from_logrank(-3, 0.25).value == (-12, 2)


@pytest.mark.parametrize("given", [(24, 0.9, 3), (24, 3, 0.9), (0, 3, 3), (-1, 3, 3), (24, math.inf, 3)])
def test_sizes_and_events_that_cannot_be(given: tuple[float, float, float]) -> None:
    with pytest.raises(UsageError):
        hazard_ratio_from_p_and_sizes(0.02, *given, fewer_in="arm_1")


def test_no_events_no_variance_no_direction() -> None:
    for events in ((0, 3), (3, 0), (-1, 3)):
        with pytest.raises(UsageError):
            hazard_ratio_from_p(0.02, *events, fewer_in="arm_1")
    for variance in (0, -1, math.nan):
        with pytest.raises(UsageError):
            hazard_ratio_from_logrank(1, variance)
    with pytest.raises(UsageError, match="fewer_in"):
        hazard_ratio_from_p(0.02, 3, 3, fewer_in="arm_3")  # type: ignore[arg-type]
