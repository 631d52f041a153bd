"""The summary of findings: arithmetic, at most seven outcomes, the same words on the page, in Word and as CSV."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import replace
from typing import Any

import docx
import pytest

from metakit.core.plans import BaselinePlan, OutcomePlan
from metakit.core.values import FollowUp
from metakit.decision.absolute import NOT_QUITE_INDEPENDENT
from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import all_certainties
from metakit.decision.summary import MOST_OUTCOMES, SummaryTable, absolute_notes, summary_tables
from metakit.report.summary_files import summary_csv, summary_document
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise
from tests.unit.synthesis.invented import Folder, arm, counted, measured, plan, protocol, study, trial

SMALLEST = OutcomePlan(
    outcome="any_complication",
    importance="critical",
    window="12_months",
    smallest_important_difference=5,
    smallest_important_difference_source="invented panel",
)
REGISTER = BaselinePlan(
    label="a register",
    kind="registry",
    outcome="any_complication",
    events=30,
    thumbs=100,
    source="report, table 2",
)


def found(*studies: Any, analyses: Any = None, **facts: Any) -> Findings:
    defaults: dict[str, Any] = {"outcomes": (SMALLEST,), "baselines": (REGISTER,)}
    asked = protocol(*(analyses or (plan(),)))
    return synthesise(Folder(protocol=replace(asked, **(defaults | facts)), studies=studies))  # type: ignore[arg-type]


def tables(findings: Findings) -> tuple[SummaryTable, ...]:
    return summary_tables(findings, all_certainties(findings))


CARRIED = "Carried over."
FOUR = tuple(trial(str(n), 4 + n % 2, 8) for n in range(4))


def test_absolute_effects_stand_at_each_baseline() -> None:
    findings = found(*FOUR)
    body = body_of(findings.analyses[0], findings.protocol)
    assert body is not None
    own, register = body.absolute
    assert own.baseline.value == pytest.approx(0.2)
    assert register.baseline.value == 0.3
    ratio = body.ratio
    assert ratio is not None
    assert register.difference == pytest.approx(0.3 * (ratio[0] - 1))
    assert tuple(register.fixed) == pytest.approx([0.3 * (limit - 1) for limit in ratio[1:]])
    assert body.difference == pytest.approx([100 * 0.2 * (value - 1) for value in ratio])


def test_a_baseline_of_another_comparison_is_left_out() -> None:
    findings = found(*FOUR, baselines=(replace(REGISTER, comparisons=("another",)),))
    body = body_of(findings.analyses[0], findings.protocol)
    assert body is not None
    assert [item.baseline.kind for item in body.absolute] == ["comparator_arms"]


def test_a_row_says_everything_and_that_nobody_signed() -> None:
    (table,) = tables(found(*FOUR))
    (row,) = table.rows
    assert row.participants == "320 thumbs in 4 studies (4 randomised)"
    assert row.relative.startswith("Risk ratio 0.5")
    assert [base.baseline for base in row.baselines] == [
        "comparator arms of the same studies, pooled",
        "registry: a register",
    ]
    assert row.baselines[1].source == "30 in 100 thumbs; report, table 2"
    assert row.baselines[0].needed == ""  # the interval holds zero: a number would run through infinity
    assert row.probability.startswith("Posterior probability of at least 5 per 100 thumbs fewer")
    assert row.certainty.status_words == "proposed, unsigned"
    assert row.statement.startswith("The evidence is very uncertain about what LRTI does")


@pytest.mark.walk
def test_no_more_than_seven_outcomes_and_the_rest_is_named() -> None:
    names = (
        "any_complication", "major_complication", "infection_deep", "crps", "sbrn_neuropraxia", "any_reoperation",
        "implant_dislocation", "wound_superficial",
    )  # fmt: skip
    outcomes = tuple(replace(SMALLEST, outcome=name, importance="important") for name in names)
    outcomes = (*outcomes[:-1], replace(outcomes[-1], importance="critical"))
    values = [
        counted(side, events, outcome=name, definition=name)
        for name in names
        for side, events in (("A", 4), ("B", 8))
    ]
    findings = found(
        *(study(str(n), *values) for n in range(2)),
        analyses=tuple(plan(id=name, outcome=name) for name in names),
        outcomes=outcomes,
    )
    (table,) = tables(findings)
    answered = [row for row in findings.analyses if row.result is not None]
    assert len(answered) == 8
    assert len(table.rows) == MOST_OUTCOMES
    assert table.rows[0].rank == "critical"
    assert len(table.left_out) == 1


def test_scores_rates_and_missing_answers() -> None:
    dash = replace(SMALLEST, outcome="dash", smallest_important_difference=10)
    revision = replace(
        SMALLEST, outcome="revision_index", window="last_follow_up", smallest_important_difference=1
    )
    follow = FollowUp(
        mean=24.0, shortest=24.0, longest=24.0, thumb_years=80.0, thumb_years_basis="derived_mean"
    )
    arms = (arm("A", follow_up=follow), arm("B", "trapeziectomy", follow_up=follow))
    when = {
        "outcome": "revision_index",
        "definition": "revision_index",
        "time_label": "last_follow_up",
        "months": None,
    }
    records = [
        study(str(n), measured("A", 20 + n, 10), measured("B", 30 - n, 11), counted("A", 2, **when), counted("B", 4 + n, **when), arms=arms)
        for n in range(3)
    ]  # fmt: skip
    findings = found(
        *records,
        analyses=(
            plan("mean_difference", "dash", id="dash"),
            plan("rate_ratio", "revision_index", id="revision"),
            plan(id="nothing"),
        ),
        outcomes=(dash, revision, SMALLEST),
    )
    (table,) = tables(findings)
    assert [row.analysis for row in table.rows] == ["dash", "revision"]
    assert table.unanswered == (("Any complication", findings.analyses[2].answer.reason),)
    scores, rates = table.rows
    assert scores.baselines[0].difference.endswith("points")
    body = rates.certainty.body
    assert body.thresholds is not None
    # 1 per 100 thumbs over the two years that the studies watched is 0.5 per 100 thumb-years
    assert body.thresholds.smallest == pytest.approx(0.5)
    assert "mean follow-up of 2.0 years" in body.thresholds.source


def test_word_and_csv_say_what_the_table_says() -> None:
    findings = found(*FOUR)
    made = tables(findings)
    rows = list(csv.DictReader(io.StringIO(summary_csv(made, invented=True))))
    assert [row["baseline"] for row in rows] == [base.baseline for base in made[0].rows[0].baselines]
    assert rows[0]["in_plain_words"] == made[0].rows[0].statement
    hangs = made[0].rows[0].fragility
    assert "no difference here and in" in hangs and rows[0]["what_it_hangs_on"] == hangs
    assert all("INVENTED" in row["note"] for row in rows)
    content = summary_document(made, replace(findings.protocol, invented=True))
    assert content == summary_document(made, replace(findings.protocol, invented=True))
    document = docx.Document(io.BytesIO(content))
    paragraphs = [paragraph.text for paragraph in document.paragraphs]
    assert paragraphs[1].startswith("INVENTED DEMONSTRATION DATA")
    assert any("Decision support for licensed clinicians" in text for text in paragraphs[:6])
    cells = [cell.text for row in document.tables[0].rows for cell in row.cells]
    base = made[0].rows[0].baselines[0]
    assert any(base.with_technique in text for text in cells)
    assert any(made[0].rows[0].statement in text and hangs in text for text in cells)
    assert any("proposed, unsigned" in text for text in cells)
    assert made[0].rows[0].baselines[0].notes == (NOT_QUITE_INDEPENDENT,)
    assert paragraphs.count(NOT_QUITE_INDEPENDENT) == 1
    assert rows[0]["notes_on_absolute_effect"] == NOT_QUITE_INDEPENDENT


def test_notes_on_absolute_effects_stand_once_for_all_tables() -> None:
    (made,) = tables(found(*FOUR))
    row = made.rows[0]
    cut = replace(row.baselines[0], notes=(NOT_QUITE_INDEPENDENT, CARRIED))
    both = (made, replace(made, rows=(replace(row, baselines=(row.baselines[0], cut)),)))
    assert absolute_notes(both) == (NOT_QUITE_INDEPENDENT, CARRIED)
    lines = list(csv.DictReader(io.StringIO(summary_csv(both, invented=False))))
    assert lines[-1]["notes_on_absolute_effect"] == f"{NOT_QUITE_INDEPENDENT} {CARRIED}"


def test_files_hold_no_formula_no_person_and_no_day() -> None:
    hostile = "=cmd|' /C calc'!A0"
    findings = found(*FOUR)
    asked = replace(findings.protocol.comparisons[0], label=hostile, technique_label=hostile + "\x07\u202e")
    findings = found(*FOUR, comparisons=(asked,))
    made = tables(findings)
    first = next(csv.reader(io.StringIO(summary_csv(made, invented=False).split("\r\n", 1)[1])))
    assert first[0] == f"'{hostile}"
    content = summary_document(made, findings.protocol)
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        assert {entry.date_time for entry in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        core = packed.read("docProps/core.xml").decode()
    assert "python-docx" not in core
    assert "<dc:creator></dc:creator>" in core


def test_probabilities_agree_with_the_interval_beside_them_in_its_unit(demo_findings) -> None:
    seen = 0
    for item in all_certainties(demo_findings):
        body = item.body
        if body.exceeding is None or body.difference is None or body.thresholds is None:
            continue
        (fewer, more), (_, low, high), least = body.exceeding, body.difference, body.thresholds.smallest
        assert 0 <= fewer <= 1 and 0 <= more <= 1 and fewer + more <= 1 + 1e-9
        # A limit leaves out 2.5 %; a baseline's uncertainty, which the probability has, may add a little.
        for share, past, reached in ((fewer, high < -least, low < -least), (more, low > least, high > least)):
            assert share > 0.95 if past else share < 0.985, body.analysis
            assert reached or share < 0.05, body.analysis
        seen += 1
    assert seen > 20


def test_very_low_certainty_says_uncertain_alone_and_numbers_needed_never_run_through_infinity(
    demo_findings,
) -> None:
    for table in summary_tables(demo_findings, all_certainties(demo_findings)):
        for row in table.rows:
            if row.certainty.level == "very_low":
                assert row.statement.startswith("The evidence is very uncertain about what ")
                assert not any(sign.isdigit() for sign in row.statement)
            for base, one in zip(row.baselines, row.certainty.body.absolute, strict=False):
                low, high = one.fixed
                assert not base.needed or low * high > 0
            ends = re.findall(r"(\d+) to (\d+) months", row.when)
            assert all(first != last for first, last in ends), row.when
