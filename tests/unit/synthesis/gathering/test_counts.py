"""From counted outcomes to the numbers of an analysis: what enters, what is set aside, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.core.values import FollowUp
from tests.unit.synthesis.invented import (
    arm,
    counted,
    gathered,
    plan,
    reason_of,
    series,
    series_plan,
    study,
    trial,
)

TWO = (arm("A"), arm("B", "trapeziectomy"))


def sides(found, name="Study 1"):
    entry = next(item for item in found.studies if item.name == name)
    return [dict(side.numbers) for side in entry.sides]


def test_events_and_totals_enter_as_typed() -> None:
    found = gathered(plan(), trial("1", 3, 5))
    assert sides(found) == [{"events": 3, "total": 40}, {"events": 5, "total": 40}]
    assert not found.set_aside
    assert not found.assumptions


# Common practice, no source: 'no complications' is zero, silence is not.
def test_reported_zero_counts_as_none_and_silence_never_does() -> None:
    said = study("1", counted("A", None, reporting="reported_zero"), counted("B", 2))
    silent = study("2", counted("A", None, None, reporting="not_reported"), counted("B", 2))
    withheld = study("3", counted("A", None, None, reporting="measured_not_reported"), counted("B", 2))
    no_entry = study("4", counted("B", 2))
    found = gathered(plan(), said, silent, withheld, no_entry)
    assert [item.name for item in found.studies] == ["Study 1"]
    assert sides(found)[0] == {"events": 0, "total": 40}
    assert any("there were none" in step.rule for step in found.assumptions)
    assert {row.study: row.status for row in found.missing} == {
        "Study 2": "not_reported",
        "Study 3": "measured_not_reported",
        "Study 4": "not_reported",
    }
    assert "measured, not reported" in reason_of(found, "Study 3")


# As seen in a published abstract: 12.5 % of 37 thumbs is 4.6; no whole number of thumbs rounds to it.
def test_percentages_are_turned_back_only_where_a_whole_number_fits() -> None:
    arms = (arm("A", thumbs=37), arm("B", "trapeziectomy", thumbs=37))
    impossible = study("1", counted("A", None, 37, percent=12.5), counted("B", 4, 37), arms=arms)
    found = gathered(plan(), impossible)
    assert "12.5 % of 37 is 4.62, no whole number of thumbs" in reason_of(found, "Study 1")
    fitting = study(
        "2", counted("A", None, 37, percent=13.5), counted("B", 4, 37), arms=arms
    )  # 5 of 37 = 13.51 %
    found = gathered(plan(), fitting)
    assert sides(found, "Study 2")[0]["events"] == 5
    assert "13.5 % of 37 = 5.00, taken as 5" in found.assumptions[0].inputs


def test_a_coarse_percentage_says_what_else_would_round_to_it() -> None:
    arms = (arm("A", thumbs=700), arm("B", "trapeziectomy", thumbs=700))
    found = gathered(plan(), study("1", counted("A", None, 700, percent=2), counted("B", 9, 700), arms=arms))
    assert sides(found)[0]["events"] == 14
    assert "11 to 17 would round to the same" in found.assumptions[0].inputs


def test_a_percentage_of_nobody_knows_how_many_is_set_aside() -> None:
    arms = (arm("A", thumbs=None, patients=None), arm("B", "trapeziectomy"))
    found = gathered(plan(), study("1", counted("A", None, None, percent=10), counted("B", 2), arms=arms))
    assert "is not reported" in reason_of(found, "Study 1")


# Arithmetic of counts by kind: the sum is the upper bound, the commonest single kind the lower one.
def test_totals_of_events_are_not_totals_of_thumbs() -> None:
    events = counted("A", None, 40, event_count=9, counted="per_event")
    kind = counted("A", 4, 40, outcome="sbrn_neuropraxia", definition="sbrn_neuropraxia")
    record = study("1", events, kind, counted("B", 2))
    found = gathered(plan(), record)
    assert "counts events (9), not thumbs with an event; between 4 and 9 of 40" in reason_of(found, "Study 1")
    assert sides(gathered(plan(), record, per_event="fewest"))[0]["events"] == 4
    assert sides(gathered(plan(), record, per_event="most"))[0]["events"] == 9
    unclear = study("2", counted("A", 9, 40, counted="unclear"), counted("B", 2))
    assert "whether it counts thumbs or events" in reason_of(gathered(plan(), unclear), "Study 2")


def test_more_events_than_thumbs_are_bounded_by_the_thumbs() -> None:
    record = study("1", counted("A", None, 40, event_count=55, counted="per_event"), counted("B", 2))
    assert sides(gathered(plan(), record, per_event="most"))[0]["events"] == 40
    assert sides(gathered(plan(), record, per_event="fewest"))[0]["events"] == 1


# Cochrane Handbook 23.1, computed by hand: 45 thumbs of 35 patients, design effect 1.1333, effective number 39.7.
def test_thumbs_of_one_patient_are_not_independent() -> None:
    arms = (arm("A", thumbs=45, patients=35), arm("B", "trapeziectomy", thumbs=40))
    record = study("1", counted("A", 18, 45), counted("B", 4), arms=arms)
    found = gathered(plan(), record)
    effective = found.studies[0].sides[0].effective
    assert effective["total"] == pytest.approx(39.7, abs=0.05)
    assert effective["events"] / effective["total"] == pytest.approx(18 / 45, rel=1e-12)
    assert found.studies[0].sides[0].numbers == {"events": 18, "total": 45}
    assert any("design effect 1.13333" in step.inputs for step in found.assumptions)
    assert not gathered(plan(), record, icc=0.0).studies[0].has_effective_numbers


def test_bilateral_cases_give_the_patients_where_they_are_not_typed() -> None:
    arms = (arm("A", thumbs=45, patients=None, bilateral=10), arm("B", "trapeziectomy"))
    found = gathered(plan(), study("1", counted("A", 18, 45), counted("B", 4), arms=arms))
    assert found.studies[0].sides[0].effective["total"] == pytest.approx(39.7, abs=0.05)


def test_unknown_patients_are_said_and_impossible_ones_refused() -> None:
    arms = (arm("A", patients=None), arm("B", "trapeziectomy"))
    found = gathered(plan(), study("1", counted("A", 3), counted("B", 4), arms=arms))
    assert any("taken as independent" in step.rule for step in found.assumptions)
    arms = (arm("A", patients=15), arm("B", "trapeziectomy"))
    found = gathered(plan(), study("1", counted("A", 3), counted("B", 4), arms=arms))
    assert "40 thumbs of 15 patients are impossible" in reason_of(found, "Study 1")


def test_counts_of_patients_may_be_compared_but_not_described_as_thumbs() -> None:
    two = (arm("A", thumbs=45, patients=35), arm("B", "trapeziectomy", thumbs=45, patients=36))
    record = study(
        "1",
        counted("A", 7, 35, unit_of_analysis="patients"),
        counted("B", 5, 36, unit_of_analysis="patients"),
        arms=two,
    )
    found = gathered(plan(), record)
    assert sides(found) == [{"events": 7, "total": 35}, {"events": 5, "total": 36}]
    assert any("counted in patients" in step.rule for step in found.assumptions)
    one = series(
        "2",
        counted("A", 7, 35, unit_of_analysis="patients"),
        arms=(arm("A", "denervation", thumbs=45, patients=35),),
    )
    assert "a share of thumbs does not follow" in reason_of(gathered(series_plan(), one), "Study 2")
    single = series(
        "3", counted("A", 7, 35, unit_of_analysis="patients"), arms=(arm("A", "denervation", thumbs=35),)
    )
    assert len(gathered(series_plan(), single).studies) == 1


def test_an_unclear_unit_and_an_unusable_number_are_set_aside() -> None:
    unclear = study("1", counted("A", 3, unit_of_analysis="unclear"), counted("B", 4))
    unusable = study(
        "2", replace(counted("A", 3), unusable="the report does not state the unit"), counted("B", 4)
    )
    found = gathered(plan(), unclear, unusable)
    assert "whether thumbs or patients are counted" in reason_of(found, "Study 1")
    assert "does not state the unit" in reason_of(found, "Study 2")


def test_arms_of_one_side_are_combined_and_no_thumb_counts_twice() -> None:
    arms = (arm("A"), arm("B", "trapeziectomy"), arm("C", label="LRTI with pin"), arm("D", "suture_button"))
    record = study("1", counted("A", 3), counted("B", 5), counted("C", 4), counted("D", 9), arms=arms)
    found = gathered(plan(), record)
    assert sides(found) == [{"events": 7, "total": 80}, {"events": 5, "total": 40}]
    assert any("no thumb is counted twice" in step.rule for step in found.assumptions)
    assert any("suture_button D" in note and "neither side" in note for note in found.notes)


def test_an_arm_without_the_outcome_does_not_cost_its_side_the_other() -> None:
    arms = (arm("A"), arm("B", "trapeziectomy"), arm("C", label="LRTI with pin"))
    found = gathered(plan(), study("1", counted("A", 3), counted("B", 5), arms=arms))
    assert sides(found)[0] == {"events": 3, "total": 40}
    assert any(
        step.rule == "arm left out of its side" and "LRTI with pin: not reported" in step.inputs
        for step in found.assumptions
    )


def test_mixed_arms_within_person_designs_and_retractions_are_set_aside() -> None:
    mixed = trial("1", 3, 5, arms=(arm("A", mixed=True), arm("B", "trapeziectomy")))
    within = trial("2", 3, 5, within_person=True)
    retracted = trial("3", 3, 5, fields={"study": {"retracted": "retracted"}})
    cases = trial("4", 3, 5, design="case_control", design_group="comparative")
    found = gathered(plan(), mixed, within, retracted, cases)
    assert not found.studies
    assert "mixes techniques" in reason_of(found, "Study 1")
    assert "paired analysis" in reason_of(found, "Study 2")
    assert "retracted" in reason_of(found, "Study 3")
    assert "risks cannot be computed" in reason_of(found, "Study 4")
    assert len(gathered(plan("odds_ratio"), cases).studies) == 1


def test_a_study_about_another_question_is_not_listed() -> None:
    other = study(
        "1", counted("A", 3), counted("B", 4), arms=(arm("A", "arthrodesis"), arm("B", "suture_button"))
    )
    found = gathered(plan(), other)
    assert not found.studies
    assert not found.set_aside


def test_series_never_enter_comparisons_nor_the_other_way_round() -> None:
    looks_comparative = series("1", counted("A", 3), counted("B", 4), arms=TWO)
    found = gathered(plan(), looks_comparative)
    assert "its arms are no comparison" in reason_of(found, "Study 1")
    trial_arm = study(
        "2", counted("A", 3), counted("B", 4), arms=(arm("A", "denervation"), arm("B", "trapeziectomy"))
    )
    alone = series("3", counted("A", 3))
    found = gathered(series_plan(), trial_arm, alone)
    assert [item.name for item in found.studies] == ["Study 3"]
    assert any("Study 2" in note and "kept out" in note for note in found.notes)


def test_definitions_that_do_not_fit_are_set_aside_by_name() -> None:
    fits = trial("1", 3, 5)
    other = study(
        "2", counted("A", 3, definition="revision_salvage"), counted("B", 5, definition="revision_salvage")
    )
    unstated = study("3", counted("A", 3, definition=""), counted("B", 5, definition=""))
    found = gathered(plan(), fits, other, unstated)
    assert [item.name for item in found.studies] == ["Study 1", "Study 3"]
    assert "another definition (Salvage operation)" in reason_of(found, "Study 2")
    assert [
        item.name
        for item in gathered(plan(), fits, unstated, only_definition="any_complication_author").studies
    ] == ["Study 1"]


def test_the_time_nearest_the_target_that_all_arms_share_is_used_and_the_others_are_listed() -> None:
    outcomes = [
        counted("A", 2, months=11.0, time_label="11 months"),
        counted("A", 3, months=15.0, time_label="15 months"),
        counted("B", 5, months=15.0, time_label="15 months"),
        counted("A", 9, months=60.0, time_label="60 months"),
    ]
    found = gathered(plan(), study("1", *outcomes))
    assert sides(found)[0]["events"] == 3  # 11 months lie nearer to 12, but only arm A has them
    assert any(
        "15 months used; also reported and not used: 11 months, 60 months" in note for note in found.notes
    )


def test_a_time_outside_the_window_is_said() -> None:
    late = study("1", counted("A", 2, months=60.0), counted("B", 2, months=60.0))
    assert "reported at 60 months only, outside the window of 12 months" in reason_of(
        gathered(plan(), late), "Study 1"
    )


def test_arms_at_different_times_are_noted() -> None:
    found = gathered(plan(), study("1", counted("A", 2, months=12.0), counted("B", 2, months=16.0)))
    assert any("compared at different times" in note for note in found.notes)


# Common practice, no source: longest over shortest above 4 has no honest window; the study enters rates only.
def test_wide_follow_up_enters_rates_only() -> None:
    wide = FollowUp(mean=14.0, shortest=1.0, longest=69.0)
    arms = (arm("A", follow_up=wide), arm("B", "trapeziectomy", follow_up=wide))
    last = [counted(name, 3, months=14.0, time_label="last_follow_up") for name in "AB"]
    found = gathered(plan(), study("1", *last, arms=arms))
    assert "no time point" in reason_of(found, "Study 1")
    assert len(gathered(plan("rate_ratio"), study("1", *last, arms=arms)).studies) == 1
    # A fixed time that everybody reached is a time point, however long some were followed afterwards.
    reached = FollowUp(mean=30.0, shortest=12.0, longest=90.0)
    arms = (arm("A", follow_up=reached), arm("B", "trapeziectomy", follow_up=reached))
    assert len(gathered(plan(), trial("2", 3, 5, arms=arms)).studies) == 1


def test_one_report_of_a_cohort_enters_and_the_choice_is_logged() -> None:
    early = trial("1", 3, 5, cohort="same")
    small = trial("2", 3, 5, 30, cohort="same")
    other = trial("3", 1, 2, cohort="not_reported")
    fourth = trial("4", 1, 2, cohort="not_reported")
    found = gathered(plan(), small, early, other, fourth)
    assert [item.name for item in found.studies] == ["Study 1", "Study 3", "Study 4"]
    assert (
        "the same cohort (same) as Study 1, which is used (more thumbs or thumb-years: 80 against 60)"
        in reason_of(found, "Study 2")
    )
    assert any("stands for the cohort same" in note for note in found.notes)


def test_the_report_nearest_the_window_wins_over_the_larger_one() -> None:
    near = study("1", counted("A", 3, 30), counted("B", 3, 30), cohort="same")
    far = study("2", counted("A", 3, months=17.0), counted("B", 3, months=17.0), cohort="same")
    found = gathered(plan(), far, near)
    assert [item.name for item in found.studies] == ["Study 1"]
    assert "nearer to 12 months" in reason_of(found, "Study 2")


def test_an_unusable_report_does_not_block_its_cohort() -> None:
    unusable = study("1", counted("A", 3, unit_of_analysis="unclear"), counted("B", 3), cohort="same")
    found = gathered(plan(), unusable, trial("2", 3, 5, cohort="same"))
    assert [item.name for item in found.studies] == ["Study 2"]


def test_every_study_with_the_right_arms_is_used_or_set_aside_once() -> None:
    studies = [
        trial("1", 3, 5), trial("2", 3, 5, within_person=True), study("3", counted("A", 1)),
        trial("4", 0, 0, cohort="x"), trial("5", 1, 0, cohort="x"), study("6", counted("A", 2, counted="unclear"), counted("B", 1)),
    ]  # fmt: skip
    found = gathered(plan(), *studies)
    used, aside = [item.name for item in found.studies], [item.study for item in found.set_aside]
    assert sorted(used + aside) == [f"Study {n}" for n in range(1, 7)]


def test_two_studies_of_one_label_keep_their_own_names() -> None:
    found = gathered(plan(), trial("1", 3, 5, label="Same"), trial("2", 2, 5, label="Same"))
    assert [item.name for item in found.studies] == ["Same [1]", "Same [2]"]
