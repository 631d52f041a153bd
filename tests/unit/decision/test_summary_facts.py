"""Time, designs, means and other counts behind a row of the summary of findings, and one count everywhere."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import all_certainties, certainty_json
from metakit.decision.summary import letter_of, summary_tables
from metakit.decision.summary_facts import beside_counts, comparator_mean, designs_of, months_of, when_of
from metakit.report.drawing.figure_content import forest_of
from metakit.synthesis.findings import AnalysisFinding, Findings
from tests.unit.decision.test_summary import SMALLEST, found, tables
from tests.unit.synthesis.gathering.test_reported_effects import CRUDE, compared
from tests.unit.synthesis.invented import arm, counted, measured, plan, study, trial


def cohort(id_: str, events_1: int, events_2: int) -> Any:
    return replace(trial(id_, events_1, events_2), design="cohort", design_group="comparative")


def test_one_count_of_studies_and_thumbs_in_figure_table_certainty_and_sentence() -> None:
    # "4 studies together" stood beside a row of 5 studies, and beside designs of 3 and 2.
    findings = found(
        trial("1", 4, 8), trial("2", 5, 8), trial("3", 3, 7), trial("4", 0, 0), cohort("5", 2, 6)
    )
    (finding,) = findings.analyses
    (table,) = tables(findings)
    (row,) = table.rows
    assert row.participants.startswith("400 thumbs in 5 studies (4 randomised, 1 not randomised)")
    assert finding.sentences[0].startswith("5 studies together")
    (certainty,) = certainty_json(all_certainties(findings))["certainty"]
    assert certainty["answer"].endswith(", 5 studies")
    assert sum(len(part.studies) for part in finding.by_design) == 5
    assert finding.table is not None
    forest = forest_of(finding, finding.table)
    assert sum(name in str(forest) for name in (item.name for item in finding.numbers)) == 5
    if finding.result is not None and finding.result.k < 5:
        assert f"{finding.result.k} can tell a risk ratio" in row.participants
        assert f"({finding.result.k} of which can tell a risk ratio)" in finding.sentences[0]


def test_designs_stand_apart_and_trials_first() -> None:
    findings = found(cohort("1", 4, 8), trial("2", 5, 8), trial("3", 3, 7), trial("4", 6, 9))
    told = designs_of(findings.analyses[0])
    assert told[0].startswith("trials alone (3): ") and told[1].startswith("not randomised alone (1): ")
    assert designs_of(found(trial("2", 5, 8), trial("3", 3, 7)).analyses[0]) == ()


@pytest.mark.parametrize(
    ("months", "when", "wide"),
    [
        ((12.0, 12.0), "12 months", False),
        ((11.0, 14.0), "12 months (11 to 14 months in the studies)", False),
        ((9.0, 24.0), "12 months (9 to 24 months in the studies)", True),
    ],
)
def test_follow_up_is_a_range_and_a_wide_one_has_a_caution(
    months: tuple[float, float], when: str, wide: bool
) -> None:
    class Part:
        def __init__(self, at: float) -> None:
            self.value = counted("A", 1, months=at)
            self.arm = arm("A")

    class Side:
        def __init__(self, at: float) -> None:
            self.arms = (Part(at),)

    class Numbers:
        def __init__(self, at: float) -> None:
            self.sides = (Side(at), Side(at))

    base = found(trial("1", 4, 8), trial("2", 5, 8)).analyses[0]
    finding: AnalysisFinding = replace(base, numbers=tuple(Numbers(at) for at in months))  # type: ignore[misc]
    assert months_of(finding) == months
    label, caution = when_of(finding)
    assert label == when
    assert bool(caution) == wide
    if wide:
        assert "9 to 24 months" in caution


def scores(*sides: tuple[float, float], kind: str = "final") -> Findings:
    records = [
        study(str(n), measured("A", one, 10, kind=kind), measured("B", two, 11, kind=kind))
        for n, (one, two) in enumerate(sides)
    ]
    dash = replace(SMALLEST, outcome="dash", smallest_important_difference=10)
    return found(*records, analyses=(plan("mean_difference", "dash"),), outcomes=(dash,))


def test_the_comparators_mean_stands_beside_a_difference_of_means() -> None:
    findings = scores((20, 30), (22, 26), (19, 34))
    mean = comparator_mean(findings.analyses[0])
    assert mean == (pytest.approx(30.0), 26.0, 34.0)  # equal arms of 40 thumbs
    (table,) = tables(findings)
    (base,) = table.rows[0].baselines
    assert base.with_comparator.startswith("30") and "26" in base.source and "34" in base.source
    body = body_of(findings.analyses[0], findings.protocol)
    assert body is not None and body.difference is not None
    assert float(base.with_technique.split(" ")[0]) == pytest.approx(30 + body.difference[0], abs=0.06)
    assert base.difference.endswith("points")
    mixed = replace(
        findings.analyses[0],
        numbers=(findings.analyses[0].numbers[0], scores((1, 2), kind="change").analyses[0].numbers[0]),
    )
    assert comparator_mean(mixed) is None
    assert comparator_mean(found(trial("1", 4, 8), trial("2", 5, 8)).analyses[0]) is None


def test_footnotes_have_one_letter_a_reason_in_the_order_of_need() -> None:
    findings = found(trial("1", 4, 8), trial("2", 5, 8), trial("3", 3, 7))
    (table,) = summary_tables(findings, all_certainties(findings))
    letters = [letter for letter, _ in table.footnotes]
    assert letters == [letter_of(number) for number in range(len(letters))] and letters
    assert [dict(table.footnotes)[mark] for mark in table.rows[0].marks] == list(table.rows[0].reasons)
    assert [letter_of(n) for n in (0, 25, 26, 27, 701, 702)] == ["a", "z", "aa", "ab", "zz", "aaa"]


def test_hazard_ratios_are_held_against_counts_of_the_same_outcome() -> None:
    revision = replace(SMALLEST, outcome="revision_index", window="last_follow_up")
    records = [compared(str(n), CRUDE, events=(30 + n, 20)) for n in range(3)]
    findings = found(
        *records[:2], compared("3", events=(33, 20)),
        analyses=(
            plan("hazard_ratio", "revision_index", id="hazard"), plan("risk_ratio", "revision_index", id="risk"),
        ),
        outcomes=(revision,),
    )  # fmt: skip
    answered = [(item, body) for item in findings.analyses if (body := body_of(item, findings.protocol))]
    hazard = next(pair for pair in answered if pair[1].measure == "hazard_ratio")
    text = beside_counts(*hazard, answered)
    assert "Counts of the same outcome say" in text and "the intervals lie" in text
    assert (
        beside_counts(*hazard, [hazard])
        == "No answer from counts of the same outcome stands beside this hazard ratio."
    )
    other = next(pair for pair in answered if pair[1].measure != "hazard_ratio")
    assert beside_counts(*other, answered) == ""
