"""All techniques together: each planned network, from plain words down to every number."""

from __future__ import annotations

from metakit.core.written import fixed
from metakit.forms.library import vocabulary
from metakit.plots.network_components import not_told
from metakit.plots.network_registry import NETWORK_FIGURES
from metakit.report.network_figures import NARROW, NetworkFigures, network_words
from metakit.report.network_tables import (
    additivity_sentence,
    best_estimate,
    fragile_lines,
    inconsistency_sentences,
    leagues,
    likeness,
    moderator_effects,
    moderator_lines,
    pair_words,
    split_lines,
)
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.synthesis.network_findings import NetworkComparison, NetworkFinding
from metakit.synthesis.windows import when_words

BALL = "tendon_interposition"


def build(page: Page) -> Content | None:
    """Return one article a network; None where the plan has none."""
    if not page.figures.networks:
        return None
    for network in page.figures.networks:
        page.citations.numbers(network.finding.references)
    return {"items": [_article(page, network) for network in page.figures.networks]}


def _article(page: Page, network: NetworkFigures) -> dict[str, object]:
    finding = network.finding
    analysis = finding.analysis
    moderator = analysis.moderator if analysis else None
    reference = analysis.parts[0].reference if analysis else ""
    first = [item for item in finding.comparisons if item.comparator == reference]
    first.sort(key=lambda item: (item.evidence == "extrapolated", item.estimate))  # as the forest has them
    others = [item for item in finding.comparisons if item.comparator != reference]
    ball, parts = _components(finding)
    outcomes = {item.outcome: item for item in page.findings.protocol.outcomes}
    return {
        "anchor": network.anchor,
        "title": finding.title,
        "when": when_words(finding.measure.kind, outcomes[finding.term.id].window),
        "measure": finding.measure.label,
        "level": f"{100 * finding.plan.level:g} %",
        "answered": analysis is not None,
        "sentences": finding.sentences,
        "cautions": finding.cautions,
        "figures": {entry.name: network.parts.get(entry.name) for entry in NETWORK_FIGURES},
        "narrow": network.parts.get(NARROW),
        "first": [_comparison(page, finding, item) for item in first],
        "others": [_comparison(page, finding, item) for item in others],
        "leagues": leagues(finding),
        "best": best_estimate(finding),
        "inconsistency": inconsistency_sentences(finding),
        "splits": split_lines(finding),
        "difference": "Direct over indirect"
        if finding.measure.scale(None).axis == "log"
        else "Direct minus indirect",
        "likeness": likeness(finding),
        "ball": ball,
        "parts": parts,
        "additivity": additivity_sentence(finding),
        "component_reason": finding.component_reason,
        "components_asked": finding.plan.components,
        "partly_given": [item.words for item in finding.partly_given],
        "fragile": fragile_lines(finding),
        "moderator": moderator,
        "moderator_unit": vocabulary("moderators")[finding.plan.moderator].facts.text("unit")
        if moderator
        else "",
        "moderator_ends": tuple(
            fixed(value, 1) for value in (moderator.lowest, moderator.mean, moderator.highest)
        )
        if moderator
        else (),
        "moderator_lines": moderator_lines(finding),
        "moderator_effects": moderator_effects(finding),
        "set_aside": finding.set_aside,
        "assumptions": [
            (step, page.citations.number(step.reference) if step.reference else None)
            for step in finding.assumptions
        ],
        "notes": finding.notes,
        "citations": page.citations.numbers(finding.references),
    }


def _comparison(page: Page, finding: NetworkFinding, item: NetworkComparison) -> dict[str, object]:
    """Return one comparison in words, with the share of direct evidence and how certain it is."""
    mixed = item.evidence == "direct_and_indirect" and item.direct_share is not None
    return {
        "pair": pair_words(item.technique, item.comparator),
        "technique": item.technique_label,
        "sentences": item.sentences,
        "share": f"{100 * (item.direct_share or 0):.0f}" if mixed else "",
        "pairwise": _pairwise(page, finding, item),
    }


def _pairwise(page: Page, finding: NetworkFinding, item: NetworkComparison) -> dict[str, str] | None:
    """Return the certainty of the pairwise answer to the same question; None where there is none.

    It was judged for the studies that compare the two directly, not for the network's estimate.
    """
    pair = {(item.technique,), (item.comparator,)}
    for certainty in page.certainties:
        other = next(one for one in page.findings.analyses if one.plan.id == certainty.body.analysis)
        comparison = other.comparison
        if comparison is None or other.plan.outcome != finding.plan.outcome:
            continue
        sides = {comparison.technique, comparison.comparator}
        if sides == pair and not (comparison.options(1) or comparison.options(2)):
            return {
                "analysis": certainty.body.analysis,
                "words": f"{certainty.level_words} ({certainty.status_words})",
            }
    return None


def _components(finding: NetworkFinding) -> tuple[list[str], list[str]]:
    """Return the sentences on the tendon ball, and those on all parts, tied ones once a set."""
    model = finding.components
    if model is None:
        return [], []
    terms = vocabulary("components")
    balls = {term.id for term in terms if term.facts.text("group") == BALL}
    ball = [item.sentence for item in finding.component_sentences if item.component in balls]
    told = {effect.component for effect in model.effects if effect.estimate is not None}
    parts = [item.sentence for item in finding.component_sentences if item.component in told]
    return ball, [*parts, *not_told(model, network_words(finding, of_components=True))]


SECTIONS.add(
    Section(name="networks", title="All techniques together", template="networks.html.j2", build=build)
)
