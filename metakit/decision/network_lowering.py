"""Domains that lower the certainty of a network's estimate besides those of every body of evidence."""

from __future__ import annotations

from metakit.core.written import listed
from metakit.decision.certainty_rules import rule
from metakit.decision.evidence import EvidenceBody
from metakit.decision.proposals import DOMAINS, Domain, Proposal, span


def intransitivity(body: EvidenceBody) -> Proposal:
    """Lower an estimate that leans on other comparisons between which characteristics differ."""
    facts = body.network
    if facts is None:
        raise ValueError("intransitivity needs the facts of a network")
    indirect = 1 - facts.direct_share
    reason = f"{100 * indirect:.0f} % of the estimate is indirect."
    if not facts.unlike and indirect > 0:
        looked = listed(list(facts.looked_at))
        reason += (
            f" The comparisons on the way do not stand apart in {looked}."
            if looked
            else " The plan names no characteristics to hold the comparisons against each other by."
        )
    if facts.unlike:
        reason += f" The comparisons on the way differ in {listed(list(facts.unlike))}."
    mostly = indirect >= rule("half_of_the_weight")
    return Proposal(
        domain="intransitivity", levels=-1 if facts.unlike and mostly else 0, reason=reason,
        open="whether a patient of one comparison could have been in any other",
    )  # fmt: skip


def incoherence(body: EvidenceBody) -> Proposal:
    """Lower where direct and indirect evidence disagree by more than what matters."""
    facts = body.network
    if facts is None:
        raise ValueError("incoherence needs the facts of a network")
    if facts.direct is None or facts.indirect is None:
        which = "direct" if facts.direct is None else "indirect"
        return Proposal(
            domain="incoherence", levels=0, reason=f"There is no {which} evidence to compare with.",
            open="incoherence cannot be seen here",
        )  # fmt: skip
    gap = facts.direct[0] - facts.indirect[0]
    matters = body.thresholds is not None and abs(gap) >= body.thresholds.smallest
    doubt = facts.disagreement_p is not None and facts.disagreement_p < rule("test_in_doubt")
    test = f", p = {facts.disagreement_p:.2f}" if facts.disagreement_p is not None else ""
    reason = (
        f"Direct {span((facts.direct[1], facts.direct[2]), body.unit)}, indirect "
        f"{span((facts.indirect[1], facts.indirect[2]), body.unit)}{test}."
    )
    apart = facts.direct[1] > facts.indirect[2] or facts.direct[2] < facts.indirect[1]
    levels = -2 if matters and apart else -1 if matters and doubt else 0
    return Proposal(domain="incoherence", levels=levels, reason=reason)


DOMAINS.add(
    Domain(name="intransitivity", propose=intransitivity, network_only=True, references=("grade_network",))
)
DOMAINS.add(Domain(name="incoherence", propose=incoherence, network_only=True, references=("grade_network",)))
