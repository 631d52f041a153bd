"""From the analysis scale to what is shown: factors, decimals, words. Expected values by hand."""

from __future__ import annotations

import math

import pytest

from metakit.core.effects import EffectTable
from metakit.measures.natural import natural_of, natural_of_result, natural_values
from metakit.measures.registry import MEASURES
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool

SERIES = {"study": ["A", "B", "C"], "events": [3, 5, 2], "total": [40, 50, 44]}
TRIALS = {"study": ["A", "B"], "events_1": [3, 5], "total_1": [40, 50], "events_2": [6, 9], "total_2": [41, 52]}  # fmt: skip


def table(measure: str, scale: str | None = None) -> EffectTable:
    given = SERIES if MEASURES[measure].arms == 1 else TRIALS
    if measure == "rate":
        given = {"study": ["A", "B"], "events": [3, 5], "time": [40.0, 50.0]}
    return effect_sizes(given, measure=measure, scale=scale)


@pytest.mark.parametrize(
    ("measure", "scale", "value", "shown", "words"),
    [
        # a value of the analysis scale, the number in a picture, and in words for intervals 0.2 wide
        ("risk_ratio", None, math.log(2.0), 2.0, "2.00"),
        ("risk_difference", None, 0.125, 0.125, "12.5 %"),
        ("proportion", "logit", 0.0, 0.5, "50.0 %"),
        ("proportion", "raw", 0.125, 0.125, "12.5 %"),
        ("rate", "log", math.log(0.03), 3.0, "3.000"),
    ],
)
def test_a_value_is_shown_in_natural_units(
    measure: str, scale: str | None, value: float, shown: float, words: str
) -> None:
    """On a percent axis values stay fractions and the axis writes them; elsewhere the measure's factor counts."""
    found = natural_of(table(measure, scale))
    assert found.value(value) == pytest.approx(shown, rel=1e-12)
    assert found.words(shown, 0.2) == words


def test_decimals_of_a_percentage_follow_its_interval() -> None:
    found = natural_of(table("proportion"))
    assert [found.words(0.12346, width) for width in (2.0, 0.2, 0.02)] == ["12 %", "12.3 %", "12.35 %"]


def test_no_difference_and_headings() -> None:
    assert natural_of(table("risk_ratio")).null == 1.0
    assert natural_of(table("risk_difference")).null == 0.0
    assert natural_of(table("proportion")).null is None
    assert natural_of(table("proportion")).heading == "Proportion"
    assert natural_of(table("risk_difference")).unit == "percentage points"


@pytest.mark.parametrize(
    ("measure", "scale"), [("proportion", "logit"), ("proportion", "raw"), ("risk_ratio", None)]
)
def test_a_result_finds_its_way_back(measure: str, scale: str | None) -> None:
    effects = table(measure, scale)
    result = pool(effects)
    found = natural_of_result(result)
    assert found.scale.name == effects.scale
    assert found.value(result.estimate) == pytest.approx(result.back_transform(result.estimate), rel=1e-9)


def test_a_pooled_answer_per_hundred_or_as_a_ratio() -> None:
    percent = natural_values(pool(table("proportion")), MEASURES["proportion"], "logit")
    assert percent.per_hundred and not percent.ratio and percent.null == 0.0
    assert 2 < percent.lower < percent.estimate < percent.upper < 25
    one = natural_values(pool(table("risk_ratio")), MEASURES["risk_ratio"], None)
    assert one.ratio and not one.per_hundred and one.null == 1.0
    assert one.told().startswith(f"{one.show(one.estimate)} (") and one.interval in one.told()


def test_one_limit_is_told_where_there_is_no_estimate() -> None:
    from dataclasses import replace

    one = natural_values(pool(table("risk_ratio")), MEASURES["risk_ratio"], None)
    assert replace(one, estimate=0.0, lower=0.0, upper=2.5).told() == "at most 2.50, without an estimate"
    assert replace(one, estimate=math.inf, lower=1.5).told(" x") == "at least 1.50 x, without an estimate"
    difference = replace(one, ratio=False, estimate=0.0)
    assert "without an estimate" not in difference.told()
