"""Every measure of the registry, on every scale and with every policy, keeps the contract. No filter."""

from __future__ import annotations

import doctest
import inspect

import numpy as np
import pytest

from metakit.core.bibliography import reference
from metakit.errors import DataError, UnknownNameError
from metakit.measures.column_rules import base_name, rule_of
from metakit.measures.registry import MEASURES, KernelEffects, Measure, Scale
from metakit.measures.tables import effect_sizes, exact_intervals
from metakit.measures.zero_cells import POLICIES

ALL = list(MEASURES)
EVERY_CHOICE = [
    pytest.param(measure, scale, policy, id=f"{measure.name}-{scale.name}-{policy}")
    for measure in ALL
    for scale in measure.scales
    for policy in measure.zero_cell_policies
]
EVERY_SCALE = [pytest.param(scale, id=f"{m.name}-{scale.name}") for m in ALL for scale in m.scales]
EVERY_MEASURE = [pytest.param(measure, id=measure.name) for measure in ALL]


def draw(measure: Measure, shape: tuple[int, ...], seed: int = 1) -> dict[str, np.ndarray]:
    """Draw raw columns by what their names mean, with zeros and full arms among the counts."""
    generator = np.random.default_rng(seed)
    data: dict[str, np.ndarray] = {}
    for name in (*measure.columns, *measure.optional_columns):
        base = base_name(name)
        if base == "total":
            data[name] = generator.integers(2, 300, shape).astype(float)
        elif base in ("time", "sd", "variance", "standard_error"):
            data[name] = generator.uniform(0.05, 40.0, shape)
        elif base == "survival":
            data[name] = generator.uniform(0.0, 1.0, shape)
            data[name].flat[0] = 1.0
        elif base == "correlation":
            data[name] = generator.uniform(-0.9, 0.99, shape)
        elif base == "direction":
            data[name] = generator.choice([-1.0, 1.0], shape)
        elif base == "events":
            data[name] = np.zeros(shape)  # filled below, when totals are known
        else:
            data[name] = generator.normal(3.0, 4.0, shape)
    for name in data:
        if base_name(name) == "events":
            most = data.get(name.replace("events", "total"), np.full(shape, 60.0))
            share = generator.choice([0.0, 0.1, 0.5, 1.0], shape, p=[0.25, 0.3, 0.3, 0.15])
            data[name] = np.floor(most * share)
    return data


def run(measure: Measure, data: dict[str, np.ndarray], scale: Scale, policy: str) -> KernelEffects:
    return measure.kernel(data, scale=scale.name, zero_cells=policy)


def assert_same_bits(one: np.ndarray, other: np.ndarray) -> None:
    assert one.shape == other.shape
    assert np.array_equal(one, other, equal_nan=True)


@pytest.mark.parametrize(("measure", "scale", "policy"), EVERY_CHOICE)
def test_batch_is_a_loop_to_the_last_bit(measure: Measure, scale: Scale, policy: str) -> None:
    data = draw(measure, (5, 3, 13))
    whole = run(measure, data, scale, policy)
    for b in range(5):
        for c in range(3):
            one = run(measure, {name: column[b, c] for name, column in data.items()}, scale, policy)
            for field in ("effect", "variance", "estimable", "corrected"):
                assert_same_bits(getattr(whole, field)[b, c], getattr(one, field))


@pytest.mark.parametrize(("measure", "scale", "policy"), EVERY_CHOICE)
def test_single_study_is_its_place_in_the_table(measure: Measure, scale: Scale, policy: str) -> None:
    data = draw(measure, (17,))
    whole = run(measure, data, scale, policy)
    for row in range(17):
        one = run(measure, {name: column[row : row + 1] for name, column in data.items()}, scale, policy)
        assert_same_bits(whole.effect[row : row + 1], one.effect)
        assert_same_bits(whole.variance[row : row + 1], one.variance)


@pytest.mark.parametrize(("measure", "scale", "policy"), EVERY_CHOICE)
def test_padding_is_not_estimable_and_touches_nobody(measure: Measure, scale: Scale, policy: str) -> None:
    data = draw(measure, (11,))
    padded = {name: np.concatenate([column, [np.nan, np.nan]]) for name, column in data.items()}
    bare, wide = run(measure, data, scale, policy), run(measure, padded, scale, policy)
    for field in ("effect", "variance", "estimable", "corrected"):
        assert_same_bits(getattr(bare, field), getattr(wide, field)[:11])
    assert not wide.estimable[11:].any()
    assert not wide.corrected[11:].any()


