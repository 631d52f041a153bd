"""Every entry of the estimator, interval and model registries keeps the contract; no entry is left out."""

from __future__ import annotations

import doctest
import importlib
import inspect
from collections.abc import Callable
from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from metakit.core.bibliography import reference
from metakit.measures.registry import MEASURES
from metakit.measures.tables import effect_sizes
from metakit.models.estimators import MEAN_INTERVALS, PREDICTION_INTERVALS, TAU2_ESTIMATORS, TAU2_INTERVALS
from metakit.models.pool import pool
from metakit.models.registry import MODELS
from metakit.numerics.weights import prepare, weigh

REGISTRIES = (TAU2_ESTIMATORS, MEAN_INTERVALS, TAU2_INTERVALS, PREDICTION_INTERVALS)
ENTRIES = [
    pytest.param(registry, entry, id=f"{registry.kind}: {entry.name}")
    for registry in REGISTRIES
    for entry in registry
]
GENERATOR = np.random.default_rng(11)
Y = GENERATOR.normal(0, 0.6, (12, 7))
V = GENERATOR.uniform(0.02, 0.5, (12, 7))
Y[3], V[4] = 0.25, 0.1  # identical effects; identical variances
V[5] = np.geomspace(1e-6, 1e6, 7)
LEVEL = 0.9


def answers(
    registry: Any, entry: Any, y: np.ndarray, v: np.ndarray, present: np.ndarray | None = None
) -> dict[str, np.ndarray]:
    studies = prepare(y, v, present)
    if registry is TAU2_ESTIMATORS:
        found = entry.kernel(studies)
    elif registry is TAU2_INTERVALS:
        found = entry.kernel(studies, LEVEL)
    else:
        tau2 = studies.fold(TAU2_ESTIMATORS["dersimonian_laird"].kernel(studies).tau2)
        options = {"draws": 500, "seed": 1} if "draws" in getattr(entry, "options", ()) else {}
        found = entry.kernel(studies, weigh(studies, tau2), LEVEL, **options)
    return {field.name: np.asarray(getattr(found, field.name)) for field in fields(found)}


def same(
    one: dict[str, np.ndarray], two: dict[str, np.ndarray], close: Callable[[np.ndarray, np.ndarray], bool]
) -> None:
    assert one.keys() == two.keys()
    for name in one:
        assert close(one[name], two[name]), f"{name}: {one[name]} and {two[name]}"


def nearly(one: np.ndarray, two: np.ndarray) -> bool:
    return bool(np.allclose(one, two, rtol=1e-7, atol=1e-10, equal_nan=True))


@pytest.mark.parametrize(("registry", "entry"), ENTRIES)
def test_a_batch_equals_a_loop_to_the_last_bit(registry: Any, entry: Any) -> None:
    together = answers(registry, entry, Y, V)
    for row in range(len(Y)):
        alone = answers(registry, entry, Y[row], V[row])
        same(
            {name: column[row] for name, column in together.items()},
            alone,
            lambda a, b: bool(np.array_equal(a, b, equal_nan=True)),
        )


@pytest.mark.parametrize(("registry", "entry"), ENTRIES)
def test_padding_changes_nothing(registry: Any, entry: Any) -> None:
    wide_y, wide_v = np.full((12, 10), np.nan), np.full((12, 10), -1.0)
    places = [0, 2, 3, 5, 6, 8, 9]
    wide_y[:, places], wide_v[:, places] = Y, V
    present = np.zeros((12, 10), dtype=bool)
    present[:, places] = True
    same(answers(registry, entry, wide_y, wide_v, present), answers(registry, entry, Y, V), nearly)


@pytest.mark.parametrize(("registry", "entry"), ENTRIES)
def test_the_order_of_studies_does_not_matter(registry: Any, entry: Any) -> None:
    if "draws" in getattr(entry, "options", ()):
        assert entry.name == "bootstrap"  # its seeded draws belong to the given order of studies
        return
    order = np.random.default_rng(1).permutation(7)
    same(answers(registry, entry, Y[:, order], V[:, order]), answers(registry, entry, Y, V), nearly)


