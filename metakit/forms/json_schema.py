"""A form as JSON Schema (draft 2020-12, json-schema.org), for programs that hold records as JSON.

The schema says which fields there are, their types, choices and hard limits. Soft limits, references between
entries and the rules of consistency are beyond it: the record itself is checked by its form.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.field_words import entry_words
from metakit.forms.specs import GROUP, Condition, FieldSpec, Form
from metakit.forms.tree import MISSING_CODES

DIALECT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]


def json_schema(form: Form) -> Schema:
    """Return the schema that the plain values of every record without errors fit.

    Parameters
    ----------
    form : Form
        A checked form.
    """
    body = _object(form.sections, form)
    head = {"form": {"const": form.name}, "form_version": {"enum": [form.version, str(form.version)]}}
    body["properties"] = head | body["properties"]
    body["required"] = [*head, *body.get("required", ())]
    schema = {"$schema": DIALECT, "title": form.title, "description": form.about, **body}
    groups = {name: _object(fields, form) for name, fields in form.shared_groups.items()}
    rules = "Checked beyond this schema: " + ", ".join(form.rules) if form.rules else ""
    return schema | ({"$defs": groups} if groups else {}) | ({"$comment": rules} if rules else {})


def _object(specs: Sequence[FieldSpec], form: Form) -> Schema:
    schema: Schema = {
        "type": "object",
        "properties": {spec.name: _field(spec, form) for spec in specs},
        "additionalProperties": False,
    }
    required = [spec.name for spec in specs if spec.required]
    if required:
        schema["required"] = required
    conditions = [
        {"if": {"allOf": tests}, "then": {"required": [spec.name]}}
        for spec in specs
        if spec.required_when and None not in (tests := [_test(c, specs) for c in spec.required_when])
    ]
    if conditions:
        schema["allOf"] = conditions
    return schema


def _test(condition: Condition, specs: Sequence[FieldSpec]) -> Schema | None:
    """Return the test of a condition; None for one on a field elsewhere, which a schema cannot reach."""
    spec = next((spec for spec in specs if spec.name == condition.field), None)
    if spec is None or spec.type == GROUP:
        return None
    values: list[object] = list(condition.values)
    if condition.fact:
        values = [
            term.id
            for term in spec.terms.values()
            if _fact(term.facts.flag(condition.fact), term.facts.text(condition.fact)) in condition.values
        ]
    elif spec.type == "yes_no":
        values = [value == "yes" for value in condition.values]
    return {"properties": {spec.name: {"enum": values}}, "required": [spec.name]}


def _fact(flag: bool | None, text: str) -> str:
    return text if flag is None else "yes" if flag else "no"


def _field(spec: FieldSpec, form: Form) -> Schema:
    schema = _group(spec, form) if spec.type == GROUP else _value(spec)
    words = spec.help if spec.type == GROUP else entry_words(spec)
    if form.knows_codes and spec.may_be_missing:
        codes = {"enum": list(MISSING_CODES)}
        # A text in the place of a group is a code: a validator then names what is wrong inside the group.
        schema = (
            {"if": {"type": "string"}, "then": codes, "else": schema}
            if spec.type == GROUP
            else {"anyOf": [schema, codes]}
        )
    return {"title": spec.label or spec.name, **({"description": words} if words else {}), **schema}


def _group(spec: FieldSpec, form: Form) -> Schema:
    one: Schema = {"$ref": f"#/$defs/{spec.shared}"} if spec.shared else _object(spec.fields, form)
    if not spec.repeats:
        return one
    return {"type": "array", "items": one, **({"minItems": spec.at_least} if spec.at_least else {})}


def _value(spec: FieldSpec) -> Schema:
    kind = FIELD_TYPES[spec.type]
    one: Schema = {"enum": list(spec.terms)} if kind.needs_choices else dict(kind.json)
    if kind.numeric:
        low, high = spec.hard_minimum, spec.hard_maximum
        one |= {} if low is None else {"minimum": low}
        one |= {} if high is None else {"maximum": high}
    return {"type": "array", "items": one, "uniqueItems": True} if kind.many else one