@pytest.mark.parametrize(("measure", "scale", "policy"), EVERY_CHOICE)
def test_order_does_not_matter(measure: Measure, scale: Scale, policy: str) -> None:
    data = draw(measure, (11,))
    order = np.random.default_rng(2).permutation(11)
    one = run(measure, data, scale, policy)
    other = run(measure, {name: column[order] for name, column in data.items()}, scale, policy)
    assert_same_bits(one.effect[order], other.effect)
    assert_same_bits(one.variance[order], other.variance)


@pytest.mark.parametrize(("measure", "scale", "policy"), EVERY_CHOICE)
def test_flags_say_what_the_numbers_are(measure: Measure, scale: Scale, policy: str) -> None:
    data = draw(measure, (400,))
    found = run(measure, data, scale, policy)
    finite = np.isfinite(found.effect) & np.isfinite(found.variance) & (np.nan_to_num(found.variance) > 0)
    np.testing.assert_array_equal(found.estimable, finite)
    assert np.isnan(found.effect[~found.estimable]).all()
    assert np.isnan(found.variance[~found.estimable]).all()
    assert not (found.corrected & ~found.estimable).any()
    if policy == "none":
        assert not found.corrected.any()
    assert found.estimable.any()
    for name in measure.columns:
        changed = found.used[name] != data[name]
        assert not (changed & found.estimable & ~found.corrected).any()


@pytest.mark.parametrize(("measure", "scale", "policy"), EVERY_CHOICE)
def test_inputs_stay_untouched(measure: Measure, scale: Scale, policy: str) -> None:
    data = draw(measure, (9,))
    for column in data.values():
        column.setflags(write=False)
    run(measure, data, scale, policy)


@pytest.mark.parametrize(("measure", "scale", "policy"), EVERY_CHOICE)
def test_no_study_is_an_ordinary_case(measure: Measure, scale: Scale, policy: str) -> None:
    found = run(measure, draw(measure, (4, 1)), scale, policy)
    assert found.effect.shape == (4, 1)
    empty = {name: column[:0] for name, column in draw(measure, (3,)).items()}
    assert run(measure, empty, scale, policy).effect.shape == (0,)


@pytest.mark.parametrize("measure", EVERY_MEASURE)
def test_swapped_arms_negate_and_equal_arms_are_null(measure: Measure) -> None:
    paired = [name for name in measure.columns if name.endswith("_1")]
    assert bool(paired) == measure.family.startswith("two_arm")
    if not paired:
        return
    data = draw(measure, (200,))
    data.pop("direction", None)
    other_arm = {name: name.removesuffix("_1") + "_2" for name in paired}
    swapped = dict(data)
    for first, second in other_arm.items():
        swapped[first], swapped[second] = data[second], data[first]
    for scale in measure.scales:
        for policy in measure.zero_cell_policies:
            one, other = run(measure, data, scale, policy), run(measure, swapped, scale, policy)
            np.testing.assert_array_equal(one.estimable, other.estimable)
            np.testing.assert_allclose(one.effect, -other.effect, rtol=1e-13, atol=1e-14)
            np.testing.assert_allclose(one.variance, other.variance, rtol=1e-13)
            alike = dict(data) | {second: data[first] for first, second in other_arm.items()}
            null = run(measure, alike, scale, policy)
            np.testing.assert_allclose(null.effect[null.estimable], measure.null_value, atol=1e-15)


@pytest.mark.parametrize("measure", EVERY_MEASURE)
def test_facts(measure: Measure) -> None:
    assert measure.name.replace("_", "").isalpha()
    assert measure.name == measure.name.lower()
    assert measure.label
    assert measure.references
    for key in measure.references:
        assert reference(key).title
    assert len({scale.name for scale in measure.scales}) == len(measure.scales)
    assert measure.scale().name == measure.scales[0].name
    assert measure.zero_cell_policy() == measure.zero_cell_policies[0]
    assert "none" in measure.zero_cell_policies
    for policy in measure.zero_cell_policies:
        key = POLICIES[policy].reference
        assert not key or reference(key).title
    assert measure.comparative == (measure.arms == 2)
    assert not measure.family.startswith("two_arm") or measure.comparative
    assert not measure.family.startswith("one_arm") or not measure.comparative
    for form in measure.forms:
        assert form.columns
    with pytest.raises(UnknownNameError):
        measure.scale("no_such_scale")
    with pytest.raises(UnknownNameError):
        measure.zero_cell_policy("no_such_policy")


