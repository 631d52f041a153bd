"""Domains that lower the certainty of evidence."""

from __future__ import annotations

from metakit.decision.evidence import EvidenceBody
from metakit.decision.proposals import (
    DOMAINS,
    DOUBT,
    HALF,
    MISSING_SHARE,
    Domain,
    Proposal,
    holds,
    relative,
    shown_lines,
    span,
    start_of,
    weight_at_least,
)
from metakit.synthesis.spoken import count, listed

NOTHING_TO_CROSS = "The protocol names no smallest important difference in a unit that fits this answer"


def risk_of_bias(body: EvidenceBody) -> Proposal:
    """Lower by the severity that at least half of the weight reaches."""
    words = {
        level: weight_at_least(body.studies, level) - weight_at_least(body.studies, level + 1)
        for level in range(4)
    }
    names = ("low", "some or moderate", "high or serious", "critical")
    shares = listed([f"{100 * words[i]:.0f} % {names[i]}" for i in range(4) if words[i] > 0.0005])
    reason = f"Weight by overall concern: {shares}."
    unjudged = [study.name for study in body.studies if not study.judgement]
    if unjudged:
        reason += f" Nobody judged {listed(unjudged)} overall; counted as some concern."
    if start_of(body)[0] == "low":
        open_ = "whether these studies are worse than what the low start already stands for"
        return Proposal(domain="risk_of_bias", levels=0, reason=reason, open=open_)
    # Everything is at least of severity 0, so there always is one.
    level = max((s for s in range(4) if weight_at_least(body.studies, s) >= HALF - 1e-9), default=0)
    half = f" At least half of the weight is at “{names[level]}” or worse." if level else ""
    return Proposal(domain="risk_of_bias", levels=-level, reason=reason + half)


def inconsistency(body: EvidenceBody) -> Proposal:
    """Lower by the thresholds between true effects (by tau), with the prediction interval beside them."""
    k = len(body.studies)
    if k < 2:
        return Proposal(
            domain="inconsistency", levels=0, reason="One study cannot disagree with itself.",
            open="whether other centres would find the same",
        )  # fmt: skip
    if body.tau is None or body.spread is None:
        reason = f"{body.tau_words.capitalize()}." if body.tau_words else "This model has no tau."
        return Proposal(
            domain="inconsistency", levels=0, reason=reason, open="how far the studies' own effects lie apart"
        )
    few = " With so few studies tau is hardly known." if k < 5 else ""
    ahead = f"; prediction interval {span(body.prediction, body.unit)}" if body.prediction else ""
    where = (
        f"95 % of true effects would lie from {span(body.spread, body.unit)}"
        if body.tau > 0
        else "no spread of true effects is seen"
    )
    reason = f"{body.tau_words[:1].upper()}{body.tau_words[1:]}: {where}{ahead}."
    if body.thresholds is None:
        return Proposal(
            domain="inconsistency", levels=0, reason=f"{reason} {NOTHING_TO_CROSS}.{few}",
            open="whether true effects differ so much that decisions would differ",
        )  # fmt: skip
    lines = holds(body.thresholds, body.spread)
    if not lines:
        return Proposal(domain="inconsistency", levels=0, reason=f"{reason} No threshold is crossed.{few}")
    both = any(line < 0 for line in lines) and any(line > 0 for line in lines)
    lie = "lies the threshold" if len(lines) == 1 else "lie the thresholds"
    text = f"{reason} Between them {lie} {shown_lines(lines, body.unit)}"
    text += ": some centres would see important differences one way, some the other." if both else "."
    return Proposal(domain="inconsistency", levels=-2 if both else -1, reason=text + few)


def indirectness(body: EvidenceBody) -> Proposal:
    """Lower for outcomes that patients do not feel, and definitions that do not fit."""
    open_ = "whether patients, surgeons, implants and follow-up are those of the question"
    found = []
    levels = 0
    if body.surrogate:
        levels -= 1
        found.append("The outcome is a measurement that patients do not feel.")
    unfit = {name for _, names in body.unfit_definitions for name in names}
    share = sum(study.share for study in body.studies if study.name in unfit)
    if share >= HALF:
        levels -= 1
        found.append(f"Studies with {100 * share:.0f} % of the weight count something else than the outcome.")
    elif unfit:
        found.append(f"{listed(sorted(unfit))} ({100 * share:.0f} % of the weight) count something else.")
    if body.network is not None and body.network.direct_share < 1:
        indirect = 100 * (1 - body.network.direct_share)
        found.append(f"{indirect:.0f} % of the estimate comes from other comparisons: see intransitivity.")
    reason = " ".join(found) or "The outcome is felt by patients, and all definitions met fit it."
    return Proposal(domain="indirectness", levels=max(levels, -2), reason=reason, open=open_)


