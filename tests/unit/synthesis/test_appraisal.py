"""On which concern about bias an answer rests, and what is left without the high one."""

from __future__ import annotations

import math

import pytest

from metakit.synthesis.analysis import analyse
from metakit.synthesis.appraisal import concern_of, shares_sentence
from metakit.synthesis.findings import AnalysisFinding
from tests.unit.synthesis.appraised import COHORT, SERIES, appraised
from tests.unit.synthesis.invented import (
    counted,
    plan,
    protocol,
    series,
    series_plan,
    trial,
)


def answer(*studies, **choices) -> AnalysisFinding:  # type: ignore[no-untyped-def]
    asked = plan(**choices)
    names = {study.id: study.label for study in studies}
    return analyse(asked, protocol(asked), studies, names)


def test_the_shares_are_those_of_the_pooled_weights_and_add_up() -> None:
    finding = answer(
        trial("1", 3, 6, fields=appraised("LLLLL")),
        trial("2", 5, 7, total=60, fields=appraised("LLHLL")),
        trial("3", 4, 9, total=50, fields=appraised("LLLSL")),
        trial("4", 6, 8, total=45, fields=appraised("SSSLL")),
        trial("5", 6, 7, total=55),
    )
    assert finding.result is not None
    weights = {row.study: row.weight for row in finding.result.studies}
    shares = {share.concern: share for share in finding.concerns}
    assert list(shares) == ["low", "some", "high", "not_appraised"]
    assert shares["high"].studies == ("Study 2", "Study 4")
    assert shares["high"].weight == pytest.approx(weights["Study 2"] + weights["Study 4"])
    assert math.fsum(share.weight for share in finding.concerns) == pytest.approx(1)
    said = shares_sentence(finding.concerns)
    assert said.startswith("It rests on 1 study of low concern with ")
    assert said.endswith(f"1 study not appraised with {100 * weights['Study 5']:.0f} % of the weight.")
    assert finding.to_json()["concerns"][2]["studies"] == ["Study 2", "Study 4"]


def test_the_judgement_for_the_outcome_counts() -> None:
    fields = appraised("LLLHL")
    fields["appraisal"]["judgements"].append(
        {"domain": "measurement", "outcome": "any_complication", "judgement": "low", "reason": "x", "page": 3}
    )
    study = trial("1", 3, 6, fields=fields)
    assert (concern_of(study, "any_complication"), concern_of(study, "dash")) == ("low", "high")


def test_without_high_concern_leaves_out_those_studies_and_names_them() -> None:
    finding = answer(
        trial("1", 3, 6, fields=appraised("LLLLL")),
        trial("2", 5, 7, total=60, fields=appraised("LLHLL")),
        trial("3", 4, 9, total=50, fields=appraised("LLLSL")),
    )
    alone = answer(
        trial("1", 3, 6, fields=appraised("LLLLL")), trial("3", 4, 9, total=50, fields=appraised("LLLSL"))
    )
    (row,) = (row for row in finding.sensitivity if row.name == "without_high_concern")
    assert row.label == "without the study of high concern about bias (Study 2)"
    assert row.answer.result is not None and alone.result is not None
    assert row.answer.result.estimate == alone.result.estimate
    assert not [row for row in alone.sensitivity if row.name == "without_high_concern"]


def test_nothing_left_is_said() -> None:
    finding = answer(trial("1", 3, 6, fields=appraised("HLLLL")), trial("2", 5, 7, fields=appraised("LLHLL")))
    (row,) = (row for row in finding.sensitivity if row.name == "without_high_concern")
    assert row.answer.result is None and row.answer.reason == "no study is left"


def test_another_report_of_the_same_patients_may_enter_instead() -> None:
    early = trial("early", 3, 6, total=40, cohort="one", fields=appraised("LLLLL"))
    late = trial("late", 5, 7, total=60, cohort="one", fields=appraised("LLHLL"))
    finding = answer(early, late)
    assert [study.name for study in finding.numbers] == ["Study late"]
    (row,) = (row for row in finding.sensitivity if row.name == "without_high_concern")
    assert row.answer.result is not None
    assert [entry.study for entry in row.answer.result.studies] == ["Study early"]


def test_serious_and_critical_are_high_and_lacking_information_is_not_known() -> None:
    def cohort(letters: str) -> str:
        fields = appraised(letters, COHORT)
        return concern_of(trial("1", 3, 6, design_group="comparative", fields=fields), "dash")

    assert [cohort(f"{worst}MLLLLL") for worst in "LMSCN"] == ["some", "some", "high", "high", "not_known"]
    assert cohort("LLLLLLL") == "low"


def test_series_judged_item_by_item_get_no_threshold() -> None:
    asked = series_plan()
    studies = [
        series(str(n), counted("A", n, 30), fields=appraised("YYYYNYYYUY", SERIES)) for n in range(1, 4)
    ]
    finding = analyse(asked, protocol(asked), studies, {study.id: study.label for study in studies})
    assert [share.concern for share in finding.concerns] == ["no_level"]
    assert shares_sentence(finding.concerns) == "It rests on 3 studies judged item by item."
    assert not [row for row in finding.sensitivity if row.name == "without_high_concern"]


def test_a_study_that_the_model_cannot_use_has_none_of_the_weight() -> None:
    finding = answer(
        trial("1", 0, 0, fields=appraised("LLLLL")),
        trial("2", 5, 7, total=60, fields=appraised("LLHLL")),
        trial("3", 4, 9, total=50, fields=appraised("LLHLL")),
    )
    low, high = finding.concerns
    assert (low.concern, low.weight, low.percent) == ("low", 0.0, "none")
    assert (high.concern, high.weight) == ("high", pytest.approx(1))


@pytest.mark.lengthy
def test_a_caution_where_most_of_the_answer_is_of_high_concern() -> None:
    def cautions(letters: str, other: str, **choices: str) -> list[str]:
        finding = answer(
            trial("1", 12, 20, total=90, fields=appraised(letters)),
            trial("2", 2, 3, total=30, fields=appraised(other)),
            trial("3", 2, 4, total=30, fields=appraised(other)),
            **choices,
        )
        return [text for text in finding.cautions if "concern about bias" in text]

    (said,) = cautions("LLHLL", "LLLLL", model="common_effect")
    assert said.startswith("Most of this answer rests on studies of high concern about bias: ")
    assert said.endswith(" % of the weight.")
    assert cautions("LLLLL", "LLHLL", model="common_effect") == []
    assert cautions("LLLLL", "LLHLL", model="one_stage")[0].endswith("bias: 2 of 3 studies.")
    assert cautions("LLHLL", "LLLLL", model="one_stage") == []


def test_one_study_of_high_concern_is_told_as_one() -> None:
    finding = answer(trial("1", 3, 6, fields=appraised("LLHLL")))
    assert "This answer rests on one study, and that is of high concern about bias." in finding.cautions


def test_without_weights_only_the_studies_of_the_model_count() -> None:
    finding = answer(
        trial("1", 0, 0, fields=appraised("LLLLL")),
        trial("2", 5, 7, total=60, fields=appraised("LLHLL")),
        trial("3", 4, 9, total=50, fields=appraised("LLHLL")),
        measure="odds_ratio",
        model="one_stage",
    )
    assert finding.result is not None
    used = {row.study for row in finding.result.studies}
    assert {name for share in finding.concerns for name in share.studies} == used
    assert all(share.weight is None for share in finding.concerns)
