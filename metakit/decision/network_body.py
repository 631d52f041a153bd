"""The bodies of evidence behind a network's comparisons with its reference, ready to be judged."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from metakit.core.limits import Limits
from metakit.core.plans import OutcomePlan
from metakit.core.records import StudyRecord
from metakit.core.written import count
from metakit.decision.analysis_body import NORMAL_95, overall_of
from metakit.decision.evidence import (
    EvidenceBody,
    NetworkFacts,
    StudyEvidence,
    eligibility_words,
    months_words,
)
from metakit.decision.thresholds import Thresholds
from metakit.measures.kind import COUNTS, MEANS
from metakit.networks.answer import PartAnalysis
from metakit.networks.characteristics import Characteristic
from metakit.networks.evidence import evidence_on
from metakit.synthesis.findings import Findings
from metakit.synthesis.networking.network_findings import NetworkComparison, NetworkFinding
from metakit.synthesis.networking.network_words import natural, shown
from metakit.synthesis.spread_words import tau_shown
from metakit.synthesis.terms import label_of

LONGEST = 60
MATTERS = 0.05
"""Share of an estimate from which it is said to pass through a comparison (ours, no source)."""
NO_TEST = "no test of small-study effects is made for one comparison of a network"


def name_of(finding: NetworkFinding, technique: str) -> str:
    """Return the name under which a comparison with the reference is judged."""
    return f"{finding.plan.id}--{technique}"[:LONGEST]


def network_bodies(findings: Findings) -> tuple[EvidenceBody, ...]:
    """Return the body of every technique against its network's reference, in the order of the plan."""
    found = []
    records = {findings.names[study.id]: study for study in findings.studies}
    outcomes = {item.outcome: item for item in findings.protocol.outcomes}
    for finding in findings.networks:
        if finding.analysis is None:
            continue
        part = finding.analysis.parts[0]
        found += [
            replace(
                _body(finding, part, item, records, outcomes[finding.plan.outcome]),
                question=findings.protocol.question,
                population=findings.protocol.population,
                when=label_of("time_windows", outcomes[finding.plan.outcome].window),
                eligibility=eligibility_words(findings.protocol),
            )
            for item in finding.comparisons
            if item.comparator == part.reference and item.evidence != "extrapolated"
        ]
    return tuple(found)


def _body(
    finding: NetworkFinding,
    part: PartAnalysis,
    item: NetworkComparison,
    records: dict[str, StudyRecord],
    plan: OutcomePlan,
) -> EvidenceBody:
    measure = finding.measure
    to_difference = _to_difference(finding, item)
    contrast = part.part.contrast(item.technique, item.comparator)
    tau = math.sqrt(part.part.tau2)
    difference = prediction = spread = at_limits = None
    if to_difference is not None:
        ends = [to_difference(value) for value in (contrast.estimate, *contrast.interval)]
        low_end, high_end = sorted(ends[1:])
        difference = (ends[0], low_end, high_end)
        if contrast.prediction is not None:
            prediction = Limits(*sorted(map(to_difference, contrast.prediction)))
        spread = _spread(to_difference, contrast.estimate, tau)
        limits = part.part.tau2_interval
        if limits is not None:
            ends_of_tau = [math.sqrt(max(end, 0.0)) for end in limits]
            low, high = (_spread(to_difference, contrast.estimate, end) for end in ends_of_tau)
            at_limits = (low, high)
    effect = (item.estimate, *item.interval)
    studies = _studies(part, item, records, finding.plan.outcome)
    values = ", ".join(shown(value, measure) for value in effect[:1])
    answer = (
        f"{measure.label} {values} ({shown(effect[1], measure)} to {shown(effect[2], measure)}), network of "
        f"{count(len(studies), 'study', 'studies')}"
    )
    factor = measure.natural_factor
    return EvidenceBody(
        analysis=name_of(finding, item.technique),
        answer=answer,
        outcome=finding.term.label,
        comparison=finding.title,
        technique=item.technique_label,
        comparator=item.comparator_label,
        techniques=f"{item.technique} against {item.comparator}",
        importance=plan.importance,
        lower_is_better={"lower": True, "higher": False}.get(finding.term.better),
        unit=_unit(finding),
        measure=measure.name,
        level=finding.plan.level,
        studies=studies,
        participants=sum(
            node.size for node in finding.nodes if node.technique in (item.technique, item.comparator)
        ),
        events=None,
        effect=(factor * effect[0], factor * effect[1], factor * effect[2]),
        null=1.0 if measure.ratio else 0.0,
        ratio=effect if measure.ratio else None,
        difference=difference,
        prediction=prediction,
        spread=spread,
        spread_at_limits=at_limits,
        tau=tau,
        tau_words=_tau_words(part),
        thresholds=Thresholds.of(plan, _unit(finding)) if measure.kind in (COUNTS, MEANS) else None,
        surrogate=finding.term.surrogate,
        small_study_reason=NO_TEST,
        network=_facts(finding, part, item, to_difference),
    )


def _unit(finding: NetworkFinding) -> str:
    if finding.measure.kind is COUNTS:
        return "per 100 thumbs"
    return finding.term.unit if finding.measure.kind is MEANS else "per 100 thumb-years"


