"""Survival at a time on its scale, with the variance by the delta method; reasons why a study has no value."""

from __future__ import annotations

import math

import numpy as np
import pytest

from metakit.measures.families.time_to_event import (
    _reason_survival,
    _survival_from_interval,
    hazard_ratio,
    survival,
)


@pytest.mark.parametrize(("share", "error"), [(0.9, 0.02), (0.4, 0.07)])
def test_the_turned_log_log_with_its_variance(share: float, error: float) -> None:
    found = survival({"survival": np.array([share]), "standard_error": np.array([error])})
    assert found.effect[0] == pytest.approx(-math.log(-math.log(share)), rel=1e-14)
    step = 1e-6
    slope = (math.log(-math.log(share + step)) - math.log(-math.log(share - step))) / (2 * step)
    assert found.variance[0] == pytest.approx((slope * error) ** 2, rel=1e-6)


def test_reasons() -> None:
    for share in (0.0, 1.0):
        assert "no value on the complementary" in _reason_survival(
            {"survival": share}, scale="", zero_cells=""
        )
    assert "standard error of 0" in _reason_survival({"survival": 0.7}, scale="", zero_cells="")


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_a_survival_without_a_spread_passes_and_is_set_aside_later(share: float) -> None:
    """Nobody or everybody: the interval tells no error, and the reason is given where the study has no value."""
    found = _survival_from_interval({"survival": share, "interval_lower": 0.9, "interval_upper": 1.0})
    assert found.columns == {"survival": share, "standard_error": 0.0} and found.rule == ""
    between = _survival_from_interval({"survival": 0.9, "interval_lower": 0.82, "interval_upper": 1.0})
    assert between.columns["standard_error"] == pytest.approx(0.08 / 1.959963984540054, rel=1e-9)
    assert between.rule
    wider = _survival_from_interval(
        {"survival": 0.9, "interval_lower": 0.82, "interval_upper": 1.0, "interval_level": 0.9}
    )
    assert wider.columns["standard_error"] == pytest.approx(0.08 / 1.6448536269514722, rel=1e-9)


def test_a_log_hazard_ratio_has_the_square_of_its_error() -> None:
    data = {"log_hazard_ratio": np.array([-0.16, 0.3]), "standard_error": np.array([0.5, 1.7])}
    found = hazard_ratio(data)
    assert found.effect.tolist() == [-0.16, 0.3]
    assert found.variance == pytest.approx([0.25, 2.89], rel=1e-14)
    assert found.used["standard_error"].tolist() == [0.5, 1.7]
