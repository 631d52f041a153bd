"""Which way an analysis of the review speaks about two techniques of a unit, and whether it does at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from metakit.core.plans import AnalysisPlan, ComparisonPlan, Protocol
from metakit.decision.one_unit.unit import Unit, UnitEffect, UnitOutcome, UnitTechnique
from metakit.errors import DataError, Problem, nearest_names
from metakit.measures.registry import MEASURES

OF_RATES = ("rate_ratio", "hazard_ratio")

Options = Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One effect of a unit tied to its analysis.

    `backwards` says that the review compares the other way round. `wider` says in words where the review's
    groups hold more than the unit's two techniques, and `sides` names those groups, that with the technique
    first; None where they are the unit's own two. `series` is a single-arm analysis: no comparison.
    """

    outcome: str
    technique: str
    plan: AnalysisPlan
    backwards: bool = False
    series: bool = False
    wider: tuple[str, ...] = ()
    sides: tuple[str, str] | None = None


def links(unit: Unit, protocol: Protocol) -> tuple[Link, ...]:
    """Tie every effect of a unit to the analysis that it names.

    Parameters
    ----------
    unit : Unit
    protocol : Protocol
        Of the review.

    Raises
    ------
    DataError
        With every effect that names no analysis, or one that says nothing about it, each at its place.
    """
    plans = {plan.id: plan for plan in protocol.analyses}
    comparisons = {plan.id: plan for plan in protocol.comparisons}
    found: list[Link] = []
    problems: list[Problem] = []
    for outcome in unit.outcomes:
        for effect in outcome.effects:
            plan = plans.get(effect.analysis)
            if plan is None:
                problems.append(
                    _problem(
                        effect, "the review's protocol has no such analysis",
                        hint=nearest_names(effect.analysis, plans),
                    )
                )  # fmt: skip
                continue
            unfit = _unfit(plan, outcome)
            if unfit:
                problems.append(_problem(effect, unfit))
                continue
            link = _link(unit, outcome, effect, plan, comparisons.get(plan.comparison))
            if isinstance(link, str):
                problems.append(_problem(effect, link))
            else:
                found.append(link)
    if problems:
        raise DataError(problems)
    return tuple(found)


def asked_only(protocol: Protocol, chosen: tuple[Link, ...]) -> Protocol:
    """Return the protocol with only the analyses that a unit asks for, without explorations and networks."""
    names = {link.plan.id for link in chosen}
    return replace(
        protocol,
        analyses=tuple(plan for plan in protocol.analyses if plan.id in names),
        networks=(),
        explorations=(),
        specifications=None,
    )


def _problem(effect: UnitEffect, what: str, *, hint: str = "") -> Problem:
    return effect.typed.problem("analysis", what, found=effect.analysis, hint=hint, severity="error")


def _unfit(plan: AnalysisPlan, outcome: UnitOutcome) -> str:
    """Say why an analysis cannot be applied to an outcome's baseline; empty when it can."""
    if plan.outcome != outcome.term.id:
        return f"this analysis is about another outcome ({plan.outcome}, not {outcome.term.id})"
    measure = MEASURES[plan.measure]
    if outcome.baseline is None:
        fits, allowed = plan.measure == "mean_difference", "a mean_difference"
    elif outcome.baseline.per_year:
        fits, allowed = plan.measure in (*OF_RATES, "rate"), "a rate_ratio, a hazard_ratio or a rate"
    else:
        at = measure.at_baseline
        fits = (at is not None and not at.per_year) or plan.measure == "proportion"
        allowed = "a ratio or difference of risks, or a proportion"
    if fits:
        return ""
    base = "a score" if outcome.baseline is None else f"a baseline in {outcome.baseline.unit}"
    return f"a {measure.label.lower()} cannot be applied to {base}; it takes {allowed}"


def _link(
    unit: Unit, outcome: UnitOutcome, effect: UnitEffect, plan: AnalysisPlan, asked: ComparisonPlan | None
) -> Link | str:
    """Return the link, or why there is none."""
    own, current = unit.technique(effect.technique), unit.technique(unit.current)
    shared = {"outcome": outcome.term.id, "technique": own.id, "plan": plan}
    if asked is None:
        if own.technique not in plan.techniques:
            return f"this single-arm analysis is about {', '.join(plan.techniques)}, not {own.technique}"
        wider = _wider(own, plan.techniques, {}, plan.techniques_label)
        return Link(**shared, series=True, wider=wider)  # type: ignore[arg-type]
    sides = (
        (asked.technique, asked.options(1), asked.technique_label),
        (asked.comparator, asked.options(2), asked.comparator_label),
    )
    for backwards, (first, second) in ((False, sides), (True, sides[::-1])):
        if _within(own, *first[:2]) and _within(current, *second[:2]):
            wider = (*_wider(own, *first), *_wider(current, *second))
            more = len(first[0]) > 1 or len(second[0]) > 1
            labels = (first[2], second[2]) if more else None
            return Link(**shared, backwards=backwards, wider=wider, sides=labels)  # type: ignore[arg-type]
    return (
        f"this analysis compares {asked.technique_label} with {asked.comparator_label}; it does not say what "
        f"{own.label} ({own.technique}) would change against {current.label} ({current.technique})"
    )


def _within(own: UnitTechnique, techniques: tuple[str, ...], options: Options) -> bool:
    if set(options) - {"mp_option"}:
        return False  # a unit's techniques do not say what is done to osteophytes or at the ST joint
    return own.technique in techniques and own.mp_option in options.get("mp_option", (own.mp_option,))


def _wider(own: UnitTechnique, techniques: tuple[str, ...], options: Options, label: str) -> tuple[str, ...]:
    """Say where a group of the review holds more than one technique, or an MP option that nobody asked."""
    if len(techniques) > 1:
        return (f"the studies are about {label}, not only about {own.label}",)
    if own.mp_option and not options:
        return (f"the studies do not tell what was done at the MP joint with {own.label}",)
    return ()
