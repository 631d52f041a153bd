"""A network's comparisons are judged like the others: direct, indirect, incoherence, intransitivity, and signed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from metakit.core.plans import NetworkPlan, OutcomePlan
from metakit.decision.certainty import (
    all_certainties,
    certainty_json,
    certainty_of,
    leftover,
    network_certainties,
)
from metakit.decision.network_body import name_of, network_bodies
from metakit.decision.worksheet import proposal_entry, worksheet
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.yaml_nodes import read_bytes
from metakit.review.certainty import certainty_text, read_certainty
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise
from metakit.telling.certainty import certainty_blocks
from metakit.telling.facts import Facts
from metakit.telling.networks import networks_blocks
from tests.unit.synthesis.invented import Folder, plan, protocol
from tests.unit.synthesis.networking.test_networks import PLAN, TRIALS

OUTCOME = OutcomePlan(
    outcome="any_complication", importance="critical", window="12_months", smallest_important_difference=5,
    smallest_important_difference_source="invented",
)  # fmt: skip


def found(*records: Any, network: NetworkPlan = PLAN, **facts: Any) -> Findings:
    asked = replace(protocol(plan()), analyses=(), outcomes=(OUTCOME,), networks=(network,))
    return synthesise(Folder(protocol=asked, studies=records or TRIALS, **facts))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def findings() -> Findings:
    return found()


def test_every_technique_is_judged_against_the_reference(findings: Findings) -> None:
    (network,) = findings.networks
    certainties = network_certainties(findings)
    against = [item for item in network.comparisons if item.comparator == "trapeziectomy"]
    assert [item.body.analysis for item in certainties] == [
        name_of(network, item.technique) for item in against
    ]
    for certainty, item in zip(certainties, against, strict=True):
        body = certainty.body
        assert item.absolute is not None and body.difference is not None
        # the difference is that of the sentence and the table
        assert body.difference == pytest.approx(
            [value - item.absolute.comparator for value in (item.absolute.technique, item.absolute.lower, item.absolute.upper)]
        )  # fmt: skip
        assert sum(study.share for study in body.studies) == pytest.approx(1.0)
        domains = {line.proposal.domain for line in certainty.lines}
        assert {"intransitivity", "incoherence", "imprecision", "risk_of_bias"} <= domains
    assert all_certainties(findings) == ()
    answer = certainty_json((), certainties)
    assert [item["analysis"] for item in answer["network_certainty"]] == [
        c.body.analysis for c in certainties
    ]


def test_direct_and_indirect_evidence_are_told_apart(findings: Findings) -> None:
    bodies = {body.analysis.partition("--")[2]: body for body in network_bodies(findings)}
    indirect = bodies["arthrodesis"].network
    assert indirect is not None
    assert (indirect.direct_share, indirect.direct) == (0.0, None)
    assert indirect.indirect == pytest.approx(bodies["arthrodesis"].difference)
    mixed = bodies["lrti"].network
    assert mixed is not None and 0 < mixed.direct_share < 1
    assert mixed.direct is not None and mixed.indirect is not None and mixed.disagreement_p is not None
    certainty = {item.body.analysis.partition("--")[2]: item for item in network_certainties(findings)}
    reason = {line.proposal.domain: line.proposal.reason for line in certainty["arthrodesis"].lines}
    assert reason["intransitivity"].startswith("100 % of the estimate is indirect.")
    assert "names no characteristics" in reason["intransitivity"]
    assert "no direct evidence" in reason["incoherence"]


def test_comparisons_on_the_way_that_share_no_value_are_named() -> None:
    years = tuple(replace(record, year=1990 if n == 4 else 2010 + n) for n, record in enumerate(TRIALS))
    findings = found(*years, network=replace(PLAN, characteristics=("year",)))
    bodies = {body.analysis.partition("--")[2]: body for body in network_bodies(findings)}
    arthrodesis = bodies["arthrodesis"].network
    assert arthrodesis is not None
    assert arthrodesis.looked_at and arthrodesis.unlike == arthrodesis.looked_at
    lines = {line.proposal.domain: line.proposal for line in certainty_of(bodies["arthrodesis"]).lines}
    assert lines["intransitivity"].levels == -1


def test_networks_are_proposed_signed_and_taken_back_like_the_others(
    findings: Findings, tmp_path: Path
) -> None:
    certainties = network_certainties(findings)
    sheet = worksheet(certainties, {})
    entry = proposal_entry(certainties[0])
    signed = replace(
        entry, signed_by="Ada Example (invented)", signed_on="2026-03-02",
        domains=tuple(replace(line, judged=line.proposed, because="invented") for line in entry.domains),
    )  # fmt: skip
    assert certainty_of(certainties[0].body, signed).final
    other = replace(certainties[0].body, network=replace(certainties[0].body.network, direct_share=0.5))  # type: ignore[type-var]
    changed = certainty_of(other, signed)
    assert changed.status == "outdated" and "direct and indirect evidence" in [
        c.what for c in changed.changes
    ]
    assert leftover(replace(findings, judgements=(signed,)), ()) == ()
    # the file is read back, with the network's names known to the protocol
    (tmp_path / "certainty.yaml").write_text(certainty_text(sheet.judgements), encoding="utf-8")
    plan_text = b"""form: protocol
form_version: 1
networks:
  - {id: complications, label: x, outcome: any_complication, measure: risk_ratio, reference: trapeziectomy}
"""
    document = read_bytes(plan_text, "protocol.yaml")
    assert document.root is not None
    group, _ = read_fields(document.root, shipped().form("protocol"))
    reading = read_certainty(tmp_path, shipped(), group)
    assert reading is not None
    assert len(reading.judgements) == len(certainties), [str(problem) for problem in reading.problems]


def test_the_page_tells_a_networks_certainty_and_leads_to_its_worksheet(findings: Findings) -> None:
    facts = Facts.of(findings)
    text = str(networks_blocks(facts))
    name = facts.networks[0].body.analysis
    assert f"certainty-{name}" in text
    assert "Certainty of the network's estimate: not judged" not in text
    assert f"certainty-{name}" in str(certainty_blocks(facts))
