"""Fields named by what their entries are, not by position: outcomes[A/key_pinch/final/12/months].mean."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence

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


class Addresses:
    """The addresses of one record; the names of its entries are found once.

    Parameters
    ----------
    record : Group
        The whole record.
    form : Form
        Its form; entries of groups without `matched_by`, or without a value there, keep their numbers. Equal
        entries get '#2', '#3'.
    """

    def __init__(self, record: Group, form: Form) -> None:
        self.record, self.form = record, form
        self._names: dict[tuple[str, str], dict[str, str]] = {}

    def of(self, path: str) -> str:
        """Return the address of a field that messages name by position: 'outcomes[3].percent'."""
        level: Sequence[FieldSpec] = self.form.sections
        here: Group | None = self.record
        done: list[str] = []
        shown: list[str] = []
        for step in path.split("."):
            found = _STEP.fullmatch(step)
            name = found[1] if found else step
            done.append(step)
            spec = next((spec for spec in level if spec.name == name), None)
            entry = here.entries.get(name) if here is not None else None
            if found and spec is not None and here is not None and isinstance(entry, tuple):
                wanted = ".".join(done)
                named = self._named(here, spec)
                here = next((group for group in entry if group.name == wanted), None)
                shown.append(f"{name}[{named.get(wanted) or found[2]}]")
            else:
                here = entry if isinstance(entry, Group) else None
                shown.append(step)
            level = self.form.fields_of(spec) if spec is not None and spec.type == GROUP else ()
        return ".".join(shown)

    def steps(self, address: str) -> tuple[str | int, ...] | None:
        """Return the way to a field in the file, positions counted from 0; None where there is no such entry.

        The field itself and the groups around it need not stand there yet.
        """
        return self._steps(address, self.form.sections, self.record)

    def entries(self, group: Group, spec: FieldSpec) -> Iterator[tuple[str, Group]]:
        """Give the entries of a repeating group, each with its name: the key that its address holds."""
        found = group.entries.get(spec.name)
        named = self._named(group, spec)
        for entry in found if isinstance(found, tuple) else ():
            yield named.get(entry.name) or _number(entry), entry

    def all(self) -> Iterator[tuple[str, Group, str]]:
        """Give every field that stands in the record: its address, its group, and its name in that group.

        Groups of fields and entries of lists are given with the name "", and fields whose value was refused
        like the others.
        """
        return self._within(self.record, self.form.sections, "")

    def _within(
        self, group: Group, level: Sequence[FieldSpec], before: str
    ) -> Iterator[tuple[str, Group, str]]:
        specs = {spec.name: spec for spec in level}
        for name in dict.fromkeys((*group.entries, *group.places)):
            entry, spec = group.entries.get(name), specs.get(name)
            inside = self.form.fields_of(spec) if spec is not None and spec.type == GROUP else ()
            if isinstance(entry, Group):
                yield f"{before}{name}", entry, ""
                yield from self._within(entry, inside, f"{before}{name}.")
            elif isinstance(entry, tuple) and spec is not None:
                for key, item in self.entries(group, spec):
                    yield f"{before}{name}[{key}]", item, ""
                    yield from self._within(item, inside, f"{before}{name}[{key}].")
            else:
                yield f"{before}{name}", group, name

    def group_at(self, steps: Sequence[str | int]) -> Group | None:
        """Return the group of fields at the end of a way, where one stands there."""
        here: object = self.record
        for step in steps:
            if isinstance(here, Group):
                here = here.entries.get(str(step))
            elif isinstance(here, tuple) and isinstance(step, int):
                here = next((one for one in here if _number(one) == str(step + 1)), None)
            else:
                return None
        return here if isinstance(here, Group) else None

    def _steps(
        self, address: str, level: Sequence[FieldSpec], here: Group | None
    ) -> tuple[str | int, ...] | None:
        name = re.split(r"[.\[]", address, maxsplit=1)[0]
        spec = next((spec for spec in level if spec.name == name), None)
        if spec is None:
            return None
        rest = address[len(name) :]
        entry = here.entries.get(name) if here is not None else None
        inner = self.form.fields_of(spec) if spec.type == GROUP else ()
        if not rest:
            return (name,)
        if rest.startswith("."):
            below = entry if isinstance(entry, Group) else None
            found = self._steps(rest[1:], inner, below)
            return None if found is None else (name, *found)
        if here is None or not spec.repeats:
            return None
        for key, one in self.entries(here, spec):
            if rest.startswith(f"[{key}]"):
                left = rest[len(key) + 2 :]
                place = (name, int(_number(one)) - 1)
                if not left:
                    return place
                found = self._steps(left[1:], inner, one) if left.startswith(".") else None
                if found is not None:
                    return (*place, *found)
        return None

    def _named(self, holder: Group, spec: FieldSpec) -> dict[str, str]:
        place = (holder.name, spec.name)
        if place not in self._names:
            used: Counter[str] = Counter()
            names: dict[str, str] = {}
            found = holder.entries.get(spec.name)
            for entry in found if spec.matched_by and isinstance(found, tuple) else ():
                key = "/".join(part for part in entry_key(entry, spec.matched_by) if part)
                used[key] += 1
                names[entry.name] = key + (f"#{used[key]}" if key and used[key] > 1 else "")
            self._names[place] = names
        return self._names[place]


def _number(entry: Group) -> str:
    return entry.name.rpartition("[")[2].rstrip("]")
