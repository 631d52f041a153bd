"""One event more or less, against pooling the changed table by itself; flags against the companions.

Expected numbers are those of `pool` on the changed table: the batch is another route to them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from metakit.core.beside import Companion
from metakit.core.effects import EffectTable
from metakit.core.limits import Limits
from metakit.measures.tables import effect_sizes
from metakit.models.differing.again import method_of
from metakit.models.differing.fragility import changed, fragility
from metakit.models.pool import pool

SURE = {
    "study": ["A", "B", "C", "D"],
    "events_1": [9, 7, 8, 6],
    "total_1": [90, 80, 85, 70],
    "events_2": [22, 18, 19, 20],
    "total_2": [88, 82, 90, 75],
}
CLOSE = {**SURE, "events_2": [15, 13, 13, 11]}
"""Invented: the first leaves no doubt, the second lies just beside no difference."""


def table(rows: dict[str, list], measure: str = "risk_ratio") -> EffectTable:
    return effect_sizes(rows, measure=measure, zero_cells="treatment_arm")


MODELS = ["half_normal", "random_effects", "common_effect", "mantel_haenszel"]


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("rows", [SURE, CLOSE, {**SURE, "events_1": [0, 1, 8, 70]}])
def test_every_change_is_pool_of_the_changed_table(model: str, rows: dict[str, list]) -> None:
    effects = table(rows)
    result = pool(effects, model=model)
    found = fragility(effects, result)
    method = method_of(result)
    estimates, sides, flips = [], [], []
    for row in range(4):
        for arm in (1, 2):
            events, total = rows[f"events_{arm}"][row], rows[f"total_{arm}"][row]
            for by in [by for by in (-1, 1) if 0 <= events + by <= total]:
                alone = method.pool(changed(effects, row, arm, by))
                estimates.append(alone.estimate)
                low, high = alone.interval
                side = "below" if high < 0 else "above" if low > 0 else "open"
                sides.append(side)
                if side != found.side:
                    flips.append((effects.study[row], arm, by))
    assert found.tried + found.unanswered == len(estimates)
    assert found.unanswered == 0
    assert (found.lowest, found.highest) == pytest.approx((min(estimates), max(estimates)), abs=1e-12)
    assert [(flip.study, flip.arm, flip.change) for flip in found.flips] == flips
    assert found.hangs_on_one_event == bool(flips)


def test_a_changed_table_is_the_table_of_the_changed_numbers() -> None:
    rows = {**SURE, "events_1": [1, 7, 8, 6]}
    once = changed(table(rows), 0, 1, -1)
    fresh = table({**rows, "events_1": [0, 7, 8, 6]})
    assert np.array_equal(once.effect, fresh.effect)
    assert np.array_equal(once.variance, fresh.variance)


def test_an_answer_beside_no_difference_hangs_on_one_event_and_a_sure_one_does_not() -> None:
    close, sure = table(CLOSE), table(SURE)
    assert fragility(sure, pool(sure, model="half_normal")).hangs_on_one_event is False
    found = fragility(close, pool(close, model="half_normal"))
    assert found.hangs_on_one_event is True
    assert all(flip.side != found.side for flip in found.flips)


def test_flags_follow_the_companions() -> None:
    effects = table(SURE)
    result = replace(pool(effects, model="half_normal"), beside=())
    alone = fragility(effects, result)
    assert alone.depends_on_spread is None and alone.depends_on_empty_arms is None

    def with_beside(name: str, interval: Limits) -> dict:
        item = Companion(name=name, label=name, estimate=0.0, interval=interval)
        return fragility(effects, replace(result, beside=(item,))).to_json()

    across, along = Limits(-1.0, 0.5), Limits(-1.0, -0.1)
    assert with_beside("hartung_knapp", across)["depends_on_spread"] is True
    assert with_beside("hartung_knapp", along)["depends_on_spread"] is False
    assert with_beside("twice_the_spread", across)["depends_on_spread"] is True  # four studies
    assert with_beside("conditional_likelihood", across)["depends_on_empty_arms"] is True
    assert with_beside("normal_likelihood", along)["depends_on_empty_arms"] is False
    assert with_beside("common_effect", across)["depends_on_spread"] is None


def test_twice_the_spread_counts_with_few_studies_only() -> None:
    rows = {name: [*column, *column[:2]] for name, column in SURE.items()}
    rows["study"] = list("ABCDEF")
    rows["events_1"][4:] = [10, 6]
    effects = effect_sizes(rows, measure="risk_ratio", zero_cells="treatment_arm")
    result = pool(effects, model="half_normal")
    item = Companion(name="twice_the_spread", label="", estimate=0.0, interval=Limits(-1.0, 0.5))
    assert fragility(effects, replace(result, beside=(item,))).depends_on_spread is None


def test_what_was_not_tried_says_why() -> None:
    means = effect_sizes(
        {
            "study": ["A", "B", "C"], "mean_1": [1.0, 2.0, 1.5], "sd_1": [1.0] * 3, "total_1": [20] * 3,
            "mean_2": [2.0, 2.5, 2.2], "sd_2": [1.0] * 3, "total_2": [20] * 3,
        },
        measure="mean_difference",
    )  # fmt: skip
    found = fragility(means, pool(means, model="random_effects"))
    assert found.hangs_on_one_event is None and "events" in found.reason
    one = table({name: column[:1] for name, column in SURE.items()})
    assert "one study" in fragility(one, pool(one)).reason
