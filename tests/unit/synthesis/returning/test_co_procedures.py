"""The confounded cohort of the invented review is named beside its answer; what both arms had cancels."""

from __future__ import annotations

from metakit.core.plans import ComparisonPlan
from metakit.synthesis.gathering.rows import ArmNumbers, SideNumbers, StudyNumbers
from metakit.synthesis.returning.co_procedures import cancelling_notes, co_procedures, differing_words
from tests.demonstration import studies


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
