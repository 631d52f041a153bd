"""What must hold for any numbers: swapping arms, changing units, reordering studies."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metakit.measures.registry import MEASURES
from metakit.measures.tables import effect_sizes

FACTS = {
    # kind, arms, larger means, no difference, natural units times, their name, unit of the outcome, one-stage
    "risk_ratio": ("counts", 2, "more", 0.0, 1, "", False, True),
    "odds_ratio": ("counts", 2, "more", 0.0, 1, "", False, True),
    "risk_difference": ("counts", 2, "more", 0.0, 100, "percentage points", False, False),
    "peto_odds_ratio": ("counts", 2, "more", 0.0, 1, "", False, False),
    "arcsine_difference": ("counts", 2, "more", 0.0, 1, "", False, False),
    "proportion": ("counts", 1, "more", None, 100, "%", False, True),
    "mean_difference": ("means", 2, "more", 0.0, 1, "", True, False),
    "standardized_mean_difference": ("means", 2, "more", 0.0, 1, "", False, False),
    "ratio_of_means": ("means", 2, "more", 0.0, 1, "", False, False),
    "mean": ("means", 1, "more", None, 1, "", True, False),
    "mean_change": ("means", 1, "more", 0.0, 1, "", True, False),
    "rate": ("rates", 1, "more", None, 100, "per 100 thumb-years", False, True),
    "rate_ratio": ("rates", 2, "more", 0.0, 1, "", False, True),
    "hazard_ratio": ("hazards", 2, "more", 0.0, 1, "", False, False),
    "survival": ("survival", 1, "fewer", None, 100, "%", False, False),
    "generic": ("effects", 2, "more", 0.0, 1, "", False, False),
}
AT_A_BASELINE = {
    "risk_ratio",
    "odds_ratio",
    "risk_difference",
    "peto_odds_ratio",
    "rate_ratio",
    "hazard_ratio",
}
SIZES = st.integers(min_value=1, max_value=3000)
COUNT_MEASURES = [measure.name for measure in MEASURES if measure.family == "two_arm_counts"]


@st.composite
def two_arms(draw: st.DrawFn) -> list[int]:
    n1, n2 = draw(SIZES), draw(SIZES)
    return [draw(st.integers(0, n1)), n1, draw(st.integers(0, n2)), n2]


def count_table(rows: list[list[int]]) -> dict[str, list]:
    names = ("events_1", "total_1", "events_2", "total_2")
    return {"study": [f"S{i}" for i in range(len(rows))]} | {
        name: [row[place] for row in rows] for place, name in enumerate(names)
    }


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(two_arms(), min_size=1, max_size=6), name=st.sampled_from(COUNT_MEASURES))
def test_swapping_arms_negates(rows: list[list[int]], name: str) -> None:
    one = effect_sizes(count_table(rows), rows_differ=True, measure=name)
    other = effect_sizes(
        count_table([[c, n2, a, n1] for a, n1, c, n2 in rows]), rows_differ=True, measure=name
    )
    np.testing.assert_array_equal(one.estimable, other.estimable)
    np.testing.assert_allclose(one.effect, -other.effect, rtol=1e-13, atol=1e-15)
    np.testing.assert_allclose(one.variance, other.variance, rtol=1e-13)


@settings(max_examples=60, deadline=None)
@given(
    rows=st.lists(two_arms(), min_size=1, max_size=6), name=st.sampled_from(["odds_ratio", "risk_difference"])
)
def test_counting_the_other_outcome_negates(rows: list[list[int]], name: str) -> None:
    one = effect_sizes(count_table(rows), rows_differ=True, measure=name)
    other = effect_sizes(
        count_table([[n1 - a, n1, n2 - c, n2] for a, n1, c, n2 in rows]), rows_differ=True, measure=name
    )
    np.testing.assert_allclose(one.effect, -other.effect, rtol=1e-13, atol=1e-15)
    np.testing.assert_allclose(one.variance, other.variance, rtol=1e-13)


@settings(max_examples=60, deadline=None)
@given(
    data=st.data(), rows=st.lists(two_arms(), min_size=2, max_size=8), name=st.sampled_from(COUNT_MEASURES)
)
def test_order_of_studies_does_not_matter(data: st.DataObject, rows: list[list[int]], name: str) -> None:
    order = data.draw(st.permutations(range(len(rows))))
    table = count_table(rows)
    shuffled = {column: [cells[place] for place in order] for column, cells in table.items()}
    one, other = (
        effect_sizes(table, rows_differ=True, measure=name),
        effect_sizes(shuffled, rows_differ=True, measure=name),
    )
    np.testing.assert_array_equal(one.effect[list(order)], other.effect)
    np.testing.assert_array_equal(one.variance[list(order)], other.variance)
    assert {item.study for item in one.set_aside} == {item.study for item in other.set_aside}
    assert set(one.assumptions) == set(other.assumptions)


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(two_arms(), min_size=1, max_size=6), name=st.sampled_from(COUNT_MEASURES))
def test_every_study_is_either_estimable_or_set_aside_with_a_reason(rows: list[list[int]], name: str) -> None:
    effects = effect_sizes(count_table(rows), rows_differ=True, measure=name)
    aside = {item.study for item in effects.set_aside}
    assert aside == {study for study, kept in zip(effects.study, effects.estimable, strict=True) if not kept}
    assert all(item.reason for item in effects.set_aside)


MEASURED = st.floats(min_value=0.5, max_value=500, allow_nan=False)


@st.composite
def measured_arms(draw: st.DrawFn) -> list[float]:
    return [
        draw(MEASURED),
        draw(MEASURED),
        draw(st.integers(2, 500)),
        draw(MEASURED),
        draw(MEASURED),
        draw(st.integers(2, 500)),
    ]


def measured(row: list[float], factor: float = 1.0) -> dict[str, np.ndarray]:
    names = ("mean_1", "sd_1", "total_1", "mean_2", "sd_2", "total_2")
    return {
        name: np.array([value if name.startswith("total") else value * factor])
        for name, value in zip(names, row, strict=True)
    }


def kernel(name: str, data: dict[str, np.ndarray]) -> tuple[float, float]:
    measure = MEASURES[name]
    found = measure.kernel(data, scale=measure.scale().name, zero_cells=measure.zero_cell_policy())
    return float(found.effect[0]), float(found.variance[0])


@settings(max_examples=80, deadline=None)
@given(row=measured_arms(), factor=st.sampled_from([0.45359237, 1 / 9.80665, 10.0, 0.1]))
def test_another_unit_scales_differences_and_leaves_the_rest(row: list[float], factor: float) -> None:
    plain, scaled = measured(row), measured(row, factor)
    effect, variance = kernel("mean_difference", plain)
    np.testing.assert_allclose(
        kernel("mean_difference", scaled), (effect * factor, variance * factor**2), rtol=1e-9, atol=1e-12
    )
    for name in ("standardized_mean_difference", "ratio_of_means"):
        if row[2] + row[5] > 3:
            np.testing.assert_allclose(kernel(name, scaled), kernel(name, plain), rtol=1e-9, atol=1e-12)


@settings(max_examples=80, deadline=None)
@given(row=measured_arms())
def test_swapping_measured_arms_negates(row: list[float]) -> None:
    for name in ("mean_difference", "ratio_of_means", "standardized_mean_difference"):
        effect, variance = kernel(name, measured(row))
        np.testing.assert_allclose(
            kernel(name, measured([*row[3:], *row[:3]])), (-effect, variance), rtol=1e-12, atol=1e-15
        )


@settings(max_examples=80, deadline=None)
@given(
    events=st.integers(1, 400),
    time=st.floats(min_value=0.5, max_value=1e5),
    factor=st.sampled_from([12.0, 1 / 12, 0.01, 365.25]),
)
def test_another_unit_of_time_shifts_the_log_rate(events: int, time: float, factor: float) -> None:
    data = {"events": np.array([float(events)]), "time": np.array([time])}
    effect, variance = kernel("rate", data)
    shifted, same = kernel("rate", data | {"time": np.array([time * factor])})
    np.testing.assert_allclose(shifted, effect - np.log(factor), rtol=1e-10, atol=1e-12)
    assert same == variance


@pytest.mark.parametrize("name", [measure.name for measure in MEASURES])
def test_a_measure_is_the_same_in_another_process(name: str) -> None:
    assert pickle.loads(pickle.dumps(MEASURES[name])) is MEASURES[name]  # noqa: S301 - of this run


@pytest.mark.parametrize("name", [measure.name for measure in MEASURES])
def test_facts_of_a_measure_by_hand(name: str) -> None:
    """Words, figures and judgements follow these: a difference of means has the unit of its outcome, for example."""
    found = MEASURES[name]
    assert FACTS[name] == (
        found.kind.name, found.arms, found.larger_means, found.null_value, found.natural_factor, found.unit,
        found.unit_of_outcome, found.one_stage,
    )  # fmt: skip
    assert found.comparative == (FACTS[name][1] == 2)
    assert (found.at_baseline is not None) == (name in AT_A_BASELINE)
    assert found.unit_for("kg") == ("kg" if FACTS[name][6] else FACTS[name][5])
    assert found.ratio == (name.endswith("_ratio") or name == "ratio_of_means")
