"""From records to causes of return: cohorts, breakdowns that do not add up, outcomes made of them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.core.returns import ArmReturns, CauseCount
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.returning.returns import returns_found, with_return_outcomes
from tests.unit.synthesis.invented import arm, series


def came_back(thumbs: int | None, total: int = 40, arm_id: str = "A", **facts) -> ArmReturns:
    counts = facts.pop("causes", {})
    return ArmReturns(
        arm=arm_id, kind=facts.pop("kind", "operation"), thumbs=thumbs, total=total,
        causes=tuple(CauseCount(cause=cause, thumbs=n) for cause, n in counts.items()), **facts,
    )  # fmt: skip


def telling(id_: str, *returns: ArmReturns, **facts):
    return replace(series(id_, arms=(arm("A", "lrti"),), **facts), returns=returns)


def found(*studies, **options):
    return returns_found(studies, display_names(studies), **options)


def test_causes_are_pooled_over_studies() -> None:
    answer = found(
        telling("1", came_back(5, causes={"residual_bone": 3, "infection": 2})),
        telling("2", came_back(4, causes={"residual_bone": 1, "mp_hyperextension": 3})),
        telling("3", came_back(0)),
    )
    assert answer.causes is not None
    overall = answer.causes.overall
    assert overall.thumbs_returned == 9
    assert sum(item.share.mean for item in overall.causes) == pytest.approx(1, abs=1e-12)
    assert [item.study for item in overall.set_aside] == ["Study 3"]
    assert answer.causes.by_technique == ()  # one technique only


def test_a_breakdown_with_too_much_overlaps_and_one_with_too_little_lacks_causes() -> None:
    answer = found(
        telling("1", came_back(5, causes={"residual_bone": 4, "infection": 3})),
        telling("2", came_back(6, causes={"residual_bone": 2})),
    )
    first, second = answer.rows
    assert (first.entry.overlap, first.entry.not_stated) == (True, 0)
    assert (second.entry.overlap, second.entry.not_stated) == (False, 4)
    said = [str(step) for step in answer.causes.overall.assumptions]
    assert any("taken to overlap" in line for line in said)
    assert any("without a stated cause" in line for line in said)


def test_thumb_years_are_derived_and_said() -> None:
    answer = found(telling("1", came_back(2, causes={"infection": 2})))
    assert answer.rows[0].entry.time == pytest.approx(40.0)  # 40 thumbs, 12 months
    assert any("mean follow-up" in str(step) for step in answer.causes.overall.assumptions)


def test_one_report_of_a_cohort_counts() -> None:
    early = telling("1", came_back(2, causes={"infection": 2}), cohort="same")
    late = telling("2", came_back(3, causes={"infection": 3}), cohort="same")
    answer = found(early, late)
    assert [row.study for row in answer.rows] == ["Study 2"]
    assert "same cohort" in answer.set_aside[0].reason


def test_trouble_lived_with_stands_apart() -> None:
    study = telling("1", came_back(2, causes={"infection": 2}),
                    came_back(4, kind="lived_with", causes={"pain_unexplained": 4}))  # fmt: skip
    assert found(study).causes.overall.thumbs_returned == 2
    assert found(study, kind="lived_with").causes.overall.thumbs_returned == 4


def test_nothing_told_is_said() -> None:
    assert found(telling("1")).reason == "no report says why thumbs came back"


def test_a_complete_breakdown_gives_zeros_and_an_incomplete_one_silence() -> None:
    whole = with_return_outcomes(telling("1", came_back(3, causes={"infection": 3})))
    values = {value.outcome: value for value in whole.outcomes}
    assert values["return_residual_bone"].reporting == "reported_zero"
    assert values["return_residual_bone"].events == 0
    lost = with_return_outcomes(telling("2", came_back(3, causes={"residual_bone": 1})))
    assert {value.outcome: value.events for value in lost.outcomes} == {"return_residual_bone": 1}


def test_a_typed_outcome_is_never_replaced() -> None:
    from tests.unit.synthesis.invented import counted

    typed = counted("A", 2, 40, outcome="return_residual_bone")
    study = replace(
        series("1", typed, arms=(arm("A", "lrti"),)), returns=(came_back(3, causes={"residual_bone": 3}),)
    )
    own = [value for value in with_return_outcomes(study).outcomes if value.outcome == "return_residual_bone"]
    assert own == [typed]
