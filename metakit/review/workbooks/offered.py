"""What the lists of a review's workbooks offer: the outcomes and techniques that its protocol asks about.

Other terms may be typed all the same: a study can have an arm, or report an outcome, that the plan lacks.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from metakit.core.plans import Protocol
from metakit.forms.library import vocabulary
from metakit.forms.specs import FieldSpec, Form, Term

OUTCOMES, TECHNIQUES = "outcomes", "techniques"


def offering(form: Form, protocol: Protocol) -> Form:
    """Return a form whose lists of outcomes and techniques hold those of a protocol alone.

    Parameters
    ----------
    form : Form
    protocol : Protocol
        Where a network of it takes all techniques, all are offered.
    """
    wanted = {
        OUTCOMES: {plan.outcome for plan in protocol.outcomes},
        TECHNIQUES: _techniques(protocol),
    }
    lists = {tuple(vocabulary(name).terms): names for name, names in wanted.items() if names}
    return replace(
        form,
        sections=tuple(_narrowed(spec, lists) for spec in form.sections),
        shared_groups={
            name: tuple(_narrowed(spec, lists) for spec in specs)
            for name, specs in form.shared_groups.items()
        },
    )


def _narrowed(spec: FieldSpec, lists: Mapping[tuple[str, ...], Collection[str]]) -> FieldSpec:
    fields = tuple(_narrowed(field, lists) for field in spec.fields)
    names = lists.get(tuple(spec.terms)) if spec.terms else None
    if names is None:
        return replace(spec, fields=fields)
    kept: Mapping[str, Term] = {name: term for name, term in spec.terms.items() if name in names}
    return replace(spec, fields=fields, terms=kept, open_list=True)


def _techniques(protocol: Protocol) -> Collection[str]:
    if any(not plan.techniques for plan in protocol.networks):
        return ()
    sides = [(*plan.technique, *plan.comparator) for plan in protocol.comparisons]
    series = [plan.techniques for plan in protocol.analyses]
    nodes = [(plan.reference, *plan.techniques) for plan in protocol.networks]
    return {name for names in (*sides, *series, *nodes) for name in names}
