"""Every sentence about a result agrees with its numbers, on tables drawn at random.

Checked are direction, crossing of no difference and of thresholds, counts of studies, largest and smallest, and that
probabilities come from the distribution behind the interval. The numbers are read back from the sentence.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from metakit.core.effects import EffectTable
from metakit.core.plans import AnalysisPlan, OutcomePlan
from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import LEVELS, all_certainties
from metakit.decision.evidence import EvidenceBody
from metakit.decision.statements import SIZES, statement
from metakit.decision.summary import summary_tables
from metakit.measures.natural import natural_values
from metakit.measures.registry import MEASURES
from metakit.synthesis.confidence import contradicts, distribution_of
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.run import synthesise
from metakit.synthesis.without_pooling import unpooled_finding
from metakit.synthesis.words import directions
from tests.unit.synthesis.invented import COMPARISON, Folder, plan, protocol, trial

OUTCOME = OutcomePlan(
    outcome="any_complication",
    importance="critical",
    window="12_months",
    smallest_important_difference=5,
    moderate_difference=10,
    large_difference=20,
    smallest_important_difference_source="invented",
)
NUMBER = r"(?:[−-]?[0-9][0-9 ]*(?:\.[0-9]+)?(?:×10[⁻⁰¹²³⁴⁵⁶⁷⁸⁹]+)?|∞|−∞)"
MEASURE_NAMES = ("risk_ratio", "odds_ratio", "risk_difference")


@st.composite
def tables(draw: st.DrawFn) -> tuple[tuple[int, int, int], ...]:
    k = draw(st.integers(2, 7))
    rows = []
    for _ in range(k):
        total = draw(st.integers(8, 150))
        high = draw(st.sampled_from((total // 12, total // 3, total)))
        rows.append((draw(st.integers(0, high)), draw(st.integers(0, high)), total))
    return tuple(rows)


def found(rows: tuple[tuple[int, int, int], ...], measure: str) -> Findings:
    studies = tuple(trial(str(n), one, two, total) for n, (one, two, total) in enumerate(rows))
    asked: AnalysisPlan = plan(measure)
    return synthesise(Folder(protocol=replace(protocol(asked), outcomes=(OUTCOME,)), studies=studies))  # type: ignore[arg-type]


def number(text: str) -> float:
    plain = text.replace("−", "-").replace(" ", "").replace("∞", "inf")
    if "×10" in plain:
        lead, _, power = plain.partition("×10")
        return float(lead) * 10.0 ** int(power.translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")))
    return float(plain)


def close(text: str, value: float) -> bool:
    shown = number(text)
    if np.isinf(shown) or np.isinf(value):
        return shown == value
    digits = len(text.partition("×")[0].partition(".")[2])
    return abs(shown - value) <= max(0.5 * 10.0**-digits * 1.001, 0.06 * abs(value))


SLOW = settings(max_examples=25, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate], suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])  # fmt: skip


@pytest.mark.walk
@SLOW
@given(tables(), st.sampled_from(MEASURE_NAMES))
def test_every_sentence_of_an_answer_agrees_with_its_numbers(
    rows: tuple[tuple[int, int, int], ...], measure: str
) -> None:
    findings = found(rows, measure)
    finding = findings.analyses[0]
    if finding.result is None:
        assert not any("point to" in text for text in finding.sentences)
        return
    _direction_and_numbers(finding, len(rows))
    _importance(finding)
    _probabilities(finding)
    body = body_of(finding, findings.protocol)
    assert body is not None
    _statement(body)
    _certainty(findings, body)
    _summary(findings, len(rows), sum(2 * total for *_, total in rows))


def _direction_and_numbers(finding: AnalysisFinding, k: int) -> None:
    result = finding.result
    assert result is not None
    entry = MEASURES[finding.plan.measure]
    values = natural_values(result, entry, finding.plan.scale)
    first = finding.sentences[0]
    read = re.search(rf"{entry.label} ({NUMBER})[^()]* \(95 % interval ({NUMBER}) to ({NUMBER})\)", first)
    if read is None:  # no point estimate: all events in one arm
        assert result.limit_only
        assert ("at most" if result.limit_only == "upper" else "at least") in first
        return
    for text, value in zip(read.groups(), (values.estimate, values.lower, values.upper), strict=True):
        assert close(text, value), (text, value, first)
    assert first.startswith(f"{k} studies together"), first
    across = values.lower <= values.null <= values.upper
    assert ("point to" in first) == (not across), first
    assert ("leave open which it is" in first) == across, first
    assert ("The whole interval lies on that side" in first) == (not across)
    if not across:
        assert ("fewer complications" in first) == (values.upper < values.null), first
    assert "significan" not in " ".join(finding.sentences)
    assert "standard deviation (tau) of 0.00" not in " ".join(finding.sentences)
    if values.prediction and result.posterior is not None:
        low, high = values.prediction
        assert low <= values.lower + 1e-9 and high >= values.upper - 1e-9, (
            values.prediction,
            values.interval,
        )


def _importance(finding: AnalysisFinding) -> None:
    text = next((item for item in finding.sentences if item.startswith("The protocol calls")), "")
    if finding.absolute is None or not text:
        return
    _, low, high = finding.absolute.difference
    assert ("holds no difference as large" in text) == (low > -5 and high < 5), text
    assert ("holds only differences at least as large" in text) == (high <= -5 or low >= 5), text
    assert ("in both directions" in text) == (low <= -5 and high >= 5), text


def _probabilities(finding: AnalysisFinding) -> None:
    result = finding.result
    assert result is not None
    null = MEASURES[finding.plan.measure].null_value or 0.0
    spread = distribution_of(result)
    if not all(map(np.isfinite, result.interval)) or getattr(result, "limit_only", ""):
        return
    tolerance = 1e-6 if spread.basis == "posterior" else 1e-9
    assert float(spread.below(result.interval.lower)) == pytest.approx(0.025, abs=tolerance)
    assert float(spread.below(result.interval.upper)) == pytest.approx(0.975, abs=tolerance)
    assert float(spread.below(result.estimate)) == pytest.approx(0.5, abs=tolerance)
    np.testing.assert_allclose(
        spread.quantile(np.array([0.025, 0.975])), result.interval, rtol=1e-5, atol=1e-7
    )
    p = result.mean.p_value
    if p is not None and not contradicts(result, null):
        share = float(spread.below(null))
        assert 2 * min(share, 1 - share) == pytest.approx(p, abs=0.0101)


def _statement(body: EvidenceBody) -> None:
    for level in LEVELS:
        text = statement(body, level)
        if level == "very_low":
            assert text.startswith("The evidence is very uncertain")
            assert not any(size in text for size in SIZES.values())
            continue
        if body.difference is None or body.thresholds is None:
            continue
        for limit in body.difference[1:]:
            size = body.thresholds.size(limit)
            noun = "difference" if size == "trivial" else "reduction" if limit < 0 else "rise"
            assert f"{SIZES[size]} {noun}" in text, (text, body.difference)
        spans = body.thresholds.crossed(*body.difference[1:])
        assert ("anything from" in text) == (len({_class(body, limit) for limit in body.difference[1:]}) > 1), (
            text, spans,
        )  # fmt: skip


def _class(body: EvidenceBody, limit: float) -> tuple[str, bool]:
    assert body.thresholds is not None
    size = body.thresholds.size(limit)
    return size, size != "trivial" and limit < 0


def _certainty(findings: Findings, body: EvidenceBody) -> None:
    (certainty,) = all_certainties(findings)
    lines = {line.proposal.domain: line.proposal for line in certainty.lines}
    reason = lines["imprecision"].reason
    if body.difference is not None and body.thresholds is not None:
        held = body.thresholds.crossed(*body.difference[1:])
        assert ("holds no threshold" in reason) == (not held), reason
        if held:
            noun = "threshold" if len(held) == 1 else "thresholds"
            assert f"holds {len(held)} {noun}:" in reason, reason
            assert lines["imprecision"].levels < 0
    told = lines["inconsistency"].reason
    assert "No threshold is crossed" not in told
    assert "no spread" not in told
    if body.thresholds is not None and body.prediction is not None and lines["inconsistency"].levels == 0:
        beyond = body.thresholds.crossed(*body.prediction)
        assert bool(beyond) == ("prediction interval" in told), told
        assert bool(lines["inconsistency"].open) or not beyond
    if body.exceeding is not None and body.thresholds is not None and body.difference is not None:
        fewer, more = body.exceeding
        assert 0 <= fewer <= 1 and 0 <= more <= 1 and fewer + more <= 1 + 1e-9


def _summary(findings: Findings, k: int, thumbs: int) -> None:
    (table,) = summary_tables(findings, all_certainties(findings))
    for row in table.rows:
        assert row.participants.startswith(f"{thumbs} thumbs in {k} studies"), row.participants
        for base in row.baselines:
            assert "∞" not in base.needed


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.floats(-3, 3), st.floats(0.01, 4)), min_size=2, max_size=12))
def test_a_synthesis_without_pooling_counts_and_orders_what_is_there(rows: list[tuple[float, float]]) -> None:
    effect, variance = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    table = EffectTable(
        measure="risk_ratio", scale="log", study=tuple(f"s{n}" for n in range(len(rows))), effect=effect,
        variance=variance, estimable=np.ones(len(rows), dtype=bool),
    )  # fmt: skip
    measure = MEASURES["risk_ratio"]
    from metakit.synthesis.terms import outcome_term

    sides = directions(outcome_term("any_complication"), COMPARISON, measure)
    told = unpooled_finding(
        table, measure, planned="differences between operations", why="", level=0.95, unit="", sides=sides,
        comparison=COMPARISON,
    )  # fmt: skip
    assert told is not None
    text = " ".join(told.sentences)
    below, above = int(np.sum(effect < 0)), int(np.sum(effect > 0))
    assert "point to" not in text
    most, fewest = max(below, above), min(below, above)
    side = "fewer" if below > above else "more" if above > below else None
    if fewest:
        assert f"of {below + above} studies with a direction, {most} lie" in text or most == 1, text
        assert f" and {fewest} on that of " in text
    if side and most > 1:
        assert re.search(
            rf"{most} (?:studies with a direction )?lie on the side of {side} complications", text
        ), text
    run = re.search(rf"runs from ({NUMBER}) to ({NUMBER})", text)
    assert run is not None
    assert close(run[1], float(np.exp(effect.min()))) and close(run[2], float(np.exp(effect.max()))), text
