"""Domains that lower the certainty of evidence."""

from __future__ import annotations

import math
from dataclasses import replace

from metakit.core.limits import Limits
from metakit.core.written import count, listed
from metakit.decision.certainty_rules import rule
from metakit.decision.evidence import EvidenceBody
from metakit.decision.proposals import (
    DOMAINS,
    Domain,
    Proposal,
    holds,
    relative,
    shown_lines,
    span,
    start_of,
    weight_at_least,
)
from metakit.decision.thresholds import Thresholds
from metakit.measures.registry import MEASURES

LINKED = ("risk_ratio", "risk_difference", "rate_ratio", "rate_difference", "arcsine_difference")
"""Measures for which no test of small-study effects is valid; see the rule `false_alarms`."""
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
    level = max(
        (s for s in range(4) if weight_at_least(body.studies, s) >= rule("half_of_the_weight") - 1e-9),
        default=0,
    )
    half = f" At least half of the weight is at “{names[level]}” or worse." if level else ""
    return Proposal(domain="risk_of_bias", levels=-level, reason=reason + half)


def inconsistency(body: EvidenceBody) -> Proposal:
    """Lower by the thresholds between true effects, by tau; few studies lower only by tau's lower limit.

    The prediction interval and tau's upper limit lower nothing; where they hold a threshold they are told and
    asked about, so that a small tau from few studies is never taken for agreement.
    """
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
    reason = f"{body.tau_words[:1].upper()}{body.tau_words[1:]}"
    if body.tau > 0:
        reason += f": at this tau 95 % of true effects would lie from {span(body.spread, body.unit)}."
    else:
        reason += ", which does not show that the studies agree."
    if body.thresholds is None:
        return Proposal(
            domain="inconsistency", levels=0, reason=f"{reason} {NOTHING_TO_CROSS}.",
            open="whether true effects differ so much that decisions would differ",
        )  # fmt: skip
    lines = holds(body.thresholds, body.spread)
    reason += f" {_between(lines, body.unit)}" if lines else ""
    counted = lines
    if k <= rule("few_studies") and body.spread_at_limits is not None:
        counted = holds(body.thresholds, body.spread_at_limits[0])
        if lines:
            lowest = "its lower limit says the same" if counted else "its lower limit does not bear this out"
            reason += f" With {count(k, 'study', 'studies')} tau is hardly known; {lowest}."
    both = any(line < 0 for line in counted) and any(line > 0 for line in counted)
    levels = (-2 if both else -1) if counted else 0
    wider = _wider(body, body.thresholds, counted)
    open_ = "whether true effects differ more than these studies can show" if wider and not levels else ""
    return Proposal(domain="inconsistency", levels=levels, reason=" ".join([reason, *wider]), open=open_)


def _between(lines: tuple[float, ...], unit: str) -> str:
    lie = "lies the threshold" if len(lines) == 1 else "lie the thresholds"
    both = any(line < 0 for line in lines) and any(line > 0 for line in lines)
    text = f"Between them {lie} {shown_lines(lines, unit)}"
    return text + (": some centres would see important differences one way, some the other." if both else ".")


def _wider(body: EvidenceBody, thresholds: Thresholds, counted: tuple[float, ...]) -> list[str]:
    """Tell which wider intervals hold thresholds that did not count."""
    found = []
    if body.prediction is not None:
        more = tuple(line for line in holds(thresholds, body.prediction) if line not in counted)
        if more:
            found.append(
                f"The prediction interval, {span(body.prediction, body.unit)}"
                f"{_held(body, body.prediction)}, holds "
                f"{shown_lines(more, body.unit)}{' too' if counted else ''}."
            )
    if body.spread_at_limits is not None:
        highest = body.spread_at_limits[1]
        more = tuple(line for line in holds(thresholds, highest) if line not in counted)
        if more:
            found.append(
                f"At tau's upper limit true effects would lie from {span(highest, body.unit)}"
                f"{_held(body, highest)}, past "
                f"{shown_lines(more, '')}{' too' if counted else ''}."
            )
    return found


def _held(body: EvidenceBody, limits: Limits) -> str:
    """Say that an interval was held at none or all of 100."""
    if body.bounds is None:
        return ""
    ends = [what for what, one, other in (
        ("none", limits.lower, body.bounds.lower), ("all", limits.upper, body.bounds.upper)
    ) if math.isclose(one, other, abs_tol=1e-9)]  # fmt: skip
    return f" (held at {' and '.join(ends)} of 100)" if ends else ""


