"""Every two options at a source of trouble that studies hold, as planned analyses: one line of the plan.

Which pairs there are is known from the records alone, before any of them is answered, so that none is picked
for its answer. Each is carried out as any planned analysis is, and its certainty can be judged and signed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from metakit.core.plans import AnalysisPlan, ComparisonPlan, OptionPairsPlan, Protocol, SpecificationPlan
from metakit.core.records import StudyRecord
from metakit.synthesis.analysis import analyse
from metakit.synthesis.asking import task_of
from metakit.synthesis.findings import AnalysisFinding, PairFinding
from metakit.synthesis.gathering.gather import gather
from metakit.synthesis.gathering.source_options import Source, sources
from metakit.synthesis.returning.option_contrasts import held_pairs, holds_both, planned_itself
from metakit.synthesis.terms import outcome_term
from metakit.synthesis.words import lower_first


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One analysis of a plan of pairs: its plan with the comparison that it asks about."""

    pairs: OptionPairsPlan
    comparison: ComparisonPlan
    plan: AnalysisPlan


def planned_pairs(
    protocol: Protocol, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> tuple[Pair, ...]:
    """Return the analyses that the pairs of a plan come to.

    Parameters
    ----------
    protocol : Protocol
    studies : sequence of StudyRecord
    names : mapping of str to str
        Name of each study (by id) as shown.

    Returns
    -------
    tuple of Pair
        Those with numbers of an outcome in some study, in the order of plan, options, bands and outcomes.
        What an analysis of the plan asks itself is left to it.
    """
    known = {source.id: source for source in sources()}
    return tuple(
        pair
        for pairs in protocol.option_pairs
        if pairs.source in known
        for pair in _pairs(pairs, known[pairs.source], protocol, studies, names)
    )


def _pairs(
    pairs: OptionPairsPlan,
    source: Source,
    protocol: Protocol,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
) -> list[Pair]:
    found = []
    for asked in held_pairs(source, studies):
        told = [study for study in studies if holds_both(study, source, asked)]
        if not told or (asked.mp_before is not None and not pairs.by_band):
            continue
        band = f", {asked.mp_before} degrees before surgery" if asked.mp_before else ""
        comparison = replace(
            asked,
            id=f"{pairs.id}--{asked.id}",
            label=f"{asked.technique_label} against {lower_first(asked.comparator_label)}{band}",
        )
        for outcome in pairs.outcomes:
            if planned_itself(protocol, source, asked, outcome):
                continue
            plan = _plan(comparison, outcome, protocol, told, names)
            if plan is not None:
                found.append(Pair(pairs=pairs, comparison=comparison, plan=plan))
    return found


def _plan(
    comparison: ComparisonPlan,
    outcome: str,
    protocol: Protocol,
    studies: Sequence[StudyRecord],
    names: Mapping[str, str],
) -> AnalysisPlan | None:
    """Return the plan of one outcome; None where no study has numbers of both sides."""
    counted = outcome_term(outcome).kind != "continuous"
    measure = "risk_ratio" if counted else "mean_difference"
    plan = AnalysisPlan(
        id=f"{comparison.id}--{outcome}", outcome=outcome, measure=measure, comparison=comparison.id
    )
    numbers = gather(task_of(plan, replace(protocol, comparisons=(comparison,))), studies, names).studies
    if not numbers:
        return None
    if counted and not any(side.numbers.get("events") for study in numbers for side in study.sides):
        # Without an event on either side a ratio says nothing, a difference does.
        return replace(plan, measure="risk_difference")
    return plan


def analyse_pair(
    pair: Pair, protocol: Protocol, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> PairFinding:
    """Carry out one pair as a planned analysis, without explorations and specification curves."""
    own = protocol.specifications or SpecificationPlan()
    alone = replace(
        protocol,
        comparisons=(pair.comparison,),
        explorations=(),
        specifications=replace(
            own, analyses=own.analyses or tuple(plan.id for plan in protocol.analyses) or ("none",)
        ),
    )
    finding: AnalysisFinding = analyse(pair.plan, alone, studies, names)
    return PairFinding(pairs=pair.pairs.id, source=pair.pairs.source, finding=finding)