@pytest.mark.parametrize("measure", EVERY_MEASURE)
def test_kernel_is_documented_and_its_example_runs(measure: Measure) -> None:
    text = inspect.getdoc(measure.kernel) or ""
    for section in ("Parameters", "Returns", "References", "Examples"):
        assert f"{section}\n{'-' * len(section)}" in text
    for name in (*measure.columns, *(scale.name for scale in measure.scales), *measure.zero_cell_policies):
        assert name in text
    module = inspect.getmodule(measure.kernel)
    assert module is not None
    finder, runner = doctest.DocTestFinder(), doctest.DocTestRunner()
    tests = finder.find(measure.kernel, globs=dict(vars(module)))
    assert sum(len(test.examples) for test in tests) > 0
    for test in tests:
        runner.run(test)
    assert runner.summarize(verbose=False).failed == 0


@pytest.mark.parametrize("scale", EVERY_SCALE)
def test_scale_there_and_back(scale: Scale) -> None:
    natural = np.array([0.001, 0.02, 0.3, 0.5, 0.7, 0.98, 0.999])
    there = scale.from_natural(natural)
    np.testing.assert_allclose(scale.to_natural(there), natural, rtol=1e-12)
    assert (np.diff(there) > 0).all()
    wide = np.linspace(-40, 40, 4001)
    back = scale.to_natural(wide)
    assert np.isfinite(back).all()
    assert (np.diff(back) >= 0).all()
    if scale.axis == "percent" and scale.name not in ("identity", "raw", "log"):
        assert back.min() >= 0
        assert back.max() <= 1


@pytest.mark.parametrize("measure", EVERY_MEASURE)
def test_table_equals_kernel_and_names_what_is_set_aside(measure: Measure) -> None:
    data = draw(measure, (40,))
    data.pop("direction", None)
    names = [f"Study {row}" for row in range(40)]
    effects = effect_sizes({"study": names, **data, "year": list(range(40))}, measure=measure.name)
    found = run(measure, data, measure.scale(), measure.zero_cell_policy())
    assert_same_bits(effects.effect, found.effect)
    assert_same_bits(effects.variance, found.variance)
    assert effects.moderators == {"year": tuple(range(40))}
    assert [item.study for item in effects.set_aside] == [
        names[row] for row in np.flatnonzero(~found.estimable)
    ]
    assert all(item.reason for item in effects.set_aside)
    logged = [line.study for line in effects.assumptions]
    assert logged == [names[row] for row in np.flatnonzero(found.corrected)]
    assert all(line.rule and "->" in line.inputs for line in effects.assumptions)
    assert len(effects.tidy()) == 40


@pytest.mark.parametrize("measure", EVERY_MEASURE)
def test_table_without_a_column_says_which(measure: Measure) -> None:
    data = draw(measure, (3,))
    for name in measure.columns:
        table = {"study": list("ABC")} | {other: column for other, column in data.items() if other != name}
        table.pop("direction", None)
        with pytest.raises(DataError) as caught:
            effect_sizes(table, measure=measure.name)
        assert name in str(caught.value)


@pytest.mark.parametrize("measure", EVERY_MEASURE)
def test_table_refuses_what_no_rule_allows(measure: Measure) -> None:
    data = draw(measure, (3,))
    data.pop("direction", None)
    for name in measure.columns:
        rule = measure.rules.get(name, rule_of(name))
        for wrong in (-7.5, 0.0, 1.0, 2.5, 1e9):
            if rule.accepts(wrong) and not (rule.whole and wrong % 1):
                continue
            table = {"study": list("ABC")} | {other: column.tolist() for other, column in data.items()}
            table[name][1] = wrong
            with pytest.raises(DataError) as caught:
                effect_sizes(table, measure=measure.name)
            (problem,) = [problem for problem in caught.value.problems if problem.field == name]
            assert problem.line == 2
            assert problem.allowed


@pytest.mark.parametrize("measure", EVERY_MEASURE)
def test_exact_intervals_hold_the_crude_value(measure: Measure) -> None:
    data = draw(measure, (60,))
    for name in measure.exact_intervals:
        table = effect_sizes({"study": [str(row) for row in range(60)], **data}, measure=measure.name)
        size = next(column for column in ("total", "time") if column in data)
        crude = data["events"] / data[size]
        for level in (0.5, 0.95, 0.999):
            lower, upper = exact_intervals(table, method=name, level=level)
            assert (lower <= crude).all()
            assert (crude <= upper).all()
            assert (lower >= 0).all()
            assert (lower < upper).all()