def indirectness(body: EvidenceBody) -> Proposal:
    """Lower for outcomes that patients do not feel, unfit definitions, and arms that differ otherwise."""
    open_ = "whether patients, surgeons, implants and follow-up are those of the question"
    found = []
    levels = 0
    if body.surrogate:
        levels -= 1
        found.append("The outcome is a measurement that patients do not feel.")
    unfit = {name for _, names in body.unfit_definitions for name in names}
    share = sum(study.share for study in body.studies if study.name in unfit)
    if share >= rule("half_of_the_weight"):
        levels -= 1
        found.append(f"Studies with {100 * share:.0f} % of the weight count something else than the outcome.")
    elif unfit:
        found.append(f"{listed(sorted(unfit))} ({100 * share:.0f} % of the weight) count something else.")
    levels += _differing(body, found)
    if body.network is not None and body.network.direct_share < 1:
        indirect = 100 * (1 - body.network.direct_share)
        found.append(f"{indirect:.0f} % of the estimate comes from other comparisons: see intransitivity.")
    reason = " ".join(found) or (
        "The outcome is felt by patients, all definitions met fit it, and arms differ as asked only."
    )
    return Proposal(domain="indirectness", levels=max(levels, -2), reason=reason, open=open_)


def _differing(body: EvidenceBody, found: list[str]) -> int:
    """Lower where half of the weight compares more than the question asks; say which studies and what."""
    if not body.differing:
        return 0
    share = sum(study.share for study in body.studies if study.name in {name for name, _ in body.differing})
    named = "; ".join(f"{name}: {words}" for name, words in body.differing)
    found.append(
        f"Arms of studies with {100 * share:.0f} % of the weight differ in more than is compared ({named})."
    )
    return -1 if share >= rule("half_of_the_weight") else 0


def imprecision(body: EvidenceBody) -> Proposal:
    """Lower by thresholds inside the absolute interval; where there is none, by the information size.

    One study's own interval leaves out how centres differ: where that of the mean of centres holds a
    threshold more, one level lower.
    """
    made = _of_own_interval(body)
    if body.centres is None or body.thresholds is None or body.difference is None:
        return made
    held = holds(body.thresholds, Limits(*body.difference[1:]))
    more = tuple(line for line in holds(body.thresholds, body.centres) if line not in held)
    if not more:
        return made
    text = (
        f"One study says nothing of how centres differ: the interval of the mean of centres, "
        f"{span(body.centres, body.unit)}{_held(body, body.centres)}, holds {shown_lines(more, body.unit)}"
        f"{' too' if held else ''}."
    )
    levels = max(made.levels + int(rule("one_study_alone")), int(rule("benefit_to_harm")))
    return replace(made, levels=levels, reason=f"{made.reason} {text}")


def _of_own_interval(body: EvidenceBody) -> Proposal:
    if body.difference is None or body.thresholds is None:
        low, high = body.effect[1:]
        crosses = low < body.null < high
        text = f"{NOTHING_TO_CROSS}; the interval {relative(body) or span((low, high), body.unit)} "
        text += "holds both directions." if crosses else "lies on one side of no difference."
        return Proposal(
            domain="imprecision", levels=-1 if crosses else 0, reason=text,
            open="whether both ends of the interval would be decided alike",
        )  # fmt: skip
    limits = Limits(body.difference[1], body.difference[2])
    lines = holds(body.thresholds, limits)
    if lines:
        return _crossing(body, limits, lines, body.thresholds)
    text = (
        f"The absolute interval, {span(limits, body.unit)}, holds no threshold "
        f"({shown_lines(body.thresholds.lines, body.unit)})."
    )
    levels, more, open_ = _information(body, body.thresholds)
    asked = [open_] if open_ else []
    asked += _twice_the_spread(body, body.thresholds, lines)
    return Proposal(
        domain="imprecision", levels=levels, reason=f"{text} {more}".strip(), open="; ".join(asked)
    )


def _crossing(
    body: EvidenceBody, limits: Limits, lines: tuple[float, ...], thresholds: Thresholds
) -> Proposal:
    """Propose for an interval that holds thresholds."""
    estimate = body.difference[0] if body.difference else 0.0
    text = (
        f"The absolute interval, {span(limits, body.unit)}, holds {count(len(lines), 'threshold')}: "
        f"{shown_lines(lines, body.unit)}."
    )
    levels = int(rule("one_threshold_crossed" if len(lines) == 1 else "two_thresholds_crossed"))
    if len(lines) == 1:
        (line,) = lines
        past = limits.upper - line if estimate < line else line - limits.lower
        if past >= rule("far_past") * thresholds.smallest:
            levels = int(rule("two_thresholds_crossed"))
            text += " It runs past it by at least another smallest important difference."
    large = thresholds.large
    unbounded = limits.lower == -math.inf and limits.upper == math.inf
    if unbounded or (large is not None and {-large, large} <= set(lines)):
        levels = int(rule("benefit_to_harm"))
        text += " It runs from a large benefit to a large harm."
    elif body.events is not None and body.events < rule("fewest_events"):
        levels = int(rule("benefit_to_harm"))
        text += f" {count(round(body.events), 'event')} in all studies are too few for any belief."
    asked = _twice_the_spread(body, thresholds, lines)
    return Proposal(domain="imprecision", levels=levels, reason=text, open="; ".join(asked))


