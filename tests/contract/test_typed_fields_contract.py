"""Every field of every form, typed at the desk: the text changes there alone, goes back, and means what a workbook says."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from metakit.desk.changes import Change, addresses_in, key_fields, plain_at, text_of, with_changes, with_entry
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.library import shipped
from metakit.forms.record_workbooks.assembling import assemble
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.splice import plain_of
from metakit.forms.yaml_nodes import read_bytes
from metakit.review.template import empty_record

FORMS = shipped().form_names()
SAMPLES = {
    "text": "a: 'b' # c, [d] {e}", "list": "one\ntwo, three", "yes_no": "yes", "p_value": "<0.001",
}  # fmt: skip
"""Texts that YAML would take for something else, were they not quoted."""


def sample(spec: FieldSpec, number: int = 0) -> str:
    """Return a value of a field's type, the second one where there is another."""
    terms = list(spec.terms)
    if terms:
        chosen = terms[number % len(terms)]
        return chosen if not FIELD_TYPES[spec.type].many else "\n".join(dict.fromkeys((chosen, terms[-1])))
    if spec.type == "identifier":
        return f"name_{number}"
    return SAMPLES.get(spec.type) or (spec.example or FIELD_TYPES[spec.type].example)


@cache
def holding_everything(name: str) -> tuple[str, tuple[tuple[str, str], ...]]:
    """Return an empty record of a form with one entry in each of its lists, and the address of every field.

    The text is the template that `metakit new` writes: comments, hidden fields and layout of every kind.
    """
    form = shipped().form(name)
    text = empty_record(form)
    found: list[tuple[str, str]] = []

    def walk(specs: Sequence[FieldSpec], before: str, path: str) -> None:
        nonlocal text
        for spec in specs:
            where, here = f"{before}{spec.name}", f"{path}{spec.name}"
            if spec.type != GROUP:
                found.append((where, here))
            elif not spec.repeats:
                walk(form.fields_of(spec), f"{where}.", f"{here}.")
            else:
                keys = {key: sample(form.find(f"{here}.{key}")) for key in key_fields(spec, form)}
                text, entry = with_entry(text, form, where, keys)
                walk(form.fields_of(spec), f"{entry}.", f"{here}.")

    walk(form.sections, "", "")
    return text, tuple(found)


CASES = [(name, address, path) for name in FORMS for address, path in holding_everything(name)[1]]


def typed(text: str, form: Form, address: str) -> str:
    steps = addresses_in(text, form).steps(address)
    assert steps is not None, address
    return text_of(plain_at(plain_of(text), steps))


def hunks(before: str, after: str) -> Iterator[tuple[list[str], list[str]]]:
    old, new = before.splitlines(keepends=True), after.splitlines(keepends=True)
    for kind, a, b, c, d in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if kind != "equal":
            yield old[a:b], new[c:d]


def said(plain: Any) -> Any:
    """Return what a record says, without what is empty."""
    if isinstance(plain, dict):
        return {
            name: one for name, one in ((n, said(v)) for n, v in plain.items()) if one not in ("", [], {})
        }
    return [one for one in map(said, plain) if one not in ("", {})] if isinstance(plain, list) else plain


@pytest.mark.grid
@pytest.mark.parametrize(("name", "address", "path"), CASES, ids=[f"{n}-{p}" for n, _, p in CASES])
def test_a_field_is_typed_and_taken_back_and_nothing_else_moves(name: str, address: str, path: str) -> None:
    form = shipped().form(name)
    spec = form.find(path)
    assert spec is not None
    before, _ = holding_everything(name)
    old, new = typed(before, form, address), sample(spec, 1)
    after, moved = with_changes(before, form, [Change(address=address, old=old, new=new)], seen=True)
    for was, now in moved:
        if address.startswith(f"{was}."):
            address = now + address[len(was) :]
    assert typed(after, form, address) == new
    changed = list(hunks(before, after))
    assert len(changed) == (old != new), changed  # one place of the file, whatever stands around it
    for gone, come in changed:
        assert len(gone) <= 1
        assert not any(line.lstrip().startswith("#") for line in (*gone, *come))
    back, _ = with_changes(after, form, [Change(address=address, old=new, new=old)], seen=True)
    if old:
        assert back == before  # to the byte
    else:  # its empty line may stay, as a person would leave it
        left = list(hunks(before, back))
        assert len(left) <= 1
        assert all(len(gone) <= 1 and len(come) <= 2 for gone, come in left), left
        assert said(plain_of(back)) == said(plain_of(before))


@pytest.mark.parametrize("name", FORMS)
def test_a_record_typed_at_the_desk_is_the_one_that_a_workbook_gives(name: str, tmp_path: Path) -> None:
    """Every field holds a value, though not one that makes sense beside the others: only texts are compared."""
    form = shipped().form(name)
    text, found = holding_everything(name)
    for address, path in found:
        spec = form.find(path)
        assert spec is not None
        if not typed(text, form, address):
            text, moved = with_changes(
                text, form, [Change(address=address, old="", new=sample(spec))], seen=True
            )
            assert not moved, address
    root = read_bytes(text.encode(), name).root
    assert root is not None
    layout = layout_of(form)
    path = tmp_path / "one.xlsx"
    path.write_bytes(workbook_bytes(layout, {"one": root}, batch=False))
    collected = assemble(read_book(path), layout)
    again = next(iter(collected.records.values()))

    def plain(node: Any) -> Any:
        if hasattr(node, "entries"):
            return {key.text: plain(value) for key, value in node.entries}
        return [plain(item) for item in node.items] if hasattr(node, "items") else node.text

    assert said(plain(again)) == said(plain_of(text))