@pytest.mark.parametrize(("registry", "entry"), ENTRIES)
@pytest.mark.parametrize("factor", [1e-6, 1e6])
def test_rescaled_effects_rescale_the_answer(registry: Any, entry: Any, factor: float) -> None:
    plain, scaled = answers(registry, entry, Y, V), answers(registry, entry, factor * Y, factor**2 * V)
    power = 2 if registry in (TAU2_ESTIMATORS, TAU2_INTERVALS) else 1
    for name in plain:
        if name in ("tau2", "lower", "upper", "estimate", "standard_error"):
            expected = plain[name] * factor**power
            assert np.allclose(scaled[name], expected, rtol=1e-6, atol=1e-9 * factor**power), name
        elif name in ("truncated", "converged", "maxima", "empty", "df"):
            assert np.array_equal(scaled[name], plain[name]), name


@pytest.mark.parametrize(("registry", "entry"), ENTRIES)
def test_nothing_is_nan_and_everything_is_described(registry: Any, entry: Any) -> None:
    for name, column in answers(registry, entry, Y, V).items():
        if column.dtype.kind == "f" and registry is not TAU2_INTERVALS:
            assert not np.isnan(column).any(), name
    assert entry.references
    assert all(reference(key) for key in entry.references)
    assert inspect.getdoc(entry.kernel)
    assert entry.label


TABLES = {
    "two_arm_counts": {"events_1": [4, 3, 8, 2, 0], "total_1": [40, 30, 60, 25, 20], "events_2": [7, 5, 9, 6, 2], "total_2": [41, 29, 62, 24, 21]},
    "one_arm_counts": {"events": [4, 3, 8, 2, 0], "total": [40, 30, 60, 25, 20]},
    "one_arm_rates": {"events": [4, 3, 8, 2, 0], "time": [40.0, 33, 60, 25, 20]},
    "two_arm_rates": {"events_1": [4, 3, 8, 2, 1], "time_1": [40.0, 33, 60, 25, 20], "events_2": [7, 5, 9, 6, 2], "time_2": [41.0, 29, 62, 24, 21]},
    "generic": {"effect": [0.1, 0.3, -0.2, 0.5, 0.2], "variance": [0.05, 0.06, 0.04, 0.2, 0.1]},
}  # fmt: skip


@pytest.mark.parametrize("entry", list(MODELS), ids=lambda entry: entry.name)
def test_every_model_answers_in_the_fixed_form(entry: Any) -> None:
    families = entry.families or tuple(TABLES)
    tried = 0
    for measure in MEASURES:
        if measure.family not in families or measure.family not in TABLES:
            continue
        if entry.measures and measure.name not in entry.measures:
            continue
        columns = {"study": list("abcde"), "cohort": list("vwxyz"), **TABLES[measure.family]}
        table = effect_sizes(columns, measure=measure.name)
        extra = {"tau_prior_scale": 0.5} if entry.name == "bayesian" else {}
        result = pool(table, model=entry.name, **extra)
        answer = result.to_json()
        assert answer["model"] == entry.name or entry.name in answer["model"]
        assert answer["k"] == len(answer["studies"]) >= 4
        assert answer["interval"][0] <= answer["estimate"] <= answer["interval"][1]
        assert answer["converged"] is True
        weights = [row["weight"] for row in answer["studies"]]
        if None not in weights:
            assert sum(weights) == pytest.approx(1.0, abs=1e-9)
        assert str(result)
        assert len(result.tidy()) == answer["k"] + 1
        assert all(reference(key) for key in (*entry.references, *result.references))
        tried += 1
    assert tried


@pytest.mark.parametrize(
    "module",
    [
        "metakit.models.pool",
        "metakit.models.batch",
        "metakit.models.new_centre",
        "metakit.numerics.likelihood",
        "metakit.numerics.stratified",
        "metakit.numerics.tau2_intervals",
    ],
)
def test_the_examples_in_the_docstrings_run(module: str) -> None:
    found = doctest.testmod(importlib.import_module(module))
    assert found.attempted
    assert not found.failed
