"""Arms that fit a comparison: options at each source of trouble, within one technique."""

from __future__ import annotations

from dataclasses import replace

from metakit.core.records import ComparisonPlan
from metakit.measures.registry import MEASURES
from metakit.synthesis.arms import comparison_candidates
from tests.unit.synthesis.invented import arm, counted, study

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
