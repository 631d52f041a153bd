"""An open question about a spread stands beside the answers that it can change, with what the study weighs."""

from __future__ import annotations

from dataclasses import replace

from metakit.errors import Problem
from metakit.synthesis.cautions import SPREAD_RULES, doubted_spreads
from metakit.synthesis.run import synthesise
from tests.unit.synthesis.invented import Folder, measured, plan, protocol, study

QUESTION = Problem(
    file="records/2.yaml", what="a standard error?", severity="question", rule="weight_of_a_slip",
    field="outcomes[1].standard_deviation", address="outcomes[A/dash/final/12/months].standard_deviation",
)  # fmt: skip


def review(*questions: Problem) -> Folder:
    studies = tuple(
        replace(
            study(str(n), measured("A", 20.0 + n, sd, 30), measured("B", 30.0, sd, 30)),
            file=f"records/{n}.yaml",
        )
        for n, sd in ((1, 15.0), (2, 2.8), (3, 14.0))
    )
    asked = protocol(plan("mean_difference", "dash", model="common_effect"))
    return Folder(protocol=asked, studies=studies, questions=questions)


def test_the_caution_stands_first_and_says_the_weight() -> None:
    quiet = synthesise(review()).analyses[0]
    (finding,) = synthesise(review(QUESTION)).analyses
    assert finding.cautions[1:] == quiet.cautions
    # One common effect: weights go with one over the squared spreads, all arms being of one size.
    share = 100 * 2.8**-2 / (15.0**-2 + 2.8**-2 + 14.0**-2)
    assert share > 66
    assert f"It carries {share:.0f} % of the weight as typed." in finding.cautions[0]
    assert "2" in finding.cautions[0] and "standard error?" in finding.cautions[0]


def test_only_open_questions_of_this_outcome_and_study_count() -> None:
    finding = synthesise(review()).analyses[0]

    def said(question: Problem) -> tuple[str, ...]:
        return doubted_spreads(finding.result, "dash", finding.numbers, [question])

    assert said(QUESTION)
    for other in (
        replace(QUESTION, severity="answered"),
        replace(QUESTION, rule="overlapping_cohorts"),
        replace(QUESTION, file="records/9.yaml"),
        replace(QUESTION, address="outcomes[A/quickdash/final/12/months].standard_deviation"),
    ):
        assert said(other) == ()
    assert QUESTION.rule in SPREAD_RULES
    assert doubted_spreads(None, "dash", finding.numbers, [QUESTION]) == ()
