"""From nodes to a checked record: every value converted by the type of its field, all problems collected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from metakit.core.values import Place
from metakit.errors import Problem, Severity, nearest_names
from metakit.forms.completeness import absent_fields, allowed_text, broken_references
from metakit.forms.field_types import FIELD_TYPES, Converted
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.tree import MISSING_CODES, Group, Missing, Plain, Value
from metakit.forms.typed_numbers import Refused
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode

HEADER = ("form", "form_version")
READ_AS, UNUSUAL = "read_as", "unusual_value"
RULES_OF_READING = (READ_AS, UNUSUAL)
_NOTHING = {"null", "~"}


def read_fields(root: MapNode, form: Form) -> tuple[Group, list[Problem]]:
    """Check the nodes of a file against a form.

    Parameters
    ----------
    root : MapNode
        The file; the keys `form` and `form_version` are left to the caller.
    form : Form
        What may and must stand in the file.

    Returns
    -------
    tuple of Group and list of Problem
        The values that could be read, and everything that is wrong or unusual, in the order of the file.
    """
    reader = _Reader(form)
    group = reader.group(root, form.sections, "")
    problems = [
        *reader.problems,
        *absent_fields(group, form, reader.blanks, reader.refused),
        *broken_references(group, form),
    ]
    return group, sorted(problems, key=lambda problem: (problem.line or 0, problem.column or 0))


class _Reader:
    def __init__(self, form: Form) -> None:
        self.form = form
        self.problems: list[Problem] = []
        self.blanks: dict[str, Place] = {}
        self.refused: set[str] = set()

    def group(self, node: MapNode, specs: Sequence[FieldSpec], path: str) -> Group:
        entries: dict[str, Value | Group | tuple[Group, ...]] = {}
        places: dict[str, Place] = {}
        by_name = {spec.name: spec for spec in specs}
        for key, value in node.entries:
            spec = by_name.get(key.text)
            if spec is None:
                if path or key.text not in HEADER:
                    self._unknown(key, value, by_name, path)
                continue
            here = f"{path}.{spec.name}" if path else spec.name
            places[spec.name] = value.place
            entry = self._entry(value, spec, here)
            if entry is not None:
                entries[spec.name] = entry
            elif here not in self.blanks:
                self.refused.add(here)
        return Group(path, node.place, entries, places)

    def _entry(self, node: Node, spec: FieldSpec, path: str) -> Value | Group | tuple[Group, ...] | None:
        if isinstance(node, ScalarNode):
            if not node.quoted and not node.text.strip():
                self.blanks[path] = node.place
                return None
            if not node.quoted and node.text.strip() in _NOTHING:
                self._add(
                    node, path, "no value", found=node.text, hint="write not_reported, or leave the line out"
                )
                return None
            code = MISSING_CODES.get(node.text.strip()) if self.form.knows_codes else None
            if code is not None and node.text.strip() not in spec.terms:
                return self._code(node, spec, path, code)
        if spec.type == GROUP:
            return self._groups(node, spec, path) if spec.repeats else self._one_group(node, spec, path)
        if FIELD_TYPES[spec.type].many:
            return self._many(node, spec, path)
        if not isinstance(node, ScalarNode):
            self._add(
                node,
                path,
                "one value is expected here, not a list or a group",
                allowed=FIELD_TYPES[spec.type].label,
            )
            return None
        converted = self._convert(node, spec, path)
        return None if converted is None else Value(converted, node.place, node.text)

    def _code(self, node: ScalarNode, spec: FieldSpec, path: str, code: Missing) -> Value | None:
        if spec.may_be_missing:
            return Value(code, node.place, node.text)
        self._add(
            node, path, f"this field needs a value, {code.value} is not enough", allowed=allowed_text(spec)
        )
        return None

    def _one_group(self, node: Node, spec: FieldSpec, path: str) -> Group | None:
        fields = self.form.fields_of(spec)
        if isinstance(node, MapNode):
            return self.group(node, fields, path)
        names = ", ".join(field.name for field in fields[:4])
        found = node.text if isinstance(node, ScalarNode) else "a list"
        self._add(
            node, path, "a group of fields is expected here", found=found, allowed=f"fields such as {names}"
        )
        return None

    def _groups(self, node: Node, spec: FieldSpec, path: str) -> tuple[Group, ...] | None:
        if not isinstance(node, ListNode):
            found = node.text if isinstance(node, ScalarNode) else "fields without a dash"
            self._add(
                node,
                path,
                "a list of entries is expected here",
                found=found,
                hint="start each entry with '- '",
            )
            return None
        groups = []
        for number, item in enumerate(node.items, start=1):
            here = f"{path}[{number}]"
            group = self._one_group(item, spec, here) if not _is_blank(item) else None
            if _is_blank(item):
                self._add(item, here, "an empty entry", hint="delete the dash, or fill the entry in")
            if group is not None:
                groups.append(group)
        return tuple(groups)

    def _many(self, node: Node, spec: FieldSpec, path: str) -> Value | None:
        items = node.items if isinstance(node, ListNode) else (node,)
        values: list[Plain] = []
        sound = True
        for number, item in enumerate(items, start=1):
            here = f"{path}[{number}]" if isinstance(node, ListNode) else path
            if not isinstance(item, ScalarNode) or _is_blank(item):
                self._add(
                    item,
                    here,
                    "a single text is expected here",
                    hint="separate entries with commas inside [ ]",
                )
                sound = False
                continue
            value = self._convert(item, spec, here)
            sound = sound and value is not None
            if value is None:
                continue
            if value in values:
                self._add(item, here, "stands in the list twice", found=item.text, hint="keep one")
                sound = False
                continue
            values.append(value)
        shown = ", ".join(item.text for item in items if isinstance(item, ScalarNode))
        return Value(tuple(values), node.place, shown) if sound else None

    def _convert(self, node: ScalarNode, spec: FieldSpec, path: str) -> Plain | None:
        try:
            converted = FIELD_TYPES[spec.type].convert(node.text, spec)
        except Refused as refused:
            self._add(
                node,
                path,
                refused.what,
                found=_short(node.text),
                allowed=refused.allowed or ("" if "write" in refused.hint else allowed_text(spec)),
                hint=refused.hint,
            )
            return None
        self._remark(node, spec, path, converted)
        return converted.value

    def _remark(self, node: ScalarNode, spec: FieldSpec, path: str, converted: Converted) -> None:
        if converted.note:
            self._add(
                node,
                path,
                converted.note,
                found=node.text,
                hint=f"is {converted.value} right? then type it so",
                severity="question",
                rule=READ_AS,
            )
        value = converted.value
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            low, high = spec.soft_minimum, spec.soft_maximum
            if (low is not None and value < low) or (high is not None and value > high):
                usual = (
                    f"usually {low:g} to {high:g}"
                    if low is not None and high is not None
                    else (f"usually at least {low:g}" if low is not None else f"usually at most {high:g}")
                )
                unit = f" {spec.unit}" if spec.unit else ""
                self._add(
                    node,
                    path,
                    "an unusual value; is it right?",
                    found=node.text,
                    allowed=usual + unit,
                    severity="question",
                    rule=UNUSUAL,
                )

    def _unknown(self, key: ScalarNode, value: Node, known: dict[str, FieldSpec], path: str) -> None:
        if _is_blank(value) and " " in key.text:
            hint = "a comma inside { } or [ ] ends a text; put text that holds a comma in double quotes"
            self._add(key, path, "a text without a field name", found=key.text, hint=hint)
            return
        homes = [home for home in _homes(self.form, key.text) if home != path]
        elsewhere = f"a field of this name belongs to {' and '.join(homes[:3])}; " if homes else ""
        self._add(
            key,
            f"{path}.{_short(key.text)}" if path else _short(key.text),
            "the form has no such field here",
            hint=elsewhere + nearest_names(key.text, known),
        )

    def _add(
        self,
        node: Node,
        path: str,
        what: str,
        *,
        found: str = "",
        allowed: str = "",
        hint: str = "",
        severity: Severity = "error",
        rule: str = "",
    ) -> None:
        self.problems.append(
            Problem(
                file=node.place.file,
                what=what,
                line=node.place.line,
                column=node.place.column,
                field=path,
                found=_short(found),
                allowed=allowed,
                hint=hint,
                severity=severity,
                rule=rule,
            )
        )


def _is_blank(node: Node) -> bool:
    return isinstance(node, ScalarNode) and not node.quoted and not node.text.strip()


def _short(text: str, most: int = 80) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 3] + "..."


def _homes(form: Form, name: str) -> Iterator[str]:
    def look(specs: Sequence[FieldSpec], path: str, depth: int) -> Iterator[str]:
        for spec in specs:
            here = f"{path}.{spec.name}" if path else spec.name
            if spec.name == name:
                yield path or "the top level"
            if spec.type == GROUP and depth < 4:
                yield from look(form.fields_of(spec), here, depth + 1)

    return look(form.sections, "", 0)
