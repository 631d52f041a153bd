"""The question of the review and what its protocol planned."""

from __future__ import annotations

from collections.abc import Mapping

from metakit.core.plans import ARM_OPTIONS, ComparisonPlan
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.synthesis.gathering.windows import window
from metakit.synthesis.terms import label_of, outcome_term
from metakit.telling.results import RANKS


def build(page: Page) -> Content:
    """Return question, population, comparisons, outcomes and amendments."""
    protocol = page.findings.protocol
    amendments = protocol.fields.get("amendments") or []
    return {
        "protocol": protocol,
        "comparisons": [{"label": item.label, "coded": _coded(item)} for item in protocol.comparisons],
        "series": [
            {
                "label": plan.techniques_label,
                "coded": _unless_same(_techniques(plan.techniques, {}), plan.techniques_label),
            }
            for plan in {plan.techniques: plan for plan in protocol.analyses if plan.techniques}.values()
        ],
        "outcomes": [
            {
                "label": outcome_term(item.outcome).label,
                "rank": RANKS[item.importance],
                "window": window(item.window).label,
                "better": {"lower": "fewer or lower is better", "higher": "more or higher is better"}.get(
                    outcome_term(item.outcome).better, "as each record states"
                ),
                "smallest": _smallest(item.smallest_important_difference, item.outcome),
                "source": item.smallest_important_difference_source,
            }
            for item in protocol.outcomes
        ],
        "amendments": [
            {
                "date": item.get("date", ""),
                "what": str(item.get("what", "")).rstrip("."),
                "why": str(item.get("why", "")).rstrip("."),
                "data_seen": bool(item.get("data_seen")),
            }
            for item in amendments
            if isinstance(item, Mapping)
        ],
    }


def _coded(item: ComparisonPlan) -> str:
    first = _techniques(item.technique, item.options(1))
    second = _techniques(item.comparator, item.options(2))
    return _unless_same(f"{first} against {second}", item.label)


def _unless_same(coded: str, label: str) -> str:
    return "" if coded.casefold() == label.casefold() else coded


def _techniques(ids: tuple[str, ...], options: Mapping[str, tuple[str, ...]]) -> str:
    text = " or ".join(label_of("techniques", name) for name in ids)
    parts = [
        " or ".join(label_of(ARM_OPTIONS[kind], name) for name in allowed)
        for kind, allowed in options.items()
    ]
    return f"{text} with {' and '.join(parts)}" if parts else text


def _smallest(value: float | None, outcome: str) -> str:
    if value is None:
        return "not stated"
    term = outcome_term(outcome)
    return f"{value:g} per 100 thumbs" if term.kind == "events" else f"{value:g} {term.unit}".strip()


SECTIONS.add(Section(name="question", title="The question", template="question.html.j2", build=build))
