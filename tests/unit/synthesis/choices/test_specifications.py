"""Specification curves and the sensitivity table of the invented review: counts, single fits, one unit, standing."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from metakit.core.plans import SpecificationPlan
from metakit.measures.registry import MEASURES
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from metakit.synthesis.analysis import analyse
from metakit.synthesis.choices.robustness_words import (
    Differences,
    effect_lines,
    end_lines,
    refusal_lines,
    sensitivity_lines,
    sensitivity_sentences,
    specification_sentences,
)
from metakit.synthesis.choices.sensitivity_table import KINDS
from metakit.synthesis.choices.specification_results import NOT_APPLICABLE, SpecificationCurve
from metakit.synthesis.choices.specifications import conclusion_of
from metakit.synthesis.common_unit import CommonUnit
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.arms import display_names
from tests import demonstration

ROOT = Path(__file__).parents[4]
IDS = ("complications_lrti", "dash_lrti", "revision_prosthesis")


@cache
def found(analysis: str, plan: SpecificationPlan | None = None, usual: bool = False) -> AnalysisFinding:
    review = demonstration.review()
    protocol = review.protocol
    if plan is not None or usual:
        protocol = replace(protocol, specifications=plan)
    asked = next(item for item in protocol.analyses if item.id == analysis)
    return analyse(asked, protocol, review.studies, display_names(review.studies))


def curve_of(analysis: str, plan: SpecificationPlan | None = None, usual: bool = False) -> SpecificationCurve:
    curve = found(analysis, plan, usual).specifications
    assert curve is not None and not curve.reason
    return curve


@pytest.mark.walk
@pytest.mark.parametrize("analysis", IDS)
def test_the_count_is_the_product_of_the_options(analysis: str) -> None:
    curve = curve_of(analysis, usual=True)
    options = {choice.name: [option.name for option in choice.options] for choice in curve.choices}
    data = math.prod(len(options[name]) for name in ("appraisal", "design", "icc", "window"))
    policies = len([name for name in options["zero_cells"] if name not in (NOT_APPLICABLE, "none")]) or 1
    tau2 = [name for name in options["tau2"] if name != NOT_APPLICABLE]
    intervals = [
        name for name in options["interval"] if name in ("hartung_knapp_floor", "hartung_knapp", "wald")
    ]
    per_measure = 0
    for model in options["model"]:
        if model == "random_effects":
            per_measure += len(list(product(tau2, intervals))) * policies
        else:
            per_measure += policies if model == "common_effect" else 1
    assert curve.asked == len(curve.rows) == len(options["measure"]) * per_measure * data
    assert len({tuple(row.choices.values()) for row in curve.rows}) == len(curve.rows)


@pytest.mark.walk
@pytest.mark.parametrize("analysis", IDS)
def test_exactly_one_row_is_the_planned_analysis_and_gives_its_answer(analysis: str) -> None:
    finding = found(analysis, usual=True)
    curve, result = curve_of(analysis, usual=True), finding.result
    assert result is not None
    (head,) = [row for row in curve.rows if row.headline]
    assert head.standing == "planned" and head.holds and head.k == result.k
    if finding.absolute is not None:
        assert head.estimate == pytest.approx(finding.absolute.difference[0], rel=1e-9)
        assert head.interval is not None and head.interval.upper == pytest.approx(
            finding.absolute.difference[2]
        )
    else:
        assert head.estimate == pytest.approx(result.estimate, rel=1e-12)


@pytest.mark.walk
def test_rows_equal_single_pools_of_the_same_numbers() -> None:
    """Batch against one fit at a time: random effects of all studies on the planned numbers."""
    finding = found("complications_lrti")
    curve = curve_of("complications_lrti")
    assert finding.absolute is not None
    unit = CommonUnit(label=curve.unit, baseline=finding.absolute.baseline / 100)
    checked = 0
    for row in curve.rows:
        c = row.choices
        planned = (c["appraisal"], c["design"], c["icc"], c["window"])
        if planned != ("all_studies", "all_designs", "0.3", "12_months"):
            continue
        columns = MEASURES[c["measure"]].columns
        frame = [{"study": s.name, **s.columns(columns)} for s in finding.numbers]
        policy = "none" if c["zero_cells"] == NOT_APPLICABLE else c["zero_cells"]
        table = effect_sizes(
            pd.DataFrame(frame), measure=c["measure"], zero_cells=policy, effective_numbers=True
        )
        random = c["model"] == "random_effects"
        single = pool(
            table,
            model=c["model"],
            tau2=c["tau2"] if random else None,
            interval=c["interval"] if random else None,
        )
        values = unit.differences(c["measure"], None, np.array([single.estimate, *single.interval]))
        assert values is not None and row.interval is not None
        assert [row.estimate, *row.interval] == pytest.approx(values.tolist(), rel=1e-9, abs=1e-9)
        checked += 1
    assert checked >= 30


@pytest.mark.walk
@pytest.mark.parametrize("analysis", IDS)
def test_fractions_are_counts_of_rows(analysis: str) -> None:
    curve = curve_of(analysis, usual=True)
    assert len(curve.answered) + len(curve.refused) == len(curve.rows)
    assert curve.fraction == sum(bool(row.holds) for row in curve.answered) / len(curve.answered)
    for row in curve.answered:
        assert row.interval is not None and row.holds == (row.conclusion == curve.conclusion)
        assert row.interval.lower <= (row.estimate or 0.0) <= row.interval.upper
    for row in curve.refused:
        assert row.reason and row.holds is None
    for name in {effect.choice for effect in curve.effects}:
        assert sum(effect.rows for effect in curve.effects if effect.choice == name) == len(curve.answered)
    json.dumps(curve.to_json(), allow_nan=False)


@pytest.mark.lengthy
def test_a_declared_plan_is_planned_unless_data_were_seen() -> None:
    assert {row.standing for row in curve_of("complications_lrti").rows} == {"planned"}
    late = SpecificationPlan(models=("random_effects", "common_effect"), data_seen=True)
    curve = curve_of("complications_lrti", late)
    assert not curve.planned
    assert {row.standing for row in curve.rows if not row.headline} == {"exploratory"}
    assert "exploratory" in specification_sentences(curve)[-1]


@pytest.mark.walk
def test_a_cap_keeps_the_planned_row_and_single_changes_and_says_so() -> None:
    curve = curve_of("complications_lrti", SpecificationPlan(most=40))
    assert len(curve.rows) == 40 and curve.asked > 40 and curve.headline is not None
    assert any(f"{curve.asked} combinations were declared and 40 were run" in note for note in curve.notes)
    whole = curve_of("complications_lrti", usual=True)
    head = curve.headline.choices

    def near(some: SpecificationCurve) -> set[tuple[str, ...]]:
        return {
            tuple(row.choices.values())
            for row in some.rows
            if sum(row.choices[name] != head[name] for name in head) <= 1
        }

    assert near(whole) == near(curve) and len(near(curve)) > 5


@pytest.mark.walk
def test_measures_without_a_way_to_the_unit_are_refused_in_words() -> None:
    plan = SpecificationPlan(measures=("arcsine_difference",), models=("common_effect",))
    curve = curve_of("complications_lrti", plan)
    refused = [row for row in curve.rows if row.choices["measure"] == "arcsine_difference"]
    assert refused and all("cannot be turned into the unit" in row.reason for row in refused)
    assert any("cannot be turned" in line for line in refusal_lines(curve))


@pytest.mark.walk
def test_one_study_has_no_curve_and_says_why() -> None:
    plan = SpecificationPlan(analyses=("complications_ball",))
    curve = found("complications_ball", plan).specifications
    assert curve is not None and "one study" in curve.reason and curve.rows == ()
    assert "one study" in specification_sentences(curve)[0]
    assert found("complications_lrti", plan).specifications is None


# Closed forms: 10 per 100 at a risk ratio of 1.5 is 5 more; odds 1/9 doubled are 2/11 of all.
def test_one_unit_for_all_measures() -> None:
    unit = CommonUnit(label="per 100 thumbs", baseline=0.1)
    for measure, value, expected in (
        ("risk_ratio", math.log(1.5), 5.0),
        ("odds_ratio", math.log(2.0), 100 * (2 / 11 - 0.1)),
        ("risk_difference", -0.03, -3.0),
        # it would be 200 in 100, so that it is carried as a ratio of hazards: 1 - (1 - 0.1)^20
        ("risk_ratio", math.log(20.0), 100 * (0.9 - 0.9**20)),
    ):
        assert unit.differences(measure, None, np.array([value])) == pytest.approx([expected])
    # 40 in 100 fewer fits no baseline of 10 in 100: refused, where it was cut to 10 fewer in silence
    assert unit.differences("risk_difference", None, np.array([-0.4])) is None
    assert unit.differences("rate_ratio", None, np.array([0.1])) is None
    points = CommonUnit(label="points", spread=20.0, comparator=40.0)
    assert points.differences("standardized_mean_difference", None, np.array([0.5])) == pytest.approx([10.0])
    assert points.differences("ratio_of_means", None, np.array([math.log(1.1)])) == pytest.approx([4.0])
    assert (conclusion_of(-2, -1, 0), conclusion_of(1, 2, 0), conclusion_of(-1, 0, 0)) == (
        "below",
        "above",
        "open",
    )


@pytest.mark.lengthy
def test_shifts_are_differences_over_the_smallest_important_one() -> None:
    table = found("complications_lrti").sensitivity_table
    assert table is not None and table.smallest_important_difference == 5
    for row in table.answered:
        assert row.kind in KINDS and row.difference is not None and table.headline.difference is not None
        assert row.shift == pytest.approx(row.difference - table.headline.difference)
        assert row.shift_in_important == pytest.approx((row.shift or 0.0) / 5)
        assert row.same_conclusion == (row.conclusion == table.headline.conclusion)
    standing = {row.name: row.standing for row in table.rows}
    assert standing["icc_0"] == standing["without_high_concern"] == standing["tau2_paule_mandel"] == "planned"
    assert standing["one_unit_per_patient"] == "exploratory"
    undone = {row.kind: row.reason for row in table.not_done}
    assert undone["derived_numbers"].startswith("not done:")
    words = " ".join(sensitivity_sentences(table))
    assert "2.2 times the smallest difference that matters (5 per 100 thumbs)" in words
    assert len(sensitivity_lines(table)) == len(table.rows) + 1


def test_rates_are_not_held_against_a_difference_per_100_thumbs() -> None:
    table = found("revision_prosthesis").sensitivity_table
    assert table is not None and table.unit == "per 100 thumb-years"
    assert table.smallest_important_difference is None
    assert all(row.shift_in_important is None for row in table.rows)


def test_the_words_count_what_the_rows_hold() -> None:
    curve = curve_of("complications_lrti")
    words = " ".join(specification_sentences(curve))
    held = sum(bool(row.holds) for row in curve.answered)
    assert f"holds in {held} of them" in words and "too few" in words
    assert len(effect_lines(curve)) == len(curve.effects)
    lines = end_lines(curve)
    assert sum(line["what"] == "as planned" for line in lines) == 1
    say = Differences.of(curve.unit, 5)
    assert (say.signed(2.34), say.signed(-2.34), say.signed(0.01)) == ("+2.3", "−2.3", "0.0")
