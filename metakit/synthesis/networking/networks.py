"""A review's planned networks, from records to findings: every technique against every other, in words."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

from metakit.core.plans import NetworkPlan, Protocol
from metakit.core.records import StudyRecord
from metakit.core.written import count
from metakit.errors import NotEstimableError, UsageError
from metakit.measures.registry import Measure
from metakit.models.inference import DEFAULT_INFERENCE
from metakit.networks.analysis import analyse_network
from metakit.networks.answer import NetworkAnalysis
from metakit.networks.arms import NetworkArms, arms_from_counts_or_means, corrected_by_size
from metakit.networks.components import ComponentModel, arm_name, fit_components
from metakit.networks.funnel import comparison_adjusted_funnel
from metakit.networks.models import network_inference
from metakit.networks.moderators import fit_moderator
from metakit.synthesis.cautions import not_agreed
from metakit.synthesis.exploring.moderators import moderator_column
from metakit.synthesis.gathering.gather import Task
from metakit.synthesis.networking.network_arms import (
    NetworkGathered,
    PartlyGiven,
    baseline_components,
    component_label,
    component_set,
    gather_network,
    network_task,
    node_label,
    partly_given,
    parts_notes,
)
from metakit.synthesis.networking.network_comparisons import extrapolated_comparisons, network_comparisons
from metakit.synthesis.networking.network_findings import (
    ComponentSentence,
    NetworkComparison,
    NetworkFinding,
    NetworkNode,
)
from metakit.synthesis.networking.network_words import (
    component_sentence,
    natural,
)
from metakit.synthesis.terms import lower_is_better
from metakit.synthesis.words import lower_first


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
    inference = protocol.inference or DEFAULT_INFERENCE
    lower = lower_is_better(task.term, task.measure)
    analysis: NetworkAnalysis | None = None
    reason = ""
    try:
        columns = {
            name: moderator_column(name, gathered.studies, plan.outcome) for name in plan.characteristics
        }
        analysis = analyse_network(
            _arms(plan, gathered),
            model=plan.model,
            tau2=plan.tau2,
            inference=inference,
            reference=plan.reference,
            lower_is_better=lower,
            level=plan.level,
            characteristics={
                name: {value.study: value.value for value in column.values}
                for name, column in columns.items()
            },
        )
    except NotEstimableError as why:
        reason = str(why)
    extra: list[str] = []
    if analysis is not None:
        analysis, extra = _with_moderator_and_funnel(plan, gathered, analysis)
    components, component_reason, parts, sets, by_parts = _components(plan, task, studies, names, inference)
    if by_parts is not None:
        extra += parts_notes(by_parts, gathered)
    nodes = _nodes(gathered)
    comparisons = network_comparisons(plan, task, gathered, analysis)
    if analysis is not None and components is not None and len(analysis.parts) > 1:
        comparisons += extrapolated_comparisons(plan, task, gathered, analysis, components, sets)
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
        notes=(*_notes(gathered, analysis, extra), *_carried(comparisons)),
    )


def _with_moderator_and_funnel(
    plan: NetworkPlan, gathered: NetworkGathered, analysis: NetworkAnalysis
) -> tuple[NetworkAnalysis, list[str]]:
    """Add what the plan asks for beside the network; what cannot be answered is a note, not an error."""
    notes = []
    first = analysis.parts[0]
    if plan.moderator:
        column = moderator_column(plan.moderator, gathered.studies, plan.outcome)
        values = {v.study: None if isinstance(v.value, str) else v.value for v in column.values}
        try:
            found = fit_moderator(
                analysis.arms,
                column.label,
                values,
                reference=first.reference,
                form=plan.moderator_form,
                model=first.part.model,
                tau2=plan.tau2 or "reml",
                inference=first.part.inference,
                level=plan.level,
            )
        except (NotEstimableError, UsageError) as why:
            notes.append(f"No answer on the moderator {column.label}: {why}.")
        else:
            analysis = replace(analysis, moderator=found)
            notes += found.notes
    order = tuple(name for name in plan.order if name in first.part.techniques)
    if order:
        try:
            funnel = comparison_adjusted_funnel(first.part, order)
        except UsageError as why:
            notes.append(f"No comparison-adjusted funnel: {why}.")
        else:
            analysis = replace(analysis, funnel=funnel)
            notes += funnel.notes
    return analysis, notes


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
    plan: NetworkPlan, task: Task, studies: Sequence[StudyRecord], names: Mapping[str, str], inference: str
) -> tuple[
    ComponentModel | None, str, tuple[PartlyGiven, ...], dict[str, set[str]], NetworkGathered | None
]:  # fmt: skip
    """Return the component model or why there is none, covariates, each technique's sets, and the arms."""
    if not plan.components:
        return None, "", (), {}, None
    gathered = gather_network(task, plan, studies, names, by_components=True)
    parts = tuple(
        part
        for study in gathered.studies
        for side in study.sides
        for arm in side.arms
        for part in partly_given(study.name, arm.arm)
    )
    named = plan.model is not None or plan.tau2 is not None
    try:
        arms = _arms(plan, gathered)
        rule = "" if named else network_inference(arms, inference)[0].inference
        found = fit_components(
            arms if named else corrected_by_size(arms),
            interactions=plan.interactions,
            inactive=baseline_components(arms.techniques),
            model=plan.model
            if plan.model in ("random_effects", "common_effect")
            else ("random_effects" if plan.model is None else "common_effect"),
            tau2=plan.tau2 or "reml",
            inference=rule,
            level=plan.level,
        )
    except NotEstimableError as why:
        return None, str(why), parts, {}, gathered
    sets: dict[str, set[str]] = {}
    for study in gathered.studies:
        for side in study.sides:
            for arm in side.arms:
                sets.setdefault(arm.arm.technique, set()).add(arm_name(component_set(arm.arm)))
    return found, "", parts, sets, gathered


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


def _notes(
    gathered: NetworkGathered, analysis: NetworkAnalysis | None, extra: Sequence[str]
) -> tuple[str, ...]:
    """Return all notes once, techniques by their labels."""
    told = [*(analysis.to_json()["notes"] if analysis else ()), *extra]
    techniques = sorted(analysis.arms.techniques if analysis else (), key=len, reverse=True)
    if techniques:
        pattern = re.compile(r"\b(" + "|".join(map(re.escape, techniques)) + r")\b")
        told = [pattern.sub(lambda match: lower_first(node_label(match[0])), note) for note in told]
    return tuple(dict.fromkeys((*gathered.notes, *told)))


def _carried(comparisons: Sequence[NetworkComparison]) -> tuple[str, ...]:
    """Say once why frequencies were not made by the measure itself."""
    found = (item.absolute.carried for item in comparisons if item.absolute is not None)
    return tuple(dict.fromkeys(text for text in found if text))


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
