"""95 % intervals of the one-stage defaults cover 93 to 97 % under rare events, within simulation error.

`python -m tests.simulation.coverage` prints the whole table, with more repeats. None falls short;
ratios from five studies with next to no events, and all that rests on three studies, may cover too often.
"""

from __future__ import annotations

import math

import pytest

from tests.simulation import coverage

REPEATS = 2000
GRID = [(k, risk, tau) for k in coverage.STUDIES for risk in coverage.RISKS for tau in coverage.SPREADS]


def allowed(row: coverage.Row) -> tuple[float, float]:
    """Return the range of the issue, widened by three standard errors of the simulation."""
    fitted = row.repeats * (1 - row.not_estimable)
    margin = 3 * math.sqrt(0.95 * 0.05 / fitted)
    # A ratio from next to no events covers a little too often: nobody is misled by that.
    upper = 1.0 if row.k == 3 else 0.98 if row.measure.endswith("ratio") and row.k == 5 else 0.97
    return 0.93 - margin, upper + margin


def check(row: coverage.Row) -> None:
    low, high = allowed(row)
    assert low <= row.default <= high, row.markdown()
    assert row.small_sample >= row.profile


@pytest.mark.slow
@pytest.mark.parametrize(("k", "risk", "tau"), GRID)
def test_proportions(k: int, risk: float, tau: float) -> None:
    row = coverage.one_arm("proportion", k, risk, tau, REPEATS)
    print(row.markdown())
    check(row)


@pytest.mark.slow
@pytest.mark.parametrize(("k", "risk", "tau"), GRID)
def test_rates(k: int, risk: float, tau: float) -> None:
    row = coverage.one_arm("rate", k, risk / 4, tau, REPEATS)
    print(row.markdown())
    check(row)


@pytest.mark.slow
@pytest.mark.parametrize(("k", "risk", "tau"), GRID)
def test_odds_ratios(k: int, risk: float, tau: float) -> None:
    row = coverage.two_arms("conditional_hypergeometric_normal", k, risk, tau, REPEATS // 2)
    print(row.markdown())
    check(row)


@pytest.mark.slow
@pytest.mark.parametrize(("k", "risk", "tau"), GRID)
def test_rate_ratios(k: int, risk: float, tau: float) -> None:
    row = coverage.two_arms("conditional_binomial_normal", k, risk / 4, tau, REPEATS // 2)
    print(row.markdown())
    check(row)


@pytest.mark.slow
@pytest.mark.parametrize(("k", "risk"), [(k, risk) for k in coverage.STUDIES for risk in coverage.RISKS])
@pytest.mark.parametrize("correlation", [0.005, 0.02])
def test_risk_ratios(k: int, risk: float, correlation: float) -> None:
    row = coverage.risk_ratios(k, risk, correlation, REPEATS // 2)
    print(row.markdown())
    check(row)
