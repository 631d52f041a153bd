"""The confounded cohort of the invented review is named beside its answer; what both arms had cancels."""

from __future__ import annotations

from dataclasses import replace

import pytest

from metakit.core.plans import ComparisonPlan
from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import certainty_of
from metakit.synthesis.analysis import analyse
from metakit.synthesis.gathering.rows import ArmNumbers, SideNumbers, StudyNumbers
from metakit.synthesis.returning.co_procedures import cancelling_notes, co_procedures, differing_words
from tests.demonstration import studies
from tests.unit.synthesis.invented import arm as invented_arm
from tests.unit.synthesis.invented import plan as one_analysis
from tests.unit.synthesis.invented import protocol, trial


def numbers(name: str, *arms: str) -> StudyNumbers:
    study = studies()[name]
    sides = tuple(
        SideNumbers(
            arms=(ArmNumbers(arm=study.arm(arm), value=study.outcomes[0], numbers={}, effective={}),), numbers={}, effective={}
        )
        for arm in arms
    )  # fmt: skip
    return StudyNumbers(study=study, name=study.label, sides=sides)


def plan(**more: tuple[str, ...]) -> ComparisonPlan:
    return ComparisonPlan(
        id="x", label="x", technique=("lrti",), technique_label="a", comparator=("lrti",), comparator_label="b", **more
    )  # fmt: skip


def test_each_difference_is_named_with_its_study() -> None:
    found = co_procedures([numbers("DEMO-26", "A", "B"), numbers("DEMO-12", "A", "B")], plan())
    assert [item.differ for item in found] == [
        ("MP volar capsulodesis", "partial trapezoid excision", "immobilisation of 2 against 6 weeks"),
        (),
    ]
    said = differing_words(found)
    assert said.startswith(
        "In one study the arms differ in more than is compared (DEMO-26 Cindermere: MP volar"
    )
    assert "partial trapezoid excision and immobilisation of 2 against 6 weeks)" in said
    assert differing_words(found[1:]) == ""


def test_what_the_comparison_asks_about_is_not_told() -> None:
    st = plan(st_option_1=("st_trapezoid_partial",), st_option_2=("st_arthritis_left",))
    assert co_procedures([numbers("DEMO-25", "A", "B")], st)[0].differ == ()
    assert co_procedures([numbers("DEMO-25", "A", "B")], plan())[0].differ == ("partial trapezoid excision",)
    bone = plan(osteophyte_option_1=("osteophyte_removed",), osteophyte_option_2=("osteophyte_left",))
    assert co_procedures([numbers("DEMO-21", "A", "B")], bone)[0].differ == ()
    assert co_procedures([numbers("DEMO-21", "A", "B")], plan())[0].differ == ("osteophytes removed",)


def test_shared_parts_cancel_and_say_so() -> None:
    (note,) = cancelling_notes(co_procedures([numbers("DEMO-01", "A", "B")], plan()))
    assert note == "DEMO-01 Quillmere: both arms had temporary pin; it cancels in the comparison."


def test_a_question_without_comparison_has_none() -> None:
    assert co_procedures([numbers("DEMO-26", "A", "B")], None) == ()


def test_what_one_report_says_and_the_other_arm_is_silent_of_is_said_so() -> None:
    study = studies()["DEMO-26"]
    silent = tuple(
        replace(arm, mp_option="mp_not_reported") if arm.mp_option == "mp_none" else arm for arm in study.arms
    )
    row = numbers("DEMO-26", "A", "B")
    sides = tuple(
        replace(
            side, arms=(replace(side.arms[0], arm=next(a for a in silent if a.id == side.arms[0].arm.id)),)
        )
        for side in row.sides
    )
    (found,) = co_procedures([replace(row, sides=sides)], plan())
    assert "MP volar capsulodesis (the report says nothing of the other arm)" in found.differ


PROSTHESES = ("prosthesis_ball_socket", "prosthesis_dual_mobility")
LRTI = ("trapeziectomy_total", "lr_fcr_slip", "ti_fcr")
KINDS = {
    "a co-procedure": ({"components": (*LRTI, "kwire_fixation")}, {"components": LRTI}, "temporary pin"),
    "MP option": ({"mp_option": "mp_pinning"}, {"mp_option": "mp_none"}, "MP pinning"),
    "immobilisation": ({"immobilisation_weeks": 6.0}, {"immobilisation_weeks": 2.0}, "6 against 2 weeks"),
    "prosthesis type": (
        {"technique": "by_components", "components": ("prosth_total_ballsocket",)},
        {"technique": "by_components", "components": ("prosth_total_dualmob",)},
        "total prosthesis",
    ),
    "osteophytes": (
        {"osteophyte_option": "osteophyte_removed"}, {"osteophyte_option": "osteophyte_left"},
        "osteophytes removed",
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_difference_cautions_and_lowers(kind: str) -> None:
    """A comparison whose arms differ in more than is asked: caution with study and difference, certainty lowered."""
    one, other, words = KINDS[kind]
    asked = "st_option"
    arms = (
        invented_arm("A", **{"technique": "lrti", "components": LRTI, "st_option": "st_trapezoid_partial", **one}),
        invented_arm("B", **{"technique": "lrti", "components": LRTI, "st_option": "st_arthritis_left", **other}),
    )  # fmt: skip
    comparison = ComparisonPlan(
        id="c", label="ST treated against left", technique=(arms[0].technique,), technique_label="treating",
        comparator=(arms[0].technique,), comparator_label="leaving",
        **{f"{asked}_1": ("st_trapezoid_partial",), f"{asked}_2": ("st_arthritis_left",)},
    )  # fmt: skip
    asking = replace(protocol(one_analysis(comparison="c")), comparisons=(comparison,))
    record = trial("1", 4, 9, arms=arms)
    finding = analyse(asking.analyses[0], asking, (record,), {record.id: "Study 1"})
    assert finding.result is not None
    (caution,) = [text for text in finding.cautions if "differ in more than is compared" in text]
    assert "Study 1" in caution
    assert words.lower() in caution.lower()
    lines = {line.proposal.domain: line.proposal for line in certainty_of(body_of(finding, asking)).lines}
    assert lines["indirectness"].levels == -1
    assert words.lower() in lines["indirectness"].reason.lower()
    # The same on both sides cancels, and says so where it came beside the technique.
    alike = tuple(replace(arm, **one) for arm in arms)
    record = trial("1", 4, 9, arms=alike)
    finding = analyse(asking.analyses[0], asking, (record,), {record.id: "Study 1"})
    assert not [text for text in finding.cautions if "differ in more" in text]
    lines = {line.proposal.domain: line.proposal for line in certainty_of(body_of(finding, asking)).lines}
    assert lines["indirectness"].levels == 0
    if kind in ("a co-procedure", "MP option", "osteophytes"):
        assert any("both arms had" in note and "cancels" in note for note in finding.notes)
