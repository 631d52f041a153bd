"""What must be there: required fields, fields required under conditions, and ids that exist."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

from metakit.core.values import Place
from metakit.errors import Problem, nearest_names
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.specs import GROUP, Condition, FieldSpec, Form
from metakit.forms.tree import Group, Missing, Value


def absent_fields(
    root: Group, form: Form, blanks: Mapping[str, Place], refused: Collection[str]
) -> Iterator[Problem]:
    """Find required fields without a value.

    Parameters
    ----------
    root : Group
        The record.
    form : Form
        Its form.
    blanks : mapping of str to Place
        Fields that stand in the file without a value.
    refused : collection of str
        Fields whose value was refused already; they are not asked for a second time.
    """

    def look(group: Group, specs: Sequence[FieldSpec]) -> Iterator[Problem]:
        for spec in specs:
            entry = group.entries.get(spec.name)
            path = group.path(spec.name)
            if entry is None and path not in refused:
                yield from _absent(group, spec, root, form, blanks.get(path))
            if isinstance(entry, Group):
                yield from look(entry, form.fields_of(spec))
            elif isinstance(entry, tuple):
                if len(entry) < spec.at_least:
                    yield group.problem(
                        spec.name,
                        f"{len(entry)} entries",
                        allowed=f"at least {spec.at_least}",
                        severity="error",
                    )
                for item in entry:
                    yield from look(item, form.fields_of(spec))

    yield from look(root, form.sections)


def _absent(group: Group, spec: FieldSpec, root: Group, form: Form, blank: Place | None) -> Iterator[Problem]:
    conditions = spec.required_when
    if not spec.required and not (conditions and all(_holds(c, group, root, form) for c in conditions)):
        return
    because = "" if spec.required else f" when {_words(conditions)}"
    place = blank or group.place
    problem = group.problem(
        "",
        f"a value is required{because}",
        severity="error",
        found="blank" if blank else "",
        allowed=allowed_text(spec),
        hint="write not_reported when the report does not give it" if spec.may_be_missing else "",
    )
    yield replace(problem, file=place.file, field=group.path(spec.name), line=place.line, column=place.column)


def _holds(condition: Condition, group: Group, root: Group, form: Form) -> bool:
    home = group if group.entry(condition.field) is not None else root
    entry = home.entry(condition.field)
    if not isinstance(entry, Value):
        return False
    value: object = entry.value.value if isinstance(entry.value, Missing) else entry.value
    if condition.fact:
        spec = form.find(_without_numbers(home.path(condition.field)))
        term = spec.terms.get(str(value)) if spec else None
        value = term.facts.flag(condition.fact) if term else ""
        if term and value is None:
            value = term.facts.text(condition.fact)
    if isinstance(value, bool):
        value = "yes" if value else "no"
    return str(value) in condition.values


def _words(conditions: Sequence[Condition]) -> str:
    return " and ".join(
        (f"{c.fact} of {c.field}" if c.fact else c.field) + f" is {' or '.join(c.values)}" for c in conditions
    )


def _without_numbers(path: str) -> str:
    return "".join(part.split("]")[-1] for part in path.split("["))


def allowed_text(spec: FieldSpec) -> str:
    """Say in a few words what a field accepts."""
    if spec.type == GROUP:
        return ""
    if spec.terms:
        names = list(spec.terms)
        return ", ".join(names[:8]) + (f", ... ({len(names)} in all)" if len(names) > 8 else "")
    kind = FIELD_TYPES[spec.type]
    return f"{kind.label}, such as {spec.example or kind.example}"


def broken_references(root: Group, form: Form) -> Iterator[Problem]:
    """Find values that should be the id of another entry and are not."""
    known: dict[str, frozenset[str]] = {}
    for group, spec, entry in _values(root, form.sections, form):
        if not spec.refers_to or isinstance(entry.value, Missing):
            continue
        target = spec.refers_to
        if target not in known:
            known[target] = frozenset(_texts_at(root, target.split(".")))
        named = entry.value if isinstance(entry.value, tuple) else (entry.value,)
        for name in map(str, named):
            if name not in known[target]:
                what = f"there is no entry with this {target.split('.')[-1]} under {target.split('.')[0]}"
                hint = nearest_names(name, known[target])
                yield group.problem(spec.name, what, found=name, hint=hint, severity="error")


def _values(group: Group, specs: Sequence[FieldSpec], form: Form) -> Iterator[tuple[Group, FieldSpec, Value]]:
    for spec in specs:
        entry = group.entries.get(spec.name)
        if isinstance(entry, Value):
            yield group, spec, entry
        elif isinstance(entry, Group):
            yield from _values(entry, form.fields_of(spec), form)
        elif isinstance(entry, tuple):
            for item in entry:
                yield from _values(item, form.fields_of(spec), form)


def _texts_at(group: Group, path: Sequence[str]) -> Iterator[str]:
    entry = group.entries.get(path[0])
    if isinstance(entry, tuple):
        for item in entry:
            yield from _texts_at(item, path[1:])
    elif isinstance(entry, Group):
        yield from _texts_at(entry, path[1:])
    elif isinstance(entry, Value) and not isinstance(entry.value, Missing):
        yield str(entry.value)
