"""Arms that fit a comparison: options at each source of trouble, within one technique."""

from __future__ import annotations

from dataclasses import replace

from metakit.core.plans import ComparisonPlan
from metakit.core.returns import SubgroupValue
from metakit.core.values import Band
from metakit.measures.registry import MEASURES
from metakit.synthesis.gathering.arms import comparison_candidates
from tests.unit.synthesis.invented import arm, counted, series, study, trial

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


PINNED = ComparisonPlan(
    id="pinned", label="MP joint pinned or left, over 30 degrees", technique=("lrti",), technique_label="pinning",
    comparator=("lrti",), comparator_label="no procedure", mp_option_1=("mp_pinning",), mp_option_2=("mp_none",),
    mp_before=Band(lower=30),
)  # fmt: skip


def in_bands(*bands: tuple[str, Band, int, int], **facts: str):
    arms = (replace(arm("A", "lrti"), mp_option="mp_pinning"), arm("B", "lrti"))
    parts = tuple(
        SubgroupValue(value=counted(id_, events, total), mp_before=band, **facts)
        for id_, band, events, total in bands
    )
    one = replace(trial("1", 3, 4, arms=arms), subgroups=parts)
    return comparison_candidates(PINNED, MEASURES["risk_ratio"], [one], {one.id: one.label})


OVER, FROM_35, TO_30 = Band(lower=30), Band(lower=35, lower_inside=True), Band(upper=30, upper_inside=True)


def test_a_band_of_the_angle_restricts_both_sides_to_parts_of_arms() -> None:
    """A narrower band lies in the asked one; a lower one does not; the design of the study stays."""
    gathered = in_bands(("A", FROM_35, 1, 12), ("B", OVER, 4, 15), ("A", TO_30, 0, 28), ("B", TO_30, 1, 25))
    (candidate,) = gathered.candidates
    assert [[one.thumbs for one in side] for side in candidate.sides] == [[12], [15]]
    assert candidate.study.design_group == "randomised"
    assert "a part of each arm" in gathered.notes[0]


def test_whole_arms_never_answer_for_a_band() -> None:
    assert not in_bands(("A", TO_30, 0, 28), ("B", TO_30, 1, 25)).candidates


def test_a_band_across_the_asked_one_is_named_and_left_out() -> None:
    across = Band(lower=20, upper=40)
    gathered = in_bands(("A", across, 1, 12), ("B", OVER, 4, 15))
    assert not gathered.candidates
    assert "run across over 30 degrees" in gathered.notes[0]


def test_bands_that_hold_the_same_thumbs_enter_once() -> None:
    """Over 30 and, of them, 40 and more: the wider one counts."""
    from_40 = Band(lower=40, lower_inside=True)
    gathered = in_bands(
        ("A", OVER, 2, 20), ("A", from_40, 1, 8), ("B", Band(lower=30, upper=40), 1, 9), ("B", from_40, 3, 6)
    )
    (candidate,) = gathered.candidates
    assert [[one.thumbs for one in side] for side in candidate.sides] == [[20], [9, 6]]
