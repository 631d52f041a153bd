"""Where all events are in one arm there is a limit and no estimate, and nobody is promised nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from metakit.core.limits import Limits
from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import all_certainties
from metakit.decision.summary import summary_tables
from metakit.measures.registry import MEASURES
from metakit.synthesis.absolute import absolute_effect
from metakit.synthesis.confidence import distribution_of
from metakit.synthesis.findings import Findings
from metakit.synthesis.terms import outcome_term
from metakit.synthesis.words import absolute_sentence, comparison_sentence, directions
from tests.unit.decision.test_summary import found
from tests.unit.synthesis.invented import COMPARISON, plan, trial

RISK = MEASURES["risk_ratio"]


@pytest.fixture(scope="module")
def findings() -> Findings:
    """Return an answer that is its upper limit alone, as the default gives it without an event in arm 1."""
    usual = found(*(trial(str(n), 2, 9 + n) for n in range(3)), analyses=(plan(model="half_normal"),))
    (finding,) = usual.analyses
    result = finding.result
    assert result is not None
    upper = Limits(-math.inf, result.interval.upper)
    alone = replace(result, estimate=-math.inf, mean=replace(result.mean, interval=upper), limit_only="upper")  # type: ignore[call-arg]
    absolute, _ = absolute_effect(alone, RISK, finding.numbers)
    return replace(
        usual, analyses=(replace(finding, answer=replace(finding.answer, result=alone), absolute=absolute),)
    )


def test_sentences_tell_the_limit_and_no_estimate(findings: Findings) -> None:
    (finding,) = findings.analyses
    assert finding.result is not None and finding.absolute is not None
    limit = math.exp(finding.result.interval.upper)
    sides = directions(outcome_term("any_complication"), COMPARISON, RISK)
    text = comparison_sentence(finding.result, RISK, None, sides, COMPARISON, "", 3)
    assert f"risk ratio at most {limit:.2f} (95 % limit; all events are in one arm" in text
    assert ("point to fewer complications" in text) == (limit < 1)
    said = absolute_sentence(finding.absolute, outcome_term("any_complication"), COMPARISON, "12 months")
    assert "after LRTI at most " in said and "about 0.0" not in said


def test_table_and_certainty_rest_on_the_limit(findings: Findings) -> None:
    (finding,) = findings.analyses
    body = body_of(finding, findings.protocol)
    assert body is not None and body.difference is not None and body.ratio is not None
    assert finding.result is not None
    assert body.only_limit == "upper"
    assert body.ratio[0] == body.ratio[2] == pytest.approx(math.exp(finding.result.interval.upper))
    assert body.difference[0] == body.difference[2]
    assert "risk ratio at most" in body.answer
    (table,) = summary_tables(findings, all_certainties(findings))
    (row,) = table.rows
    assert row.relative.startswith("Risk ratio at most ")
    for base in row.baselines:
        assert base.with_technique.startswith("at most ") and base.difference.startswith("at most ")
        assert base.needed == ""
    levels = {line.proposal.domain: line.levels for line in all_certainties(findings)[0].lines}
    assert levels["large_effect"] == 0


def test_the_distribution_has_no_end_where_the_answer_has_none(findings: Findings) -> None:
    result = findings.analyses[0].result
    assert result is not None
    spread = distribution_of(result)
    low, high = spread.quantile([0.025, 0.975])
    assert low == -math.inf and high == pytest.approx(result.interval.upper, abs=1e-9)
