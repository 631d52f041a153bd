"""Decisions that would give one arm's numbers to the other: an agreed record that nobody typed.

The agreed record says of each arm what was done; the numbers beside it come from somewhere. Where, by both
people's typing, they are the numbers of another arm, nobody ever typed these numbers for that treatment.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping

from metakit.errors import Problem
from metakit.forms.addresses import entry_key
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.tree import Group, Missing, Value
from metakit.review.reconciling.reconcile_compared import Pair

FEWEST = 2
"""Numbers that tell two arms apart, from which on an arm counts as another (one may be chance; no source)."""
_Numbers = Mapping[str, Mapping[tuple[str, ...], float]]


def mixed_arms(pair: Pair, agreed: Group) -> list[Problem]:
    """Return an error for every arm of an agreed record that bears the numbers of another one."""
    return [
        problem
        for spec in pair.form.sections
        if spec.recognised_by and spec.matched_by
        for problem in _mixed(pair, agreed, spec)
    ]


def _mixed(pair: Pair, agreed: Group, spec: FieldSpec) -> Iterator[Problem]:
    final, made = _numbers(agreed, spec, pair.form), _done(agreed, spec, pair.form)
    people = [(_numbers(group, spec, pair.form), _done(group, spec, pair.form)) for group in pair.groups]
    for arm, done in made.items():
        others = []
        for numbers, treatments in people:
            named = [name for name, treatment in treatments.items() if treatment == done]
            if len(named) == 1:
                others.append((named[0], _whose(final.get(arm, {}), numbers, named[0])))
        if len(others) == 2 and all(whose not in ("", name) for name, whose in others):
            name, whose = others[0]
            yield Problem(
                file=f"agreed record of {pair.study}", field=f"{spec.name}[{arm}]",
                what=f"the decisions give arm {arm} the numbers that {pair.people[0]} typed for arm {whose}, "
                f"while what was done in it is arm {name} of {pair.people[0]} ({' '.join(done)})",
                hint=f"decide both alike: what was done and the numbers of {name} and {whose}",
            )  # fmt: skip


def _whose(final: Mapping[tuple[str, ...], float], numbers: _Numbers, expected: str) -> str:
    """Return whose numbers an arm bears by one person's typing; empty where they tell nothing apart."""
    hits: Counter[str] = Counter()
    for key, value in final.items():
        typed = {arm: found[key] for arm, found in numbers.items() if key in found}
        if len(set(typed.values())) > 1:
            hits.update(arm for arm, number in typed.items() if number == value)
    if not hits:
        return ""
    arm, count = hits.most_common(1)[0]
    return arm if count >= FEWEST and count > 2 * hits[expected] else expected


def _done(record: Group, spec: FieldSpec, form: Form) -> dict[str, tuple[str, ...]]:
    found = {}
    for group in record.groups(spec.name):
        texts = []
        for path in spec.recognised_by:
            field, entry = form.find(f"{spec.name}.{path}"), group.entry(path)
            if field is not None and field.terms:
                value = entry.value if isinstance(entry, Value) else ""
                texts.append(", ".join(sorted(map(str, value))) if isinstance(value, tuple) else str(value))
        found[group.text(spec.matched_by[0])] = tuple(texts)
    return found


def _numbers(record: Group, spec: FieldSpec, form: Form) -> _Numbers:
    """Return the numbers of each arm by what they are: within the arm, and in entries that refer to it."""
    found: defaultdict[str, dict[tuple[str, ...], float]] = defaultdict(dict)
    target = f"{spec.name}.{spec.matched_by[0]}"
    for section in form.sections:
        fields = form.fields_of(section) if section.type == GROUP else ()
        refers = [field.name for field in fields if field.refers_to == target]
        for group in record.groups(section.name):
            rest: tuple[str, ...] = ()
            if section.name == spec.name:
                arm = group.text(spec.matched_by[0])
            elif len(refers) == 1:
                arm = group.text(refers[0])
                rest = entry_key(group, [name for name in section.matched_by if name not in refers])
            else:
                continue
            found[arm] |= {(section.name, *rest, *key): number for key, number in _inside(group)}
    return found


def _inside(group: Group) -> Iterator[tuple[tuple[str, ...], float]]:
    for name, entry in group.entries.items():
        if name == "source":
            continue
        if isinstance(entry, Group):
            yield from (((name, *key), number) for key, number in _inside(entry))
        elif isinstance(entry, Value) and not isinstance(entry.value, (Missing, bool, tuple)):
            number = group.number(name)
            if number is not None:
                yield (name,), number
