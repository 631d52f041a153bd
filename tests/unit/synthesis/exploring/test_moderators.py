"""Moderators read from records, and the explorations made of them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.weightstats import DescrStatsW

from metakit.core.plans import ExplorationPlan
from metakit.core.records import StudyRecord
from metakit.core.values import FollowUp
from metakit.errors import UnknownNameError
from metakit.synthesis.analysis import analyse
from metakit.synthesis.exploring.explorations import exploration
from metakit.synthesis.exploring.moderators import moderator_column
from metakit.synthesis.findings import AnalysisFinding
from metakit.synthesis.gathering.rows import StudyNumbers
from tests.unit.synthesis.appraised import appraised
from tests.unit.synthesis.invented import arm, counted, gathered, plan, protocol, series, series_plan, trial


def numbers(*studies: StudyRecord) -> tuple[StudyNumbers, ...]:
    return gathered(plan(), *studies).studies


def value_of(name: str, study: StudyRecord) -> Any:
    (found,) = moderator_column(name, numbers(study), "any_complication").values
    return found


def with_arms(one: dict[str, Any], two: dict[str, Any], **facts: Any) -> StudyRecord:
    arms = (arm("A", **({"thumbs": 30} | one)), arm("B", "trapeziectomy", **({"thumbs": 50} | two)))
    return trial("1", 3, 6, arms=arms, **facts)


def test_means_of_arms_are_weighted_by_their_thumbs_or_patients() -> None:
    study = with_arms(
        {"mp_preoperative_mean": 22.0, "age_mean": 58.0, "patients": 27, "women": 20},
        {"mp_preoperative_mean": 10.0, "age_mean": 63.0, "patients": 45, "women": 36},
    )
    outside = DescrStatsW([22.0, 10.0], weights=[30, 50]).mean  # an independent weighted mean (statsmodels)
    assert value_of("mp_hyperextension", study).value == pytest.approx(outside, rel=1e-14)
    assert value_of("mp_hyperextension_difference", study).value == 12.0
    assert value_of("age", study).value == pytest.approx(np.average([58.0, 63.0], weights=[27, 45]))
    assert value_of("age_difference", study).value == -5.0
    assert value_of("women_percent", study).value == pytest.approx(100 * 56 / 72)
    assert value_of("thumbs", study).value == 80
    assert "22 (mean, 30 thumbs)" in value_of("mp_hyperextension", study).basis


def test_a_value_that_one_arm_lacks_is_missing_with_its_reason() -> None:
    study = with_arms({"age_mean": 58.0}, {})
    for name in ("age", "age_difference"):
        found = value_of(name, study)
        assert found.value is None
        assert found.reason == "trapeziectomy B: age not reported"
    zero = value_of(
        "mp_hyperextension", with_arms({"mp_preoperative_mean": 0.0}, {"mp_preoperative_mean": 0.0})
    )
    assert zero.value == 0.0  # zero degrees are a value
    assert value_of("year", with_arms({}, {}, year=None)).reason == "year not reported"


def test_an_angle_without_direction_is_said_to_be_unclear() -> None:
    fields = {"arms": [{"id": "A", "mp_preoperative": {"mean": 12.0, "sign": "unclear"}}]}
    found = value_of("mp_hyperextension", with_arms({}, {"mp_preoperative_mean": 4.0}, fields=fields))
    assert found.reason == "lrti A: direction of the MP angle is unclear"


def test_counts_come_from_the_record_and_blanks_are_not_zero() -> None:
    def stages(*counts: int | None) -> dict[str, Any]:
        return {f"stage_{n}": count for n, count in enumerate(counts, 1) if count is not None}

    def record(one: dict[str, Any], two: dict[str, Any]) -> StudyRecord:
        return with_arms({}, {}, fields={"arms": [{"id": "A", **one}, {"id": "B", **two}]})

    full = record({"eaton_stage": stages(1, 4, 20, 5)}, {"eaton_stage": stages(0, 10, 30, 10)})
    assert value_of("stage_3_or_4_percent", full).value == pytest.approx(100 * 65 / 80)
    blank = record({"eaton_stage": stages(1, 4, 20, None)}, {"eaton_stage": stages(0, 10, 30, 10)})
    assert value_of("stage_3_or_4_percent", blank).reason == "lrti A: Eaton stages not all reported"
    over = record({"mp_preoperative": {"over_30": 6}}, {"mp_preoperative": {"over_30": 0}})
    assert value_of("mp_over_30_percent", over).value == pytest.approx(100 * 6 / 80)
    many = record({"mp_preoperative": {"over_30": 31}}, {"mp_preoperative": {"over_30": 0}})
    assert "31 counted in an arm of 30 analysed" in value_of("mp_over_30_percent", many).reason
    median = with_arms({"age_mean": 58.0}, {}, fields={"arms": [{"id": "B", "age": {"median": 62}}]})
    assert value_of("age", median).value == pytest.approx((58 * 30 + 62 * 50) / 80)
    assert "62 (median, 50 patients)" in value_of("age", median).basis


def test_follow_up_and_the_time_of_the_result_are_two_things() -> None:
    study = with_arms({"follow_up": FollowUp(mean=48.0)}, {"follow_up": FollowUp(median=36.0)})
    assert value_of("follow_up", study).value == pytest.approx((48 * 30 + 36 * 50) / 80)
    assert value_of("follow_up_difference", study).value == 12.0
    assert value_of("result_time", study).value == 12.0


def test_parts_of_the_operation_are_told_by_arm() -> None:
    study = with_arms(
        {"components": ("ti_fcr", "lr_fcr_slip"), "partly_given": {"kwire_fixation": 7}},
        {"components": ("lr_fcr_slip",)},
    )
    assert value_of("ti_fcr", study).value == "arm 1 only"
    assert value_of("lr_fcr_slip", study).value == "both arms"
    assert value_of("bone_tunnel_mc1", study).value == "neither arm"
    assert value_of("kwire_fixation", study).value == "arm 1 some thumbs, arm 2 no"
    assert value_of("technique", study).value == "LRTI against Trapeziectomy alone"
    other = with_arms({"mp_option": "mp_capsulodesis_volar"}, {"mp_option": "mp_none"})
    assert value_of("mp_procedure", other).value == "MP volar capsulodesis against No MP procedure"
    silent = value_of("mp_procedure", with_arms({"mp_option": "mp_not_reported"}, {}))
    assert silent.value is None and silent.reason == "lrti A: MP procedure not reported"
    spurs = with_arms({"osteophyte_option": "osteophyte_removed"}, {"osteophyte_option": "osteophyte_left"})
    assert value_of("osteophytes", spurs).value == "Osteophytes removed against Osteophytes left"


def test_a_name_that_is_no_moderator_gets_the_nearest() -> None:
    with pytest.raises(UnknownNameError, match="mp_hyperextension"):
        moderator_column("mp_hyperextention", numbers(with_arms({}, {})), "any_complication")


def explored(*, ages: tuple[float | None, ...], **facts: Any) -> AnalysisFinding:
    studies = [
        trial(
            str(n),
            3 + n,
            9 - n % 3,
            total=40 + 5 * n,
            arms=(
                arm("A", thumbs=40 + 5 * n, age_mean=age),
                arm("B", "trapeziectomy", thumbs=40 + 5 * n, age_mean=age),
            ),
            fields=appraised("LLHLL" if n % 2 else "LLLLL"),
        )
        for n, age in enumerate(ages)
    ]
    asked = plan(model="random_effects")
    plans = tuple(
        ExplorationPlan(**({"id": "e", "kind": "meta_regression", "moderators": ("age",)} | one))
        for one in facts.pop("plans", [{}])
    )
    names = {study.id: study.label for study in studies}
    return analyse(asked, replace(protocol(asked), explorations=plans), studies, names)


AGES = (58.0, 61.0, 63.5, 59.0, 66.0, 70.0, 62.0, None)


def test_a_regression_on_ages_agrees_with_weighted_least_squares() -> None:
    finding = explored(ages=AGES, plans=[{"expected": "more with age"}])
    (found,) = finding.explorations
    fit = found.meta_regression
    assert fit is not None and found.standing == "planned" and found.expected == "more with age"
    table = finding.table
    assert table is not None and table.moderators["age"] == AGES
    keep = np.array([age is not None for age in AGES])
    design = sm.add_constant(np.array([age for age in AGES if age is not None]))
    assert fit.inference == "half_normal"
    beside = fit.beside["hartung_knapp"]
    outside = sm.WLS(table.effect[keep], design, weights=1 / (table.variance[keep] + beside.tau2)).fit()
    assert [c.estimate for c in beside.coefficients] == pytest.approx(outside.params, rel=1e-9)
    # its errors are scaled by residual squares as Knapp and Hartung's are, which the floor keeps from shrinking
    factor = max(1.0, 1 / outside.scale**0.5)
    assert [c.standard_error for c in beside.coefficients] == pytest.approx(factor * outside.bse, rel=1e-9)
    assert [item.study for item in found.missing] == ["Study 7"]
    assert "age not reported" in found.missing[0].reason
    assert all(coefficient.permutation_p is not None for coefficient in fit.coefficients)
    said = finding.to_json()["explorations"][0]
    assert said["meta_regression"]["k"] == 7 and said["standing"] == "planned"


def test_what_was_added_when_results_were_known_is_exploratory() -> None:
    finding = explored(
        ages=AGES, plans=[{"kind": "subgroups", "moderators": ("concern",), "data_seen": True}]
    )
    (found,) = finding.explorations
    assert found.standing == "exploratory"
    assert found.subgroups is not None
    assert [(level.level, level.k) for level in found.subgroups.levels] == [("high", 4), ("low", 4)]


@pytest.mark.parametrize(
    ("ages", "asked", "words"),
    [
        ((60.0,) * 8, ("age",), "age is 60 in every study"),
        ((60.0, 61.0, 62.0, None, None, None), ("age",), "below 4 no regression is fitted"),
        (AGES, ("design",), "design is the same in every study"),
        (AGES, ("susp_suture_button",), "no study of this analysis has susp_suture_button"),
        ((60.0, 61.0, 62.0, 63.0, 64.0, 65.0, 66.0, 67.0), ("age", "age_difference"), "age_difference is 0"),
    ],
)
def test_refusals_are_said_in_words(ages: tuple[float, ...], asked: tuple[str, ...], words: str) -> None:
    (found,) = explored(ages=ages, plans=[{"moderators": asked}]).explorations
    assert found.meta_regression is None
    assert words in found.reason


def test_plans_may_name_their_analyses() -> None:
    assert explored(ages=AGES, plans=[{"analyses": ("another",)}]).explorations == ()
    assert len(explored(ages=AGES, plans=[{"analyses": ("main",)}]).explorations) == 1


def test_without_a_table_the_exploration_says_so() -> None:
    found = exploration(
        ExplorationPlan(id="e", kind="meta_regression", moderators=("age",)),
        None,
        explored(ages=AGES).moderators,
    )
    assert found.reason == "no study of this review has a usable result for it"


def test_series_have_no_differences_between_arms() -> None:
    asked = series_plan()
    studies = [series(str(n), counted("A", n, 30)) for n in (1, 2, 3)]
    finding = analyse(asked, protocol(asked), studies, {study.id: study.label for study in studies})
    names = {column.name for column in finding.moderators}
    assert "age" in names and "age_difference" not in names
    assert moderator_column("ti_fcr", finding.numbers, "any_complication").values[0].value == "no"
