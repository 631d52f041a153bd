"""Limits of a running count: against published critical values, by simulation, and by what they promise."""

from __future__ import annotations

import numpy as np
import pytest

from metakit.errors import UsageError
from metakit.numerics.repeated_counts import critical_value, leaving, limits_at, turning_points

# Critical values at 5 %, one side, of the method's own paper: Kulldorff et al. 2011, Sequential Analysis 30:58-78,
# table 1 (typed from memory; an exact computation of ours either meets all their digits or not).
PUBLISHED = {
    1: 2.853937, 2: 3.046977, 5: 3.297183, 10: 3.467952, 20: 3.628123, 50: 3.819903, 100: 3.952321,
}  # fmt: skip


@pytest.mark.parametrize("horizon", PUBLISHED)
def test_critical_values_are_the_published_ones(horizon: int) -> None:
    assert critical_value(horizon, lower=False) == pytest.approx(PUBLISHED[horizon], abs=2e-6)


@pytest.mark.lengthy
@pytest.mark.parametrize(("horizon", "ratio"), [(6.0, 1.0), (6.0, 2.0), (15.0, 0.5)])
def test_a_simulated_audit_leaves_its_limits_as_often_as_computed(horizon: float, ratio: float) -> None:
    critical = critical_value(horizon)
    early, late = turning_points(critical, horizon)
    exact = leaving(critical, horizon, ratio=ratio)
    random, audits = np.random.default_rng(11), 20_000
    above = below = 0
    for _ in range(audits):
        times = np.cumsum(random.exponential(1 / ratio, size=120))
        times = times[times < horizon]
        # Event n is too many if it comes while no more than early[n - 1] is expected (a later n always is).
        ends = np.append(early, np.full(len(times), horizon))[: len(times)]
        up = np.min(np.append(times[times <= ends], np.inf))
        # With n events when late[n] is expected there are too few.
        down = next((time for n, time in enumerate(late) if np.sum(times <= time) <= n), np.inf)
        above += up < down
        below += down < up
    error = 4 * np.sqrt(0.25 / audits)
    assert above / audits == pytest.approx(exact.above, abs=error)
    assert below / audits == pytest.approx(exact.below, abs=error)
    if ratio == 1:
        assert exact.either == pytest.approx(0.05, abs=1e-7)


def test_a_count_leaves_more_often_the_further_it_is_off() -> None:
    critical = critical_value(12)
    worse = [leaving(critical, 12, ratio=ratio).above for ratio in (1, 1.5, 2, 3, 5)]
    assert worse == sorted(worse) and worse[-1] > 0.999
    better = [leaving(critical, 12, ratio=ratio).below for ratio in (1, 0.5, 0.25, 0)]
    assert better == sorted(better) and better[-1] == pytest.approx(1)


@pytest.mark.parametrize("expected", [0.3, 1.0, 4.5, 30.0])
def test_limits_stand_where_the_ratio_reaches_the_critical_value(expected: float) -> None:
    found = limits_at(expected, 3.0)
    early, late = turning_points(3.0, 200.0)
    assert early[found.above - 1] >= expected > (early[found.above - 2] if found.above > 1 else 0)
    if found.below is None:
        assert late[0] > expected
    else:
        assert late[found.below] <= expected < late[found.below + 1]


@pytest.mark.parametrize("numbers", [(0.0, 5.0), (3.0, 0.0), (3.0, 1e9)])
def test_what_cannot_be_watched_is_refused(numbers: tuple[float, float]) -> None:
    with pytest.raises(UsageError, match="above 0"):
        leaving(*numbers)


@pytest.mark.parametrize("expected", [1e-4, 0.3, 1.0, 2.5, 9.0, 40.2])
@pytest.mark.parametrize("critical", [0.5, 3.467952])
def test_limits_are_the_first_counts_that_are_too_many_or_too_few(expected: float, critical: float) -> None:
    """By walking through every count: the log likelihood ratio of Poisson counts, Kulldorff 2011."""

    def ratio(count: int) -> float:
        return (count * np.log(count / expected) if count else 0.0) - (count - expected)

    above = next(n for n in range(1000) if n > expected and ratio(n) >= critical)
    fewer = [n for n in range(1000) if n < expected and ratio(n) >= critical]
    found = limits_at(expected, critical)
    assert (found.above, found.below, found.expected) == (above, max(fewer, default=None), expected)
