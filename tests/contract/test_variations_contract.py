"""Every other way to ask inherits the method of the answer: each row is what `pool` says of those studies alone.

Walks every pooling model over tables of counts; a network of two techniques joins where data and likelihood are the
same (1e-6 for normal effects).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from metakit.core.effects import EffectTable
from metakit.errors import MetakitError
from metakit.measures.tables import effect_sizes
from metakit.models.differing.again import growing, method_of, without_each
from metakit.models.differing.exploring import explore
from metakit.models.pool import pool
from metakit.models.registry import MODELS
from metakit.networks.analysis import analyse_network
from metakit.networks.arms import arms_from_counts_or_means

ROWS = pd.DataFrame(
    {
        "study": ["Alder", "Birch", "Cedar", "Elm", "Fir", "Hazel"],
        "events_1": [9, 14, 7, 11, 6, 10],
        "total_1": [80, 95, 60, 70, 55, 90],
        "events_2": [15, 16, 14, 13, 12, 19],
        "total_2": [82, 90, 63, 71, 50, 88],
    }
)
"""Invented."""

MEASURES = ("risk_ratio", "odds_ratio")


def table(measure: str, policy: str = "constant") -> EffectTable:
    return effect_sizes(ROWS, measure=measure, zero_cells=policy)


@pytest.mark.parametrize("measure", MEASURES)
@pytest.mark.parametrize("model", [None, *MODELS.names()])
def test_each_row_is_pool_of_those_studies_to_the_last_bit(measure: str, model: str | None) -> None:
    effects = table(measure)
    try:
        whole = pool(effects, model=model)
    except MetakitError:
        pytest.skip("the model does not take this measure")
    method = method_of(whole)
    found = without_each(effects, method)
    assert [row.study for row in found] == list(effects.study)
    for place, row in enumerate(found):
        rest = effects.select(np.arange(len(effects)) != place)
        again = method.pool(rest)
        assert row.result is not None
        assert (row.estimate, row.interval, row.tau2) == (
            again.estimate,
            again.interval,
            again.heterogeneity.tau2,
        )
        assert (row.result.model, row.result.mean.method) == (whole.model, whole.mean.method)
        assert row.result.likelihood == whole.likelihood
    everyone = growing(effects, list(range(len(effects))), method)[-1]
    assert (everyone.estimate, everyone.interval) == (whole.estimate, whole.interval)


@pytest.mark.parametrize("interval", ["wald", "hartung_knapp", "hartung_knapp_floor"])
def test_explore_names_an_interval_as_pool_does(interval: str) -> None:
    effects = table("risk_ratio")
    rows = explore(effects, leave_one_out=True, interval=interval)["leave_one_out"]
    for place, row in enumerate(rows):
        rest = effects.select(np.arange(len(effects)) != place)
        alone = pool(rest, model="random_effects", interval=interval)
        assert row["interval"] == list(alone.interval)


def test_leaving_a_study_out_of_a_network_of_two_is_leaving_it_out_of_the_pair() -> None:
    effects = table("risk_ratio", "treatment_arm")
    rows = without_each(effects, method_of(pool(effects, model="half_normal")))
    for place, row in enumerate(rows):
        left = ROWS.drop(index=place)
        arms = arms_from_counts_or_means(
            "risk_ratio",
            [name for name in left["study"] for _ in range(2)],
            ["new", "old"] * len(left),
            {
                name: left[[f"{name}_1", f"{name}_2"]].to_numpy().ravel().tolist()
                for name in ("events", "total")
            },
        )
        (part,) = analyse_network(arms, reference="old").parts
        contrast = part.part.contrast("new", "old")
        assert contrast.estimate == pytest.approx(row.estimate, abs=1e-9)
        assert contrast.interval == pytest.approx(row.interval, abs=1e-9)
        assert row.result is not None
        assert contrast.prediction == pytest.approx(row.result.prediction.interval, abs=1e-9)


SPARSE = pd.DataFrame(
    {
        "study": ["Alder", "Birch", "Cedar", "Elm", "Fir"],
        "events_1": [1, 0, 3, 2, 6],
        "total_1": [80, 95, 60, 70, 55],
        "events_2": [4, 2, 3, 0, 9],
        "total_2": [82, 90, 63, 71, 50],
    }
)
"""Invented: 4.2 % events over all, above 5 % without one of the large studies, below 3 % without the last."""


@pytest.mark.parametrize("measure", MEASURES)
def test_how_counts_enter_is_decided_once_and_frozen(measure: str) -> None:
    effects = effect_sizes(SPARSE, measure=measure)
    whole = pool(effects)
    assert whole.likelihood.startswith("conditional")
    rows = explore(effects, leave_one_out=True)["leave_one_out"]
    for place, row in enumerate(rows):
        rest = effects.select(np.arange(len(effects)) != place)
        frozen = pool(rest, likelihood=whole.likelihood)
        assert row["estimate"] == frozen.estimate
        assert row["interval"] == list(frozen.interval)
    # the near side of the boundary: normal for the whole, and normal without any study
    often = effect_sizes(SPARSE.assign(events_2=[9, 2, 6, 3, 9]), measure="risk_ratio")
    answer = pool(often)
    assert answer.likelihood == "normal"
    for row in without_each(often, method_of(answer)):
        assert row.result is not None and row.result.likelihood == "normal"


def test_subgroups_are_pool_of_their_studies_with_the_likelihood_of_all() -> None:
    effects = effect_sizes(SPARSE.assign(kind=["a", "a", "b", "b", "b"]), measure="risk_ratio")
    found = explore(effects, subgroup="kind")["subgroups"]
    for level in found["levels"]:
        keep = np.array([kind == level["level"] for kind in effects.moderators["kind"]])
        alone = pool(effects.select(keep), likelihood=pool(effects).likelihood)
        assert (level["estimate"], level["interval"]) == (alone.estimate, list(alone.interval))
    assert 0 < found["between"]["p_value"] <= 1


@pytest.mark.parametrize("inference", ["half_normal", "hartung_knapp"])
def test_the_default_of_explore_and_network_is_the_inference_of_pool(inference: str) -> None:
    effects = table("risk_ratio")
    rows = explore(effects, leave_one_out=True, inference=inference)["leave_one_out"]
    rest = effects.select(np.arange(len(effects)) != 0)
    alone = pool(rest, inference=inference, likelihood=pool(effects).likelihood)
    assert rows[0]["interval"] == list(alone.interval)
    arms = arms_from_counts_or_means(
        "risk_ratio",
        [name for name in ROWS["study"] for _ in range(2)],
        ["new", "old"] * len(ROWS),
        {name: ROWS[[f"{name}_1", f"{name}_2"]].to_numpy().ravel().tolist() for name in ("events", "total")},
    )
    (part,) = analyse_network(arms, reference="old", inference=inference).parts
    contrast, whole = part.part.contrast("new", "old"), pool(effects, inference=inference)
    assert contrast.interval == pytest.approx(whole.interval, abs=1e-7)
    assert contrast.prediction == pytest.approx(whole.prediction.interval, abs=1e-7)
