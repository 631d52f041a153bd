"""Domains that raise the certainty of evidence from studies without randomisation."""

from __future__ import annotations

from metakit.decision.certainty_rules import rule
from metakit.decision.evidence import EvidenceBody
from metakit.decision.proposals import DOMAINS, Domain, Proposal, relative

FROM_TRIALS = "Only evidence without any randomised trial can be raised."


def large_effect(body: EvidenceBody) -> Proposal:
    """Raise for a ratio of at least 2 (5: two levels) whose interval leaves out no difference."""
    if "randomised" in body.designs:
        return Proposal(domain="large_effect", levels=0, reason=FROM_TRIALS, settled=True)
    if body.ratio is None:
        return Proposal(
            domain="large_effect", levels=0, reason="Large is defined for ratios; this is a difference."
        )
    large, very_large = rule("large_ratio"), rule("very_large_ratio")
    estimate, low, high = body.ratio
    far = max(estimate, 1 / estimate) if estimate > 0 else float("inf")
    levels = 2 if far >= very_large else 1 if far >= large else 0
    if low <= 1 <= high:
        levels = 0
    reason = (
        f"Ratio {relative(body)}; {large:g} or more (or its inverse) counts as large, {very_large:g} as very "
        "large."
    )
    return Proposal(domain="large_effect", levels=levels, reason=reason, open="whether bias could explain it")


def dose_response(body: EvidenceBody) -> Proposal:
    """Leave the gradient to the person."""
    if "randomised" in body.designs:
        return Proposal(domain="dose_response", levels=0, reason=FROM_TRIALS, settled=True)
    return Proposal(
        domain="dose_response", levels=0, reason="Techniques are done or not done; records hold no dose.",
        open="whether more of the technique goes with more of the effect",
    )  # fmt: skip


def opposing_confounding(body: EvidenceBody) -> Proposal:
    """Leave the direction of confounding to the person."""
    if "randomised" in body.designs:
        return Proposal(domain="opposing_confounding", levels=0, reason=FROM_TRIALS, settled=True)
    return Proposal(
        domain="opposing_confounding", levels=0, reason="Records do not say which way confounding works.",
        open="whether all plausible confounding would have made the effect smaller",
    )  # fmt: skip


for _name, _propose in (
    ("large_effect", large_effect),
    ("dose_response", dose_response),
    ("opposing_confounding", opposing_confounding),
):
    DOMAINS.add(Domain(name=_name, propose=_propose, raises=True, references=("grade_rating_up",)))
