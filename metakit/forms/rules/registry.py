"""Consistency rules: what several fields say together. One entry is one function and the facts about it.

A rule that finds the impossible gives an error; the unusual gives a question, with the arithmetic shown, that
an extractor can answer. Rules never change a value. They read the facts of terms through the form, so that
another form with other vocabularies can use them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from metakit.core.registry import Registry
from metakit.errors import Problem
from metakit.forms.specs import Form, Term
from metakit.forms.tree import Group


@dataclass(frozen=True, slots=True)
class Context:
    """A record and the form that it follows."""

    record: Group
    form: Form

    def term(self, group: Group, path: str, form_path: str) -> Term | None:
        """Return the chosen term of a field; None when absent or not a term."""
        spec = self.form.find(form_path)
        return spec.terms.get(group.text(path)) if spec else None

    def outcome(self, entry: Group) -> Term | None:
        """Return the outcome of an entry of `outcomes`."""
        return self.term(entry, "outcome", "outcomes.outcome")


Check = Callable[[Context], Iterator[Problem]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule.

    `needs` are the fields that a form must have to use it; `basis` says where the rule comes from.
    """

    name: str
    label: str
    needs: tuple[str, ...]
    basis: str
    check: Check


RULES: Registry[Rule] = Registry(
    "consistency rule",
    (
        "metakit.forms.rules.explorations",
        "metakit.forms.rules.counts",
        "metakit.forms.rules.arms",
        "metakit.forms.rules.time",
        "metakit.forms.rules.techniques",
        "metakit.forms.rules.measured",
        "metakit.forms.rules.spread",
        "metakit.forms.rules.compared",
        "metakit.forms.rules.nested",
        "metakit.forms.rules.contrasts",
        "metakit.forms.rules.contrast_numbers",
        "metakit.forms.rules.sums",
        "metakit.forms.rules.returns",
        "metakit.forms.rules.bands",
        "metakit.forms.rules.first_time",
        "metakit.forms.rules.angles",
        "metakit.forms.rules.appraisal",
        "metakit.forms.rules.protocol",
        "metakit.forms.rules.planned_words",
        "metakit.forms.rules.certainty",
        "metakit.forms.rules.searches",
        "metakit.forms.rules.unit",
        "metakit.forms.rules.places",
    ),
)


def rule(name: str, label: str, *, needs: Sequence[str], basis: str) -> Callable[[Check], Check]:
    """Register the decorated function as a rule."""

    def add(check: Check) -> Check:
        RULES.add(Rule(name=name, label=label, needs=tuple(needs), basis=basis, check=check))
        return check

    return add


def run_rules(record: Group, form: Form) -> list[Problem]:
    """Run the rules that a form uses on one record, in the order of the form."""
    context = Context(record, form)
    return [replace(problem, rule=name) for name in form.rules for problem in RULES[name].check(context)]


def named_twice(groups: Sequence[Group], field: str) -> Iterator[Problem]:
    """Find entries of a list whose field names the same thing as an earlier one's."""
    first: dict[str, Group] = {}
    for item in groups:
        name = item.text(field)
        if name and name in first:
            yield item.problem(
                field, f"stands on line {first[name].place.line} already", found=name, severity="error"
            )
        first.setdefault(name, item)
