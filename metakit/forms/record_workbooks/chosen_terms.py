"""Terms in the place of the abbreviations and synonyms that were typed for them; reading told each one."""

from __future__ import annotations

from collections.abc import Sequence

from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.typed_numbers import Refused
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode


def in_terms(root: MapNode, form: Form) -> MapNode:
    """Return a record whose chosen words are the terms of its lists; all else is as it was.

    Parameters
    ----------
    root : MapNode
        A record as typed.
    form : Form
        The form that it follows.
    """
    return _group(root, form.sections, form)


def _group(node: MapNode, specs: Sequence[FieldSpec], form: Form) -> MapNode:
    known = {spec.name: spec for spec in specs}
    return MapNode(
        tuple(
            (key, _value(value, known[key.text], form) if key.text in known else value)
            for key, value in node.entries
        ),
        node.place,
    )


def _value(node: Node, spec: FieldSpec, form: Form) -> Node:
    if isinstance(node, ListNode):
        return ListNode(tuple(_value(item, spec, form) for item in node.items), node.place)
    if isinstance(node, MapNode):
        return _group(node, form.fields_of(spec), form) if spec.type == GROUP else node
    if spec.type == GROUP or not FIELD_TYPES[spec.type].needs_choices or not node.text:
        return node
    try:
        found = FIELD_TYPES[spec.type].convert(node.text, spec)
    except Refused:
        return node
    if not found.note:
        return node
    return ScalarNode(str(found.value), node.place, quoted=node.quoted)
