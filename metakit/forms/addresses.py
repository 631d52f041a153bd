"""Fields named by what their entries are, not by position: outcomes[A/key_pinch/final/12/months].mean."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.tree import Group

_STEP = re.compile(r"(\w+)\[(\d+)\]")


def entry_key(group: Group, fields: Sequence[str]) -> tuple[str, ...]:
    """Return what tells an entry of a repeating group apart: its values of the matching fields."""
    found = []
    for name in fields:
        number = group.number(name)
        found.append(f"{number:g}" if number is not None else group.text(name))
    return tuple(found)


def address_of(path: str, record: Group, form: Form) -> str:
    """Return the address of a field that messages name by position.

    Parameters
    ----------
    path : str
        As messages name it: 'outcomes[3].percent', counted from 1.
    record : Group
        The whole record.
    form : Form
        Its form; groups without `matched_by` keep their numbers. Equal entries get '#2', '#3'.
    """
    level: Sequence[FieldSpec] = form.sections
    here: Group | None = record
    done: list[str] = []
    shown: list[str] = []
    for step in path.split("."):
        found = _STEP.fullmatch(step)
        name = found[1] if found else step
        done.append(step)
        spec = next((spec for spec in level if spec.name == name), None)
        entry = here.entries.get(name) if here is not None else None
        if found and spec is not None and isinstance(entry, tuple):
            wanted = ".".join(done)
            here = next((group for group in entry if group.name == wanted), None)
            shown.append(f"{name}[{_named(entry, here, spec) or found[2]}]")
        else:
            here = entry if isinstance(entry, Group) else None
            shown.append(step)
        level = form.fields_of(spec) if spec is not None and spec.type == GROUP else ()
    return ".".join(shown)


def _named(entries: tuple[Group, ...], one: Group | None, spec: FieldSpec) -> str:
    used: Counter[str] = Counter()
    for entry in entries if spec.matched_by else ():
        key = "/".join(part for part in entry_key(entry, spec.matched_by) if part)
        used[key] += 1
        if entry is one:
            return key + (f"#{used[key]}" if key and used[key] > 1 else "")
    return ""