def imprecision(body: EvidenceBody) -> Proposal:
    """Lower by thresholds inside the absolute interval; without one, look at the information size."""
    if body.difference is None or body.thresholds is None:
        low, high = body.effect[1:]
        crosses = low < body.null < high
        text = f"{NOTHING_TO_CROSS}; the interval {relative(body) or span((low, high), body.unit)} "
        text += "holds both directions." if crosses else "lies on one side of no difference."
        return Proposal(
            domain="imprecision", levels=-1 if crosses else 0, reason=text,
            open="whether both ends of the interval would be decided alike",
        )  # fmt: skip
    limits = (body.difference[1], body.difference[2])
    lines = holds(body.thresholds, limits)
    start = f"The absolute interval, {span(limits, body.unit)},"
    if lines:
        text = f"{start} holds {count(len(lines), 'threshold')}: {shown_lines(lines, body.unit)}."
        return Proposal(domain="imprecision", levels=-min(len(lines), 3), reason=text)
    text = f"{start} holds no threshold ({shown_lines(body.thresholds.lines, body.unit)})."
    size = body.information
    if size is None:
        return Proposal(
            domain="imprecision", levels=0, reason=text, open="whether there is enough information"
        )
    text += (
        f" Information: {size.present:.0f} of {size.needed:.0f} {size.unit} that one trial would need "
        f"({size.inputs})."
    )
    return Proposal(domain="imprecision", levels=0 if size.met else -1, reason=text)


def publication_bias(body: EvidenceBody) -> Proposal:
    """Lower for small-study effects in ten or more studies, and results measured but not reported."""
    found, levels = [], 0
    test = body.small_study
    if test is not None:
        found.append(f"{test.label}: p = {test.p_value:.2f} in {test.k} studies; other causes are possible.")
        levels = -1 if test.p_value < DOUBT else 0
    elif body.small_study_reason:
        found.append(f"{body.small_study_reason[:1].upper()}{body.small_study_reason[1:]}.")
    if body.not_reported:
        share = len(body.not_reported) / (len(body.not_reported) + len(body.studies))
        found.append(
            f"{listed(list(body.not_reported))} measured the outcome without a usable result "
            f"({100 * share:.0f} % of the studies)."
        )
        levels = -1 if share >= MISSING_SHARE else levels
    tied = sum(study.share for study in body.studies if study.industry_tie == "yes")
    if tied > 0:
        found.append(f"Studies with {100 * tied:.0f} % of the weight have ties to a maker of implants.")
    return Proposal(
        domain="publication_bias", levels=levels, reason=" ".join(found),
        open="whether registered or presented studies never appeared",
    )  # fmt: skip


def intransitivity(body: EvidenceBody) -> Proposal:
    """Lower an estimate that leans on other comparisons between which characteristics differ."""
    facts = body.network
    if facts is None:
        raise ValueError("intransitivity needs the facts of a network")
    indirect = 1 - facts.direct_share
    reason = f"{100 * indirect:.0f} % of the estimate is indirect."
    if facts.unlike:
        reason += f" The comparisons on the way differ in {listed(list(facts.unlike))}."
    return Proposal(
        domain="intransitivity", levels=-1 if facts.unlike and indirect >= HALF else 0, reason=reason,
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
    doubt = facts.disagreement_p is not None and facts.disagreement_p < DOUBT
    test = f", p = {facts.disagreement_p:.2f}" if facts.disagreement_p is not None else ""
    reason = (
        f"Direct {span((facts.direct[1], facts.direct[2]), body.unit)}, indirect "
        f"{span((facts.indirect[1], facts.indirect[2]), body.unit)}{test}."
    )
    apart = facts.direct[1] > facts.indirect[2] or facts.direct[2] < facts.indirect[1]
    levels = -2 if matters and apart else -1 if matters and doubt else 0
    return Proposal(domain="incoherence", levels=levels, reason=reason)


DOMAINS.add(
    Domain(name="risk_of_bias", propose=risk_of_bias, references=("grade_overview", "grade_nonrandomised"))
)
DOMAINS.add(Domain(name="inconsistency", propose=inconsistency, references=("grade_inconsistency",)))
DOMAINS.add(Domain(name="indirectness", propose=indirectness, references=("grade_overview",)))
DOMAINS.add(
    Domain(
        name="imprecision", propose=imprecision, references=("grade_imprecision", "grade_imprecision_context")
    )
)
DOMAINS.add(
    Domain(name="publication_bias", propose=publication_bias, references=("grade_overview", "sterne_2011"))
)
DOMAINS.add(
    Domain(name="intransitivity", propose=intransitivity, network_only=True, references=("grade_network",))
)
DOMAINS.add(Domain(name="incoherence", propose=incoherence, network_only=True, references=("grade_network",)))
