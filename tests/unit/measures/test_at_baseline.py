"""Risks at a baseline and back, where a baseline is 0 or 1 or a ratio unbounded. Expected values by the closed forms.

Source: Cochrane Handbook, sections 14.1.5 and 15.4.4; Altman & Andersen 1999, BMJ 319:1492 (hazard ratio).
"""

from __future__ import annotations

import numpy as np
import pytest

from metakit.measures.at_baseline import (
    HAZARD_RATIO,
    ODDS_RATIO,
    RATE_RATIO,
    RISK_DIFFERENCE,
    RISK_RATIO,
)

INF = np.inf


def at(form, size: float, base: float) -> float:
    return float(form(np.array([size]), np.array([base]))[0])


@pytest.mark.parametrize(
    ("measure", "size", "base", "risk"),
    [
        (RISK_RATIO, 2.0, 0.1, 0.2), (RISK_RATIO, INF, 0.0, 0.0), (RISK_RATIO, 3.0, 0.0, 0.0), (RISK_RATIO, 0.0, 0.4, 0.0),
        (RATE_RATIO, 2.0, 3.0, 6.0), (RATE_RATIO, INF, 0.0, 0.0),
        (ODDS_RATIO, 2.0, 0.2, 0.4 / 1.2), (ODDS_RATIO, 2.0, 0.0, 0.0), (ODDS_RATIO, 0.5, 1.0, 1.0), (ODDS_RATIO, INF, 0.3, 1.0),
        (ODDS_RATIO, INF, 0.0, 0.0), (ODDS_RATIO, 0.0, 0.3, 0.0), (ODDS_RATIO, 0.0, 1.0, 1.0),
        (HAZARD_RATIO, 2.0, 0.2, 1 - 0.8**2), (HAZARD_RATIO, 2.0, 0.0, 0.0), (HAZARD_RATIO, 0.5, 1.0, 1.0), (HAZARD_RATIO, INF, 0.2, 1.0),
        (HAZARD_RATIO, INF, 0.0, 0.0), (HAZARD_RATIO, 0.0, 1.0, 1.0), (RISK_DIFFERENCE, -0.1, 0.3, 0.2),
    ],
)  # fmt: skip
def test_the_risk_that_a_size_means(measure, size: float, base: float, risk: float) -> None:
    assert at(measure.risk, size, base) == pytest.approx(risk, rel=1e-12)


@pytest.mark.parametrize(
    ("measure", "difference", "base", "size"),
    [
        (RISK_RATIO, 0.1, 0.1, 2.0), (RISK_RATIO, -0.1, 0.1, 0.0), (RISK_RATIO, -0.2, 0.1, 0.0), (RISK_RATIO, 0.9, 0.1, INF),
        (RISK_RATIO, 0.95, 0.1, INF), (RISK_RATIO, 0.0, 0.0, INF), (RISK_RATIO, -0.1, 0.0, 0.0), (RISK_RATIO, 0.2, 0.0, INF),
        (RATE_RATIO, 1.0, 1.0, 2.0), (RATE_RATIO, 2.5, 0.5, 6.0), (RATE_RATIO, -0.5, 0.5, 0.0),
        (ODDS_RATIO, 0.4 / 1.2 - 0.2, 0.2, 2.0), (ODDS_RATIO, 0.8, 0.2, INF), (ODDS_RATIO, -0.2, 0.2, 0.0),
        (HAZARD_RATIO, 0.16, 0.2, 2.0), (HAZARD_RATIO, 0.8, 0.2, INF), (RISK_DIFFERENCE, -0.1, 0.3, -0.1),
    ],
)  # fmt: skip
def test_the_size_that_a_difference_means(measure, difference: float, base: float, size: float) -> None:
    assert at(measure.effect, difference, base) == pytest.approx(size, rel=1e-9, abs=1e-12)


def test_only_rates_are_per_year() -> None:
    assert RATE_RATIO.per_year
    assert not any(measure.per_year for measure in (RISK_RATIO, ODDS_RATIO, HAZARD_RATIO, RISK_DIFFERENCE))


def test_a_rate_above_one_is_multiplied_as_any_other() -> None:
    assert at(RATE_RATIO.risk, 3.0, 1.0) == 3.0
    assert at(RATE_RATIO.risk, 0.5, 1.0) == 0.5
    assert np.isnan(at(RATE_RATIO.risk, np.nan, 1.0)) and at(RATE_RATIO.risk, np.nan, 0.0) == 0.0
