"""A review's planned networks, from records to findings: every technique against every other, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from metakit.core.notes import Assumption, SetAside
from metakit.core.records import NetworkPlan, Protocol, StudyRecord
from metakit.core.results import Limits
from metakit.errors import NotEstimableError
from metakit.measures.registry import Measure
from metakit.network.analysis import NetworkAnalysis, PartAnalysis, analyse_network
from metakit.network.arms import NetworkArms, arms_from_counts_or_means
from metakit.network.components import ComponentModel, fit_components
from metakit.network.splitting import indirect_evidence
from metakit.synthesis.cautions import not_agreed
from metakit.synthesis.findings import finite
from metakit.synthesis.gather import Task
from metakit.synthesis.network_arms import (
    NetworkGathered,
    PartlyGiven,
    baseline_components,
    component_label,
    gather_network,
    network_task,
    node_label,
    partly_given,
)
from metakit.synthesis.network_words import (
    Evidence,
    NetworkAbsolute,
    NetworkBaseline,
    absolute_of_pair,
    comparison_sentences,
    component_sentence,
    natural,
)
from metakit.synthesis.spoken import count, per_100
from metakit.synthesis.terms import OutcomeTerm
from metakit.synthesis.words import lower_first


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkNode:
    """A technique of the network: how many studies and thumbs (or thumb-years) it has in the analysis."""

    technique: str
    label: str
    studies: int
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkComparison:
    """One pair of techniques. `estimate`, `interval`, `prediction` in natural units.

    `studies` compare the two directly; `direct_share` is None in models without it. `sentences` tell it in
    plain words, the size first.
    """

    technique: str
    comparator: str
    technique_label: str
    comparator_label: str
    estimate: float
    interval: Limits
    prediction: Limits | None
    evidence: Evidence
    studies: int
    direct_share: float | None
    absolute: NetworkAbsolute | None
    sentences: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the comparison as JSON, effects in natural units."""
        return {
            "technique": self.technique,
            "comparator": self.comparator,
            "estimate": self.estimate,
            "interval": list(self.interval),
            "prediction_interval": list(self.prediction) if self.prediction else None,
            "evidence": self.evidence,
            "direct_studies": self.studies,
            "direct_share": self.direct_share,
            "absolute": self.absolute.to_json() if self.absolute else None,
            "sentences": list(self.sentences),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ComponentSentence:
    """What one component adds, in words; the numbers stand in `NetworkFinding.components`."""

    component: str
    label: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkFinding:
    """One planned network, answered or not.

    `analysis` is None where nothing can be compared; `reason` then says why. `comparisons` holds every pair,
    those against the reference first. `nodes` are in the order of the analysis' techniques. `components` is
    the additive model over sets of components; `component_reason` says why there is none although asked for.
    """

    plan: NetworkPlan
    title: str
    term: OutcomeTerm
    measure: Measure
    nodes: tuple[NetworkNode, ...]
    analysis: NetworkAnalysis | None
    reason: str
    comparisons: tuple[NetworkComparison, ...]
    components: ComponentModel | None
    component_reason: str
    component_sentences: tuple[ComponentSentence, ...]
    partly_given: tuple[PartlyGiven, ...]
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    set_aside: tuple[SetAside, ...]
    assumptions: tuple[Assumption, ...]
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the finding as JSON."""
        answer = {
            "id": self.plan.id,
            "title": self.title,
            "outcome": self.term.id,
            "measure": self.plan.measure,
            "reference": self.plan.reference,
            "nodes": [
                {"technique": n.technique, "label": n.label, "studies": n.studies, "size": n.size}
                for n in self.nodes
            ],
            "result": self.analysis.to_json() if self.analysis else None,
            "reason_not_estimable": self.reason or None,
            "comparisons": [item.to_json() for item in self.comparisons],
            "components": [
                {"component": item.component, "label": item.label, "sentence": item.sentence}
                for item in self.component_sentences
            ],
            "reason_without_components": self.component_reason or None,
            "partly_given": [
                {
                    "study": p.study,
                    "arm": p.arm,
                    "component": p.component,
                    "thumbs": p.thumbs,
                    "total": p.total,
                }
                for p in self.partly_given
            ],
            "sentences": list(self.sentences),
            "cautions": list(self.cautions),
            "set_aside": [{"study": item.study, "reason": item.reason} for item in self.set_aside],
            "assumptions": [str(item) for item in self.assumptions],
            "notes": list(self.notes),
        }
        return {key: finite(item) for key, item in answer.items()}


def analyse_network_plan(
    plan: NetworkPlan, protocol: Protocol, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> NetworkFinding:
    """Carry out one planned network.

    Raises
    ------
    UnknownNameError
        If the plan names an outcome that the protocol lacks.
    """
    task = network_task(plan, protocol)
    gathered = gather_network(task, plan, studies, names, by_components=False)
    lower = {"lower": True, "higher": False}.get(task.term.better)
    analysis: NetworkAnalysis | None = None
    reason = ""
    try:
        analysis = analyse_network(
            _arms(plan, gathered), model=plan.model, tau2=plan.tau2, reference=plan.reference,
            lower_is_better=lower, level=plan.level,
        )  # fmt: skip
    except NotEstimableError as why:
        reason = str(why)
    components, component_reason, parts = _components(plan, task, studies, names)
    nodes = _nodes(gathered)
    comparisons = _comparisons(plan, task, gathered, analysis)
    return NetworkFinding(
        plan=plan,
        title=f"{task.term.label}: {plan.label}",
        term=task.term,
        measure=task.measure,
        nodes=nodes,
        analysis=analysis,
        reason=reason,
        comparisons=comparisons,
        components=components,
        component_reason=component_reason,
        component_sentences=_component_sentences(components, task.measure),
        partly_given=parts,
        sentences=_sentences(nodes, gathered, analysis, reason),
        cautions=(*_cautions(analysis, comparisons), *(not_agreed(gathered.studies) if analysis else ())),
        set_aside=(*gathered.set_aside, *(analysis.arms.set_aside if analysis else ())),
        assumptions=(*gathered.assumptions, *(analysis.arms.assumptions if analysis else ())),
        notes=tuple(dict.fromkeys((*gathered.notes, *(analysis.to_json()["notes"] if analysis else ())))),
    )


def _arms(plan: NetworkPlan, gathered: NetworkGathered) -> NetworkArms:
    rows = gathered.rows()
    if not rows:
        aside = "; ".join(f"{item.study}: {item.reason}" for item in gathered.set_aside)
        raise NotEstimableError(
            f"no study compares two techniques on this outcome ({aside or 'none was read'})"
        )
    columns = {name: [row[2][name] for row in rows] for name in rows[0][2]}
    return arms_from_counts_or_means(
        plan.measure, [row[0] for row in rows], [row[1] for row in rows], columns
    )


def _components(
    plan: NetworkPlan, task: Task, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> tuple[ComponentModel | None, str, tuple[PartlyGiven, ...]]:
    if not plan.components:
        return None, "", ()
    gathered = gather_network(task, plan, studies, names, by_components=True)
    parts = tuple(
        part
        for study in gathered.studies
        for side in study.sides
        for arm in side.arms
        for part in partly_given(study.name, arm.arm)
    )
    model = plan.model if plan.model in ("random_effects", "common_effect") else "common_effect"
    try:
        arms = _arms(plan, gathered)
        found = fit_components(
            arms,
            interactions=plan.interactions,
            inactive=baseline_components(arms.techniques),
            model=model,
            tau2=plan.tau2,
            level=plan.level,
        )
    except NotEstimableError as why:
        return None, str(why), parts
    return found, "", parts


def _nodes(gathered: NetworkGathered) -> tuple[NetworkNode, ...]:
    studies: dict[str, int] = {}
    size: dict[str, float] = {}
    for study in gathered.studies:
        for node, side in zip(gathered.nodes[study.name], study.sides, strict=True):
            studies[node] = studies.get(node, 0) + 1
            size[node] = size.get(node, 0.0) + side.numbers.get("total", side.numbers.get("time", 0.0))
    return tuple(
        NetworkNode(technique=node, label=node_label(node), studies=studies[node], size=size[node])
        for node in sorted(studies)
    )


def _comparisons(
    plan: NetworkPlan, task: Task, gathered: NetworkGathered, analysis: NetworkAnalysis | None
) -> tuple[NetworkComparison, ...]:
    if analysis is None:
        return ()
    found: list[NetworkComparison] = []
    for item in analysis.parts:
        names = item.part.techniques
        order = [item.reference, *(name for name in names if name != item.reference)]
        pairs = [(two, one) for n, one in enumerate(order) for two in order[n + 1 :]]
        baseline = _baseline(plan, task, gathered, item.reference)
        found += [_comparison(pair, item, task, baseline, plan.level) for pair in pairs]
    return tuple(found)


def _comparison(
    pair: tuple[str, str], item: PartAnalysis, task: Task, baseline: NetworkBaseline | None, level: float
) -> NetworkComparison:
    measure, (technique, comparator) = task.measure, pair
    contrast = item.part.contrast(technique, comparator)
    estimate, *limits = (natural(measure, value) for value in (contrast.estimate, *contrast.interval))
    members: dict[str, set[str]] = {}
    for study, name in zip(item.part.arms.study, item.part.arms.technique, strict=True):
        members.setdefault(study, set()).add(name)
    studies = sum({technique, comparator} <= names for names in members.values())
    evidence: Evidence = "indirect"
    if studies:
        both = bool(indirect_evidence(item.part.arms, [pair])[0])
        evidence = "direct_and_indirect" if both else "direct"
    share: float | None = 0.0
    if item.direct is None:
        share = None
    elif studies:
        share = (item.direct.get(pair) or item.direct[comparator, technique])[2]
    absolute = None
    if baseline is not None:
        own = None
        if comparator != item.reference:
            own = natural(measure, item.part.contrast(comparator, item.reference).estimate)
        absolute = absolute_of_pair(measure.name, estimate, Limits(*limits), own, baseline)
    labels = (node_label(technique), node_label(comparator))
    ahead = contrast.prediction
    return NetworkComparison(
        technique=technique,
        comparator=comparator,
        technique_label=labels[0],
        comparator_label=labels[1],
        estimate=estimate,
        interval=Limits(*limits),
        prediction=Limits(*(natural(measure, value) for value in ahead)) if ahead else None,
        evidence=evidence,
        studies=studies,
        direct_share=share,
        absolute=absolute,
        sentences=comparison_sentences(
            measure=measure,
            term=task.term,
            labels=labels,
            values=(estimate, limits[0], limits[1]),
            level=level,
            evidence=evidence,
            studies=studies,
            absolute=absolute,
            when=task.question.window.label,
        ),
    )


def _baseline(
    plan: NetworkPlan, task: Task, gathered: NetworkGathered, reference: str
) -> NetworkBaseline | None:
    if task.family == "means":
        return None
    unit, size = ("thumb-years", "time") if task.family == "rates" else ("thumbs", "total")
    label = lower_first(node_label(reference))
    if plan.baseline_per_100 is not None and reference == plan.reference:
        basis = f"{per_100(plan.baseline_per_100)} in 100 as the protocol states"
        return NetworkBaseline(value=plan.baseline_per_100 / 100, unit=unit, basis=basis, reference=label)
    sides = [
        side.numbers
        for study in gathered.studies
        for node, side in zip(gathered.nodes[study.name], study.sides, strict=True)
        if node == reference
    ]
    events, total = sum(side["events"] for side in sides), sum(side[size] for side in sides)
    if events <= 0 or total <= 0:
        return None
    basis = f"{events:.0f} {'in' if size == 'time' else 'of'} {total:.0f} {unit} in these studies"
    return NetworkBaseline(value=events / total, unit=unit, basis=basis, reference=label)


def _component_sentences(model: ComponentModel | None, measure: Measure) -> tuple[ComponentSentence, ...]:
    if model is None:
        return ()
    found = []
    for effect in model.effects:
        label = " with ".join(component_label(name) for name in effect.component.split("*"))
        values: tuple[float, ...] = ()
        if effect.estimate is not None and effect.interval is not None:
            values = tuple(natural(measure, value) for value in (effect.estimate, *effect.interval))
        tied = [component_label(name) for name in effect.tied_with]
        sentence = component_sentence(effect, label, tied, measure, values, model.level)
        found.append(ComponentSentence(component=effect.component, label=label, sentence=sentence))
    return tuple(found)


def _sentences(
    nodes: Sequence[NetworkNode], gathered: NetworkGathered, analysis: NetworkAnalysis | None, reason: str
) -> tuple[str, ...]:
    if analysis is None:
        return (f"No answer: {reason.rstrip('.')}.",)
    told = [
        f"{count(len(gathered.studies), 'study compares', 'studies compare')} {len(nodes)} techniques "
        f"({'; '.join(node.label for node in nodes)}); shown against "
        f"{lower_first(node_label(analysis.parts[0].reference))}."
    ]
    if len(analysis.parts) > 1:
        named = " | ".join("; ".join(map(node_label, item.part.techniques)) for item in analysis.parts)
        told.append(f"No study connects these {len(analysis.parts)} groups, so each stands alone: {named}.")
    tau2 = analysis.parts[0].part.tau2
    if analysis.parts[0].part.model != "common_effect" and tau2 > 0:
        told.append(
            f"Between studies, effects vary with a standard deviation (tau) of {math.sqrt(tau2):.2f}."
        )
    return tuple(told)


def _cautions(analysis: NetworkAnalysis | None, comparisons: Sequence[NetworkComparison]) -> tuple[str, ...]:
    if analysis is None:
        return ()
    direct = [item for item in comparisons if item.studies]
    single = [item for item in direct if item.studies == 1]
    mixed = [item for item in comparisons if item.evidence == "direct_and_indirect"]
    told = []
    if 2 * len(single) >= len(direct):
        text = (
            f"The network is thin: {len(single)} of {len(direct)} direct comparisons rest on one study each"
        )
        told.append(
            f"{text}."
            if mixed
            else f"{text}, and no comparison has both direct and indirect evidence, so nothing can be "
            "checked against anything else."
        )
    if any(item.studies == 0 for item in comparisons):
        told.append(
            "Indirect comparisons hold only if the studies are alike in all that changes the effect; look at "
            "the table of study characteristics by comparison."
        )
    told.append(
        "Decision support only: ask a statistician before publishing a network, and read intervals before "
        "ranks."
    )
    return tuple(told)