def _twice_the_spread(body: EvidenceBody, thresholds: Thresholds, lines: tuple[float, ...]) -> list[str]:
    """Ask about the interval under twice the assumed spread, where few studies leave tau to assumptions."""
    if body.doubled is None or len(body.studies) > rule("few_studies"):
        return []
    more = tuple(line for line in holds(thresholds, body.doubled) if line not in lines)
    if not more:
        return []
    return [
        f"whether centres differ so much that the interval with twice the spread, "
        f"{span(body.doubled, body.unit)}, which holds {shown_lines(more, body.unit)} too, should count"
    ]


def _information(body: EvidenceBody, thresholds: Thresholds) -> tuple[int, str, str]:
    """Return levels, words and what stays open on the information behind an effect that crosses nothing."""
    large = large_effect_here(body, thresholds)
    if large is None:
        return 0, "", "whether an effect of this size from so many thumbs is believable"
    if not large:
        return 0, "The effect is not large, so that its information size is not asked for.", ""
    size = body.information
    if size is None:
        return 0, "", "whether there is enough information for so large an effect"
    text = (
        f"The effect is large; information: {size.present:.0f} of {size.needed:.0f} {size.unit} that one "
        f"trial would need ({size.inputs})."
    )
    if size.met:
        return 0, text, ""
    far = size.share < rule("far_short_share")
    return int(rule("information_far_short" if far else "information_short")), text, ""


def large_effect_here(body: EvidenceBody, thresholds: Thresholds) -> bool | None:
    """Say whether an effect is large: by its relative reduction, or a difference by the protocol's own size.

    None where neither is known.
    """
    if body.ratio is not None:
        ratio = body.ratio[0]
        return min(ratio, 1 / ratio) < 1 - rule("large_relative_reduction") if ratio > 0 else True
    if body.difference is not None and thresholds.large is not None:
        return abs(body.difference[0]) >= thresholds.large
    if body.difference is not None and abs(body.difference[0]) < thresholds.smallest:
        return False
    return None


def publication_bias(body: EvidenceBody) -> Proposal:
    """Lower for small-study effects in ten or more studies, and results measured but not reported."""
    found, levels = [], 0
    test = body.small_study
    if test is not None:
        found.append(f"{test.label}: p = {test.p_value:.2f} in {test.k} studies; other causes are possible.")
        if body.measure in LINKED:
            found.append(
                f"For a {MEASURES[body.measure].label} such a test can give false alarms, effect and error "
                "being linked by arithmetic; it lowers nothing."
            )
        elif test.p_value < rule("test_in_doubt"):
            levels = -1
    elif body.small_study_reason:
        found.append(f"{body.small_study_reason[:1].upper()}{body.small_study_reason[1:]}.")
    if body.not_reported:
        share = len(body.not_reported) / (len(body.not_reported) + len(body.studies))
        found.append(
            f"{listed(list(body.not_reported))} measured the outcome without a usable result "
            f"({100 * share:.0f} % of the studies)."
        )
        levels = -1 if share >= rule("not_reported_share") else levels
    tied = sum(study.share for study in body.studies if study.industry_tie == "yes")
    if tied >= 0.005:
        found.append(f"Studies with {100 * tied:.0f} % of the weight have ties to a maker of implants.")
    return Proposal(
        domain="publication_bias", levels=levels, reason=" ".join(found),
        open="whether registered or presented studies never appeared",
    )  # fmt: skip


DOMAINS.add(
    Domain(name="risk_of_bias", propose=risk_of_bias, references=("grade_overview", "grade_nonrandomised"))
)
DOMAINS.add(Domain(name="inconsistency", propose=inconsistency, references=("grade_inconsistency",)))
DOMAINS.add(Domain(name="indirectness", propose=indirectness, references=("grade_overview",)))
DOMAINS.add(
    Domain(
        name="imprecision",
        propose=imprecision,
        references=("grade_imprecision", "grade_imprecision_context", "core_grade_imprecision"),
    )
)
DOMAINS.add(
    Domain(name="publication_bias", propose=publication_bias, references=("grade_overview", "sterne_2011"))
)
