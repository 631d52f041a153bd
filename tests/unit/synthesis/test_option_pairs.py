"""Pairs of options as planned analyses: all that studies hold, each with its certainty, signed like any other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import metakit
from metakit.core.plans import AnalysisPlan, ComparisonPlan, OptionPairsPlan, OutcomePlan
from metakit.core.returns import SubgroupValue
from metakit.core.values import Band
from metakit.decision.analysis_body import body_of
from metakit.decision.certainty import certainty_of, pair_certainties
from metakit.decision.worksheet import proposal_entry
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.review.certainty import certainty_text, read_certainty
from metakit.synthesis.findings import Findings
from metakit.synthesis.gathering.arms import display_names
from metakit.synthesis.gathering.source_options import sources
from metakit.synthesis.option_pairs import analyse_pair, planned_pairs
from metakit.synthesis.returning.option_contrasts import option_contrasts
from tests.demonstration import DEMO
from tests.unit.synthesis.invented import protocol
from tests.unit.synthesis.returning.test_option_contrasts import ARMS, MP, again, study

AGAIN = "secondary_mp_procedure"


def planned(by_band: bool = False, **facts):
    pairs = OptionPairsPlan(id="pairs", source=MP.id, outcomes=(AGAIN,), by_band=by_band)
    outcome = OutcomePlan(
        outcome=AGAIN, importance="important", window="last_follow_up", smallest_important_difference=5
    )
    return replace(protocol(), outcomes=(*protocol().outcomes, outcome), option_pairs=(pairs,), **facts)


def answered(*studies, plan=None):
    plan, names = plan or planned(), display_names(studies)
    return {
        pair.plan.id: analyse_pair(pair, plan, studies, names) for pair in planned_pairs(plan, studies, names)
    }


def test_one_line_of_the_plan_asks_for_each_pair_with_its_certainty() -> None:
    found = answered(study())
    start = "pairs--mp_"
    assert set(found) == {
        f"{start}pinning--mp_none--{AGAIN}",
        f"{start}arthrodesis--mp_none--{AGAIN}",
        f"{start}pinning--mp_arthrodesis--{AGAIN}",
    }
    first = found[f"{start}pinning--mp_none--{AGAIN}"]
    one = metakit.pool(
        metakit.effect_sizes(
            {"study": ["1"], "events_1": [3], "total_1": [40], "events_2": [8], "total_2": [40]},
            measure="risk_ratio",
        )
    )
    assert first.finding.result.interval == pytest.approx(one.interval, rel=1e-12)
    assert first.finding.absolute.baseline == pytest.approx(100 * 8 / 40)
    body = body_of(first.finding, planned())
    assert certainty_of(body).level in ("very_low", "low", "moderate", "high")


def test_a_signature_holds_for_its_pair_until_its_numbers_move() -> None:
    name = f"pairs--mp_pinning--mp_none--{AGAIN}"
    proposed = proposal_entry(certainty_of(body_of(answered(study())[name].finding, planned())))
    judged = tuple(replace(line, judged=line.proposed, because="as read") for line in proposed.domains)
    signature = replace(proposed, domains=judged, signed_by="A. Person (invented)", signed_on="2026-01-02")
    same = certainty_of(body_of(answered(study())[name].finding, planned()), signature)
    assert same.status == "signed"
    other = replace(study(), outcomes=(again("A", 4), again("B", 8), again("C", 0)))
    assert certainty_of(body_of(answered(other)[name].finding, planned()), signature).status == "outdated"
    # A pair that the signed one has nothing to do with changes nothing.
    more = replace(study(), outcomes=(again("A", 3), again("B", 8), again("C", 5)))
    assert certainty_of(body_of(answered(more)[name].finding, planned()), signature).status == "signed"


def test_bands_are_asked_only_where_the_plan_says_so() -> None:
    bands = (Band(upper=30, upper_inside=True), Band(lower=30))
    parts = tuple(
        SubgroupValue(value=again(id_, 1 + (band is bands[1]), total=20), mp_before=band)
        for id_ in "AB"
        for band in bands
    )
    record = study(subgroups=parts)
    assert not any("30" in name for name in answered(record))
    within = [name for name in answered(record, plan=planned(by_band=True)) if "30" in name]
    assert within == [f"pairs--mp_pinning--mp_none--{band}_30--{AGAIN}" for band in ("up_to", "over")]


def test_without_an_event_on_either_side_the_difference_is_asked() -> None:
    none = replace(study(), outcomes=(again("A", 0), again("B", 0)))
    (found,) = answered(none).values()
    assert found.finding.plan.measure == "risk_difference"


def test_what_an_analysis_asks_is_left_to_it_unless_it_leaves_a_technique_out() -> None:
    def plan(technique: str):
        comparison = ComparisonPlan(
            id="pinned", label="", technique=(technique,), technique_label="", comparator=(technique,),
            comparator_label="", mp_option_1=("mp_pinning",), mp_option_2=("mp_none",),
        )  # fmt: skip
        analysis = AnalysisPlan(id="a", outcome=AGAIN, comparison="pinned", measure="risk_ratio")
        return planned(comparisons=(comparison,), analyses=(analysis,))

    name = f"pairs--mp_pinning--mp_none--{AGAIN}"
    assert name not in answered(study(), plan=plan("lrti"))
    assert name in answered(study(), plan=plan("trapeziectomy"))


def test_what_the_pairs_ask_does_not_stand_outside_of_the_plan() -> None:
    names = display_names((study(),))
    assert option_contrasts(MP, protocol(), (study(),), names)
    assert not option_contrasts(MP, planned(), (study(),), names)


def test_what_else_differs_lowers_the_proposal_and_is_named() -> None:
    splinted = (
        replace(ARMS[0], immobilisation_weeks=6.0),
        replace(ARMS[1], immobilisation_weeks=2.0),
        ARMS[2],
    )
    name = f"pairs--mp_pinning--mp_none--{AGAIN}"
    finding = answered(study(arms=splinted))[name].finding
    assert any("Study 1" in caution and "weeks" in caution for caution in finding.cautions)
    lines = {line.proposal.domain: line for line in certainty_of(body_of(finding, planned())).lines}
    assert lines["indirectness"].levels < 0
    alike = {
        line.proposal.domain: line
        for line in certainty_of(body_of(answered(study())[name].finding, planned())).lines
    }
    assert alike["indirectness"].levels == 0


def test_the_invented_review_plans_each_against_each(demo_findings: Findings) -> None:
    assert {plan.source for plan in demo_findings.protocol.option_pairs} == {item.id for item in sources()}
    found = {item.finding.plan.id: item.finding for item in demo_findings.pairs}
    assert f"mp_pairs--mp_capsulodesis_volar--mp_arthrodesis--{AGAIN}" in found
    assert "mp_pairs--mp_pinning--mp_none--mp_recurrence" in found
    assert "mp_pairs--mp_pinning--mp_none--up_to_30--mp_hyperextension" in found
    assert all(finding.result is not None for finding in found.values())
    assert not any(source.contrasts for source in demo_findings.trouble.sources)
    # Truth: pinning lets the angle fall by four degrees more than leaving it.
    falls = [finding.result for finding in found.values() if finding.term.id == "mp_hyperextension"]
    assert all(result.interval.lower < -4 + 3 < result.interval.upper + 3 for result in falls)


def test_what_is_proposed_for_every_pair_is_read_again(demo_findings: Findings, tmp_path: Path) -> None:
    """The file that a review's proposals are written into holds the long names of pairs."""
    proposed = tuple(map(proposal_entry, pair_certainties(demo_findings)))
    assert max(len(item.analysis) for item in proposed) > 60
    (tmp_path / "certainty.yaml").write_text(certainty_text(proposed), encoding="utf-8")
    plan = read_record(DEMO / "protocol.yaml", shipped()).group
    found = read_certainty(tmp_path, shipped(), plan)
    assert not [problem for problem in found.problems if problem.severity == "error"]
    assert [item.analysis for item in found.judgements] == [item.analysis for item in proposed]
    unknown = certainty_text((replace(proposed[0], analysis="other_pairs--a--b--pain"),))
    (tmp_path / "certainty.yaml").write_text(unknown, encoding="utf-8")
    (problem,) = [
        one for one in read_certainty(tmp_path, shipped(), plan).problems if one.severity == "error"
    ]
    assert "the protocol has no such analysis" in str(problem)
