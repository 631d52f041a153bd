"""Where combining groups begins to be allowed: each bound from both sides. Expected values by hand."""

from __future__ import annotations

import math

import pytest

from metakit.errors import UsageError
from metakit.measures.converting.combining import (
    CountSummary,
    MeanSummary,
    RateSummary,
    combined_counts,
    combined_means,
    combined_rates,
)


def test_counts_from_none_to_all() -> None:
    found = combined_counts([CountSummary(0, 0), CountSummary(0, 5), CountSummary(7, 7)])
    assert found.value == (7, 12)
    assert (found.rule, found.reference) == ("3 groups combined into one", "handbook")
    assert combined_counts([CountSummary(0.5, 0.5)]).value == (0.5, 0.5)  # effective sizes are not whole


@pytest.mark.parametrize("group", [CountSummary(-1, 5), CountSummary(-1e-9, 5), CountSummary(6, 5), CountSummary(0, -1), CountSummary(0, math.inf)])  # fmt: skip
def test_counts_that_cannot_be(group: CountSummary) -> None:
    with pytest.raises(UsageError):
        combined_counts([CountSummary(1, 5), group])


def test_rates_from_no_event_on() -> None:
    assert combined_rates([RateSummary(0, 0.5), RateSummary(0.5, 2)]).value == (0.5, 2.5)
    for group in (RateSummary(-0.5, 2), RateSummary(1, 0), RateSummary(1, -2)):
        with pytest.raises(UsageError):
            combined_rates([group])


def test_means_of_groups_of_one() -> None:
    # Three single observations 1, 2 and 6: their own standard deviation is sqrt(7).
    singles = [MeanSummary(value, 0, 1) for value in (1, 2, 6)]
    assert combined_means(singles).value == pytest.approx((3, math.sqrt(7), 3), rel=1e-14)
    assert combined_means([MeanSummary(4, 2, 1.5)]).value == pytest.approx((4, 2, 1.5), rel=1e-14)
    with pytest.raises(UsageError, match="one observation alone"):
        combined_means([MeanSummary(1, 0, 1)])
    for group in (MeanSummary(1, -0.1, 5), MeanSummary(1, 1, 0.5), MeanSummary(math.nan, 1, 5)):
        with pytest.raises(UsageError):
            combined_means([MeanSummary(1, 1, 5), group])
