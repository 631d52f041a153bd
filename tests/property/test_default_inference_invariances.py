"""What may not change the default answer, or only so: drawn tables, by measure and entry point."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from metakit.core.half_normal_result import HalfNormalResult
from metakit.core.results import PoolResult
from metakit.measures.tables import effect_sizes
from metakit.models.inference import serving
from metakit.models.pool import pool

FEW = settings(max_examples=12, deadline=None)
MEASURES = ("risk_ratio", "odds_ratio", "rate_ratio")


@st.composite
def tables(draw: st.DrawFn, least: int = 2) -> list[tuple[int, int, int, int]]:
    rows = []
    for _ in range(draw(st.integers(least, 4))):
        n1, n2 = draw(st.integers(10, 120)), draw(st.integers(10, 120))
        rows.append((draw(st.integers(0, n1 // 3)), n1, draw(st.integers(0, n2 // 3)), n2))
    return rows


def asked(rows: list[tuple[int, int, int, int]], measure: str, **options: Any) -> PoolResult:
    size = "time" if measure == "rate_ratio" else "total"
    names = ("events_1", f"{size}_1", "events_2", f"{size}_2")
    table = {"study": [f"s{n}" for n in range(len(rows))]}
    table |= {name: [row[at] for row in rows] for at, name in enumerate(names)}
    return pool(effect_sizes(table, measure=measure, rows_differ=True), **options)


def informative(rows: list[tuple[int, int, int, int]]) -> int:
    return sum(0 < a + c < n1 + n2 for a, n1, c, n2 in rows)


def numbers(result: PoolResult) -> list[float]:
    ahead = result.prediction.interval if isinstance(result, HalfNormalResult) else ()
    return [result.estimate, *result.interval, *ahead]


@FEW
@given(tables(), st.sampled_from(MEASURES), st.data())
def test_one_cell_more_or_less_never_changes_the_family(
    rows: list[tuple[int, int, int, int]], measure: str, data: st.DataObject
) -> None:
    before = asked(rows, measure, beside=False) if informative(rows) > 1 else None
    assume(before is not None)
    row, cell = data.draw(st.integers(0, len(rows) - 1)), data.draw(st.sampled_from([0, 2]))
    moved = [list(one) for one in rows]
    moved[row][cell] = max(
        0, min(moved[row][cell + 1], moved[row][cell] + data.draw(st.sampled_from([-1, 1])))
    )
    changed = [tuple(one) for one in moved]
    assume(informative(changed) > 1)
    after = asked(changed, measure, beside=False, likelihood=before.likelihood)
    assert (after.model, after.inference, after.likelihood) == (
        before.model,
        before.inference,
        before.likelihood,
    )


@FEW
@given(tables(), st.sampled_from(MEASURES))
def test_turned_arms_turn_the_answer(rows: list[tuple[int, int, int, int]], measure: str) -> None:
    assume(informative(rows) > 1)
    plain = numbers(asked(rows, measure, beside=False))
    turned = numbers(asked([(c, n2, a, n1) for a, n1, c, n2 in rows], measure, beside=False))
    order = [0, 2, 1, 4, 3]
    for value, at in zip(plain, order, strict=True):
        assert value == pytest.approx(-turned[at], abs=1e-9)


@FEW
@given(tables(), st.sampled_from(MEASURES), st.randoms(use_true_random=False))
def test_the_order_of_studies_does_not_matter(
    rows: list[tuple[int, int, int, int]], measure: str, random: Any
) -> None:
    assume(informative(rows) > 1)
    mixed = rows.copy()
    random.shuffle(mixed)
    one, two = (numbers(asked(part, measure, beside=False)) for part in (rows, mixed))
    assert one == pytest.approx(two, abs=1e-10)


@FEW
@given(tables(), st.sampled_from(("risk_ratio", "odds_ratio")), st.integers(5, 200))
def test_a_study_without_events_changes_nothing_to_the_last_digit(
    rows: list[tuple[int, int, int, int]], measure: str, size: int
) -> None:
    assume(informative(rows) > 1)
    without, with_it = (
        asked(rows, measure, beside=False),
        asked([*rows, (0, size, 0, size)], measure, beside=False),
    )
    assert numbers(without) == numbers(with_it)
    assert any(item.study == f"s{len(rows)}" for item in with_it.set_aside)


@FEW
@given(tables(least=3), st.sampled_from(MEASURES))
def test_prediction_holds_the_mean_everywhere(rows: list[tuple[int, int, int, int]], measure: str) -> None:
    assume(informative(rows) > 1)
    result = asked(rows, measure)
    assert isinstance(result, HalfNormalResult)
    ahead = result.prediction.interval
    assert ahead.lower <= result.interval.lower
    assert ahead.upper >= result.interval.upper
    for item in result.beside:
        if item.prediction_interval and item.interval:
            assert item.prediction_interval.lower <= item.interval.lower + 1e-9
            assert item.prediction_interval.upper >= item.interval.upper - 1e-9


@FEW
@given(tables(), st.sampled_from(MEASURES))
def test_probabilities_come_from_the_posterior_of_the_interval(
    rows: list[tuple[int, int, int, int]], measure: str
) -> None:
    assume(informative(rows) > 1)
    result = asked(rows, measure, beside=False)
    assert result.posterior is not None
    shares = [(result.interval.lower, 0.025), (result.interval.upper, 0.975), (result.estimate, 0.5)]
    for value, share in shares:
        if math.isfinite(value):
            assert float(result.posterior.below(value)) == pytest.approx(share, abs=1e-8)
    assert 1 - float(result.posterior.below(0.0)) == pytest.approx(result.above, abs=1e-9)


CASES = {
    "risk_ratio": {"events_1": [0, 3, 5], "total_1": [40, 60, 80], "events_2": [4, 7, 9], "total_2": [40, 58, 82]},
    "odds_ratio": {"events_1": [0, 3, 5], "total_1": [40, 60, 80], "events_2": [4, 7, 9], "total_2": [40, 58, 82]},
    "risk_difference": {"events_1": [0, 3, 5], "total_1": [40, 60, 80], "events_2": [4, 7, 9], "total_2": [40, 58, 82]},
    "rate_ratio": {"events_1": [0, 3, 5], "time_1": [40, 60, 80], "events_2": [4, 7, 9], "time_2": [40, 58, 82]},
    "proportion": {"events": [0, 3, 5], "total": [40, 60, 80]},
    "rate": {"events": [0, 3, 5], "time": [40, 60, 80]},
    "mean_difference": {"mean_1": [5, 6, 4], "sd_1": [2, 2, 3], "total_1": [20, 30, 25], "mean_2": [4, 6.5, 3], "sd_2": [2, 3, 2], "total_2": [22, 28, 25]},
    "standardized_mean_difference": {"mean_1": [5, 6, 4], "sd_1": [2, 2, 3], "total_1": [20, 30, 25], "mean_2": [4, 6.5, 3], "sd_2": [2, 3, 2], "total_2": [22, 28, 25]},
    "ratio_of_means": {"mean_1": [5, 6, 4], "sd_1": [2, 2, 3], "total_1": [20, 30, 25], "mean_2": [4, 6.5, 3], "sd_2": [2, 3, 2], "total_2": [22, 28, 25]},
    "mean": {"mean": [5, 6, 4], "sd": [2, 2, 3], "total": [20, 30, 25]},
    "generic": {"effect": [0.2, -0.1, 0.4], "variance": [0.04, 0.05, 0.1]},
}  # fmt: skip


@pytest.mark.parametrize("k", [1, 2, 3])
@pytest.mark.parametrize("measure", CASES)
def test_every_measure_is_answered_by_the_inference_at_every_number_of_studies(measure: str, k: int) -> None:
    table = {name: column[:k] for name, column in CASES[measure].items()}
    effects = effect_sizes({"study": list("ABC")[:k], **table}, measure=measure)
    result = pool(effects)
    assert result.inference == "half_normal"
    assert result.likelihood in serving(effects)
    json = result.to_json()
    assert json["inference"] == "half_normal"
    assert json["likelihood"] == result.likelihood
    if k > 1:
        assert result.model == "half_normal"
        assert {"twice_the_spread"} <= {item.name for item in result.beside}
        assert json["prediction_interval"][0] < json["interval"][0]
        assert np.isfinite(json["tau2_interval"]).all()
    else:
        assert [item.name for item in result.beside] == ["mean_of_centres"]
