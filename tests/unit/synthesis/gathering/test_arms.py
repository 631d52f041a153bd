"""Arms that fit a comparison: options at each source of trouble, within one technique."""

from __future__ import annotations

from dataclasses import replace

from metakit.core.plans import ComparisonPlan
from metakit.core.returns import SubgroupValue
from metakit.core.values import Band
from metakit.measures.registry import MEASURES
from metakit.synthesis.gathering.arms import comparison_candidates
from tests.unit.synthesis.invented import arm, counted, series, study

SPURS = ComparisonPlan(
    id="spurs",
    label="Osteophytes removed against left",
    technique=("lrti", "trapeziectomy"),
    technique_label="osteophytes removed",
    comparator=("lrti", "trapeziectomy"),
    comparator_label="osteophytes left",
    osteophyte_option_1=("osteophyte_removed",),
    osteophyte_option_2=("osteophyte_left",),
)


def found(*arms):
    one = study("1", *(counted(each.id, 2, 40) for each in arms), arms=arms)
    return comparison_candidates(SPURS, MEASURES["risk_ratio"], [one], {one.id: one.label})


def test_options_tell_arms_of_one_technique_apart() -> None:
    removed = replace(arm("A", "lrti"), osteophyte_option="osteophyte_removed")
    left = replace(arm("B", "lrti"), osteophyte_option="osteophyte_left")
    silent = arm("C", "lrti")
    gathered = found(removed, left, silent)
    assert [tuple(each.id for each in side) for side in gathered.candidates[0].sides] == [("A",), ("B",)]
    assert "belongs to neither side" in gathered.notes[0]


def test_arms_that_also_differ_in_technique_are_set_aside_with_the_reason() -> None:
    removed = replace(arm("A", "lrti"), osteophyte_option="osteophyte_removed")
    left = replace(arm("B", "trapeziectomy"), osteophyte_option="osteophyte_left")
    gathered = found(removed, left)
    assert not gathered.candidates
    assert "differ in technique" in gathered.set_aside[0].reason


def test_a_study_without_the_options_is_not_about_the_question() -> None:
    assert not found(arm("A", "lrti"), arm("B", "trapeziectomy")).set_aside


def test_parts_of_one_arm_are_compared_where_a_report_tells_them_apart() -> None:
    whole = replace(arm("A", "lrti"), osteophyte_option="osteophyte_some_removed")
    parts = tuple(
        SubgroupValue(value=counted("A", events, total), osteophyte_option=option)
        for option, events, total in (("osteophyte_removed", 1, 25), ("osteophyte_left", 4, 15))
    )
    one = replace(series("1", arms=(whole,)), subgroups=parts)
    gathered = comparison_candidates(SPURS, MEASURES["risk_ratio"], [one], {one.id: one.label})
    sides = gathered.candidates[0].sides
    assert [(side[0].id, side[0].thumbs) for side in sides] == [
        ("A:osteophyte_removed", 25), ("A:osteophyte_left", 15),
    ]  # fmt: skip
    assert gathered.candidates[0].study.design_group == "comparative"
    assert "thumb by thumb" in gathered.notes[0]


def test_parts_in_bands_of_the_angle_are_not_mixed_with_the_whole() -> None:
    parts = tuple(
        SubgroupValue(value=counted("A", 1, 20), osteophyte_option=option, mp_before=Band(lower=30))
        for option in ("osteophyte_removed", "osteophyte_left")
    )
    one = replace(series("1", arms=(arm("A", "lrti"),)), subgroups=parts)
    assert not comparison_candidates(SPURS, MEASURES["risk_ratio"], [one], {one.id: one.label}).candidates
