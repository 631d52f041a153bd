"""The pairs of a network as findings: direct, indirect, or extrapolated by adding up components."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from metakit.core.limits import Limits
from metakit.core.plans import NetworkPlan
from metakit.core.written import per_100
from metakit.errors import NotEstimableError
from metakit.measures.kind import MEANS
from metakit.networks.answer import NetworkAnalysis, PartAnalysis
from metakit.networks.components import JOIN, ComponentModel
from metakit.networks.evidence import evidence_on
from metakit.networks.links import linking_studies
from metakit.networks.splitting import indirect_evidence
from metakit.synthesis.gathering.gather import Task
from metakit.synthesis.networking.network_absolute import (
    NetworkAbsolute,
    NetworkBaseline,
    NetworkRisks,
    Seen,
    network_risks,
)
from metakit.synthesis.networking.network_arms import NetworkGathered, node_label
from metakit.synthesis.networking.network_findings import NetworkComparison
from metakit.synthesis.networking.network_words import (
    Behind,
    Evidence,
    comparison_sentences,
    little_behind,
    natural,
)
from metakit.synthesis.words import lower_first


def network_comparisons(
    plan: NetworkPlan, task: Task, gathered: NetworkGathered, analysis: NetworkAnalysis | None
) -> tuple[NetworkComparison, ...]:
    """Return every pair of each connected part, those against the reference first."""
    if analysis is None:
        return ()
    behind, seen = _behind(task, gathered), _seen(task, gathered)
    found: list[NetworkComparison] = []
    for item in analysis.parts:
        names = item.part.techniques
        order = [item.reference, *(name for name in names if name != item.reference)]
        pairs = [(two, one) for n, one in enumerate(order) for two in order[n + 1 :]]
        risks = _risks(plan, task, gathered, item, pairs, seen)
        through = linking_studies(item.part.arms.study, item.part.arms.technique, pairs)
        found += [
            _with_caution(_comparison(pair, item, task, risks, plan.level), through[pair], behind)
            for pair in pairs
        ]
    return tuple(found)


def _behind(task: Task, gathered: NetworkGathered) -> dict[str, Behind]:
    """Return events and thumbs (or thumb-years) of each technique, as reported."""
    size, unit = task.kind.size, task.kind.size_word
    sides: dict[str, list[Mapping[str, float]]] = {}
    for study in gathered.studies:
        for node, side in zip(gathered.nodes[study.name], study.sides, strict=True):
            sides.setdefault(node, []).append(side.numbers)
    return {
        node: Behind(
            label=lower_first(node_label(node)),
            events=None if task.kind is MEANS else sum(row["events"] for row in rows),
            size=sum(row[size] for row in rows),
            unit=unit,
        )
        for node, rows in sides.items()
    }


def _seen(task: Task, gathered: NetworkGathered) -> dict[str, Seen]:
    """Return how often studies met the outcome after each technique; nothing for means."""
    if task.kind is MEANS:
        return {}
    arms: dict[str, list[tuple[float, float]]] = {}
    for study in gathered.studies:
        for node, side in zip(gathered.nodes[study.name], study.sides, strict=True):
            arms.setdefault(node, []).append((side.numbers["events"], side.numbers[task.kind.size]))
    found = {
        node: Seen.of(lower_first(node_label(node)), rows, task.kind.size_word) for node, rows in arms.items()
    }
    return {node: seen for node, seen in found.items() if seen is not None}


def _with_caution(
    item: NetworkComparison, through: Sequence[str], behind: Mapping[str, Behind]
) -> NetworkComparison:
    sides = [behind[item.technique], behind[item.comparator]]
    text = little_behind(through, item.evidence == "indirect", sides)
    return replace(item, caution=text, sentences=(*item.sentences, *([text] if text else [])))


def _risks(
    plan: NetworkPlan,
    task: Task,
    gathered: NetworkGathered,
    item: PartAnalysis,
    pairs: Sequence[tuple[str, str]],
    seen: Mapping[str, Seen],
) -> NetworkRisks | None:
    """Return the frequency after every technique of a part, None without a baseline."""
    baseline = baseline_of_reference(plan, task, gathered, item.reference)
    if baseline is None:
        return None

    def effect(technique: str, comparator: str) -> tuple[float, Limits]:
        contrast = item.part.contrast(technique, comparator)
        estimate, low, high = (
            natural(task.measure, value) for value in (contrast.estimate, *contrast.interval)
        )
        return estimate, Limits(low, high)

    others = [name for name in item.part.techniques if name != item.reference]
    return network_risks(
        task.measure.name,
        {name: effect(name, item.reference) for name in others},
        {pair: effect(*pair) for pair in pairs},
        baseline,
        item.reference,
        seen,
    )


def _comparison(
    pair: tuple[str, str],
    item: PartAnalysis,
    task: Task,
    risks: NetworkRisks | None,
    level: float,
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
        known = evidence_on(item.direct, pair)
        share = known.share if known else 0.0
    absolute, why = None, ""
    if risks is not None:
        absolute, why = risks.of_pair(pair, estimate, Limits(*limits))
    ahead = contrast.prediction
    prediction = Limits(*(natural(measure, value) for value in ahead)) if ahead else None
    return _finding(
        task,
        pair,
        (estimate, Limits(*limits)),
        level=level,
        prediction=prediction,
        evidence=evidence,
        studies=studies,
        direct_share=share,
        absolute=absolute,
        no_absolute=why,
    )


def _finding(
    task: Task,
    pair: tuple[str, str],
    values: tuple[float, Limits],
    *,
    level: float,
    evidence: Evidence,
    absolute: NetworkAbsolute | None,
    no_absolute: str,
    prediction: Limits | None = None,
    studies: int = 0,
    direct_share: float | None = 0.0,
) -> NetworkComparison:
    labels = (node_label(pair[0]), node_label(pair[1]))
    estimate, interval = values
    return NetworkComparison(
        technique=pair[0],
        comparator=pair[1],
        technique_label=labels[0],
        comparator_label=labels[1],
        estimate=estimate,
        interval=interval,
        prediction=prediction,
        evidence=evidence,
        studies=studies,
        direct_share=direct_share,
        absolute=absolute,
        sentences=comparison_sentences(
            measure=task.measure,
            term=task.term,
            labels=labels,
            values=(estimate, *interval),
            level=level,
            evidence=evidence,
            studies=studies,
            absolute=absolute,
            when=task.question.window.label,
            no_absolute=no_absolute,
        ),
    )


def extrapolated_comparisons(
    plan: NetworkPlan,
    task: Task,
    gathered: NetworkGathered,
    analysis: NetworkAnalysis,
    model: ComponentModel,
    sets: Mapping[str, set[str]],
) -> tuple[NetworkComparison, ...]:
    """Compare techniques of unconnected parts by adding up components, where each is one set of them."""
    found: list[NetworkComparison] = []
    first, others = analysis.parts[0], analysis.parts[1:]
    baseline = baseline_of_reference(plan, task, gathered, first.reference)
    against, seen = first.reference, _seen(task, gathered)
    for technique in (name for item in others for name in item.part.techniques):
        chosen = [sets.get(name, set()) for name in (technique, against)]
        if any(len(options) != 1 for options in chosen):
            continue
        one, two = (tuple(next(iter(options)).split(JOIN)) for options in chosen)
        try:
            effect = model.predict(one, two)
        except NotEstimableError:
            continue
        estimate, *limits = (natural(task.measure, value) for value in (effect.estimate, *effect.interval))
        absolute, why = None, ""
        if baseline is not None:
            pair, value = (technique, against), (estimate, Limits(*limits))
            risks = network_risks(
                task.measure.name, {technique: value}, {pair: value}, baseline, against, seen
            )
            absolute, why = risks.of_pair(pair, *value)
        found.append(
            _finding(
                task,
                (technique, against),
                (estimate, Limits(*limits)),
                level=plan.level,
                evidence="extrapolated",
                absolute=absolute,
                no_absolute=why,
            )
        )
    return tuple(found)


def baseline_of_reference(
    plan: NetworkPlan, task: Task, gathered: NetworkGathered, reference: str
) -> NetworkBaseline | None:
    """Return the reference's risk or rate: stated by the protocol, else that of its own arms with events."""
    if task.kind is MEANS:
        return None
    unit, size = task.kind.size_word, task.kind.size
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