def _to_difference(finding: NetworkFinding, item: NetworkComparison) -> Callable[[float], float] | None:
    """Return the way from an effect on the analysis scale to the difference in the body's unit."""
    if finding.measure.name == "mean_difference":
        return lambda value: natural(finding.measure, value)
    absolute = item.absolute
    if absolute is None or absolute.carrier is None:
        return None
    carrier, known = absolute.carrier, absolute.comparator / 100
    most = math.inf if absolute.unit == "thumb-years" else 1.0

    def difference(value: float) -> float:
        with np.errstate(over="ignore"):
            risk = float(carrier.risk(natural(finding.measure, value), known))
        return 100 * (min(max(risk, 0.0), most) - known)

    return difference


def _spread(to_difference: Callable[[float], float], estimate: float, tau: float) -> Limits:
    return Limits(*sorted(to_difference(estimate + sign * NORMAL_95 * tau) for sign in (-1, 1)))


def _tau_words(part: PartAnalysis) -> str:
    if part.part.model == "common_effect":
        return ""
    text = f"tau {tau_shown(math.sqrt(part.part.tau2))} in the whole network"
    if part.part.tau2_interval is not None:
        low, high = (tau_shown(math.sqrt(max(end, 0.0))) for end in part.part.tau2_interval)
        text += f" ({low} to {high})"
    return text


def _studies(
    part: PartAnalysis, item: NetworkComparison, records: dict[str, StudyRecord], outcome: str
) -> tuple[StudyEvidence, ...]:
    """Return the studies that the estimate rests on with their shares of it."""
    names = tuple(dict.fromkeys(part.part.arms.study))
    shares = _shares(part, item, names)
    found = []
    for name in names:
        record = records.get(name)
        if record is None or shares[name] <= 0:
            continue
        instrument, judgement = overall_of(record, outcome)
        found.append(
            StudyEvidence(
                name=name,
                design_group=record.design_group,
                share=shares[name],
                thumbs=float(sum(arm.thumbs or 0 for arm in record.arms)),
                instrument=instrument,
                judgement=judgement,
                industry_tie=str((record.fields.get("funding") or {}).get("implant_company_tie", "")),
                months=months_words(
                    arm.follow_up.mean if arm.follow_up.mean is not None else arm.follow_up.median
                    for arm in record.arms
                ),
            )
        )
    return tuple(found)


def _shares(part: PartAnalysis, item: NetworkComparison, names: Sequence[str]) -> dict[str, float]:
    found = part.contributions
    pair = (item.technique, item.comparator)
    if found is not None:
        for number, other in enumerate(found.pairs):
            if set(other) == set(pair):
                weights = np.abs(found.by_study[number])
                return {name: float(weights[found.studies.index(name)] / weights.sum()) for name in names}
    return {name: 1 / len(names) for name in names}


def _facts(
    finding: NetworkFinding,
    part: PartAnalysis,
    item: NetworkComparison,
    to_difference: Callable[[float], float] | None,
) -> NetworkFacts:
    pair = (item.technique, item.comparator)
    known = evidence_on(part.direct, pair) if part.direct is not None else None
    share = known.share if known is not None else 1.0 if item.evidence == "direct" else 0.0

    def told(estimate: float | None, limits: Limits | None) -> tuple[float, float, float] | None:
        if estimate is None or limits is None:
            return None
        change = to_difference or (lambda value: natural(finding.measure, value))
        low, high = sorted(map(change, limits))
        return change(estimate), low, high

    splits = part.inconsistency.splits if part.inconsistency is not None else ()
    p = next((s.p_value for s in splits if {s.technique, s.comparator} == set(pair)), None)
    described = finding.analysis.characteristics if finding.analysis else ()
    names = tuple(dict.fromkeys(row.name for row in described))
    return NetworkFacts(
        direct_share=min(max(share, 0.0), 1.0),
        direct=told(known.estimate, known.interval) if known is not None else None,
        indirect=told(known.indirect, known.indirect_interval)
        if known is not None
        else told(part.part.contrast(*pair).estimate, part.part.contrast(*pair).interval),
        disagreement_p=p,
        looked_at=tuple(label_of("moderators", name).lower() for name in names),
        unlike=_unlike(finding, part, item) if share < 1 else (),
    )


def _unlike(finding: NetworkFinding, part: PartAnalysis, item: NetworkComparison) -> tuple[str, ...]:
    """Return characteristics whose values in two comparisons that the estimate passes through share nothing.

    Of numbers the ranges do not overlap, of words no value is common; where none is known nothing is said.
    """
    if finding.analysis is None:
        return ()
    names = tuple(dict.fromkeys(part.part.arms.study))
    shares = _shares(part, item, names)
    members: dict[str, set[str]] = {}
    for study, technique in zip(part.part.arms.study, part.part.arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)

    def passed(row: Characteristic) -> bool:
        pair = {row.technique, row.comparator}
        return sum(shares[study] for study, techniques in members.items() if pair <= techniques) >= MATTERS

    rows: dict[str, list[Characteristic]] = {}
    for row in finding.analysis.characteristics:
        if row.known and passed(row):
            rows.setdefault(row.name, []).append(row)
    return tuple(
        label_of("moderators", name).lower()
        for name, found in rows.items()
        if any(_apart(one, two) for n, one in enumerate(found) for two in found[n + 1 :])
    )


def _apart(one: Characteristic, two: Characteristic) -> bool:
    ends = (one.lowest, one.highest, two.lowest, two.highest)
    if None not in ends:
        low_1, high_1, low_2, high_2 = (float(end or 0.0) for end in ends)
        return high_1 < low_2 or high_2 < low_1
    words = [{word for word, _ in row.counts} for row in (one, two)]
    return all(words) and not words[0] & words[1]
