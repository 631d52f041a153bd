"""Kinds of sensitivity analysis, and which of them a protocol planned before results were known."""

from __future__ import annotations

from metakit.core.plans import Protocol, SpecificationPlan
from metakit.forms.library import vocabulary
from metakit.forms.rules.planned_words import beginning
from metakit.synthesis.choices.specification_results import Standing

KINDS = {term.id: term.label for term in vocabulary("sensitivity_kinds")}
"""Kinds of sensitivity analysis; an entry of the protocol's `sensitivity` that starts with one plans it."""

_KIND_OF = {"without_high_concern": "high_concern", "without_medians": "derived_numbers"}
_KIND_OF |= {"borrowed_spread": "derived_numbers"}
_STARTS = {"icc_": "icc", "per_event_": "totals", "definition_": "definition", "adjusted_": "adjusted"}


def planned_kinds(protocol: Protocol) -> frozenset[str]:
    """Return the kinds, and single analyses, that the protocol planned before results were known."""
    entries = protocol.fields.get("sensitivity") or ()
    kinds = {beginning(str(entry)) for entry in entries} - {""}
    plan = protocol.specifications
    if plan is not None and not plan.data_seen:
        kinds |= _declared(plan)
    return frozenset(kinds)


def _declared(plan: SpecificationPlan) -> set[str]:
    """Return what a plan of specifications declares, in the names of single analyses."""
    found = set(plan.models)
    found |= {f"tau2_{name}" for name in plan.tau2} | {f"interval_{name}" for name in plan.intervals}
    found |= {f"measure_{name}" for name in plan.measures} | {
        f"zero_cells_{name}" for name in plan.zero_cells
    }
    found |= {f"icc_{icc:g}" for icc in plan.iccs}
    return found | ({"high_concern"} if "without_high_concern" in plan.appraisal else set())


def kind_of(name: str) -> str:
    """Return the kind of a sensitivity analysis."""
    if name in _KIND_OF:
        return _KIND_OF[name]
    return next((kind for start, kind in _STARTS.items() if name.startswith(start)), "model")


def standing_of(name: str, planned: frozenset[str]) -> Standing:
    """Return whether a sensitivity analysis was planned; `planned` is from `planned_kinds`."""
    return "planned" if name in planned or kind_of(name) in planned else "exploratory"
