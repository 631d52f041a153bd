"""Fields of a form as a browser shows them: what is asked, how it is typed, what stands there, what is wrong.

Pure: from the form, the plain texts of a record and its problems to views; templates write them as HTML.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from metakit.desk.changes import key_fields, plain_at, text_of
from metakit.desk.views import FieldView, GroupView, ListView, problems_by_address
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.field_words import begun, limits_words, plain_words
from metakit.forms.records import Reading
from metakit.forms.specs import GROUP, Condition, FieldSpec
from metakit.forms.tree import MISSING_CODES, Group

FEW = 14
"""Terms that are all offered at once; of more, the ones that match what is typed are."""
LONG = ("note", "citation", "quote", "author_definition", "text", "reason", "question", "therapy", "because")
COUNTED = ("events", "total")
MEASURED = ("kind", "n", "mean", "standard_deviation")
SHARES = ("percent", "interval", "at_risk")
ASKED_BY_KIND = {"events": COUNTED, "continuous": MEASURED, "survival": SHARES}
ALWAYS = (
    "source.page",
    "source.table",
    "thumbs.analysed",
    "patients.analysed",
    "follow_up.mean",
    "time.value",
)


Way = tuple[str | int, ...]
View = FieldView | GroupView | ListView


class Views:
    """Views of one record.

    Parameters
    ----------
    reading : Reading
        The record, readable.
    plain : mapping
        Its texts as they stand in the file.
    """

    def __init__(self, reading: Reading, plain: Any) -> None:
        if reading.addresses is None or reading.form is None:
            raise ValueError("only a record that could be read has views")
        self.addresses, self.form, self.plain = reading.addresses, reading.form, plain
        self.record = reading.addresses.record
        self.problems = problems_by_address(reading)
        self._number = 0

    def section(self, spec: FieldSpec) -> GroupView | FieldView:
        """Return a section that is no list."""
        return self._any(spec, spec.name, (spec.name,), spec.name)  # type: ignore[return-value]

    def entry(self, spec: FieldSpec, name: str) -> GroupView | None:
        """Return an entry of one of the record's lists, by its name."""
        address = f"{spec.name}[{name}]"
        steps = self.addresses.steps(address)
        if steps is None:
            return None
        return self._group(spec, address, steps, spec.name, removable=True)

    def keys(self, spec: FieldSpec, before: Mapping[str, str] | None = None) -> tuple[FieldView, ...]:
        """Return the fields that a new entry of a list begins with, filled in as the last entry was."""
        views = []
        for path in key_fields(spec, self.form):
            found = self.form.find(f"{spec.name}.{path}")
            if found is not None:
                value = (before or {}).get(path, "")
                view = self._field(found, path, (), f"{spec.name}.{path}", value=value, entry=None)
                views.append(view)
        return tuple(views)

    def _next(self) -> str:
        self._number += 1
        return f"f{self._number}"

    def _any(
        self,
        spec: FieldSpec,
        address: str,
        steps: Way,
        path: str,
        entry: Group | None = None,
    ) -> FieldView | GroupView | ListView:
        if spec.type != GROUP:
            return self._field(spec, address, steps, path, entry=entry)
        if spec.repeats:
            return self._list(spec, address, steps, path)
        return self._group(spec, address, steps, path)

    def _group(
        self,
        spec: FieldSpec,
        address: str,
        steps: Way,
        path: str,
        *,
        removable: bool = False,
    ) -> GroupView:
        number = self._next()
        asked: list[View] = []
        more: list[View] = []
        here = self.addresses.group_at(steps)
        for inner in self.form.fields_of(spec):
            if inner.per_person and inner.type == GROUP:
                continue
            view = self._any(
                inner, f"{address}.{inner.name}", (*steps, inner.name), f"{path}.{inner.name}", here
            )
            (asked if self._asked(inner, view, here, path) else more).append(view)
        return GroupView(
            id=number, address=address, label=self._label(spec), help=_sentence(spec.help),
            fields=tuple(asked), more=tuple(more), told=tuple(self.problems.get(address, ())),
            removable=removable,
        )  # fmt: skip

    def _list(self, spec: FieldSpec, address: str, steps: Way, path: str) -> ListView:
        number = self._next()
        entries = []
        holder = self.addresses.group_at(steps[:-1])
        for name, _ in self.addresses.entries(holder, spec) if holder is not None else ():
            where = f"{address}[{name}]"
            found = self.addresses.steps(where)
            if found is not None:
                entries.append(self._group(spec, where, found, path, removable=True))
        keys = []
        for key in key_fields(spec, self.form):
            inner = self.form.find(f"{path}.{key}")
            if inner is not None:
                keys.append(self._field(inner, key, (), f"{path}.{key}", entry=None))
        return ListView(
            id=number, address=address, label=self._label(spec), help=_sentence(spec.help),
            entries=tuple(entries), keys=tuple(keys), told=tuple(self.problems.get(address, ())),
        )  # fmt: skip

    def _field(
        self, spec: FieldSpec, address: str, steps: Way, path: str,
        *, value: str | None = None, entry: Group | None,
    ) -> FieldView:  # fmt: skip
        kind = FIELD_TYPES[spec.type]
        typed = text_of(plain_at(self.plain, steps)) if value is None else value
        options, how = self._options(spec, typed)
        if not how:
            lines = spec.type == "list" or spec.name in LONG or len(typed) > 60 or "\n" in typed
            how = "lines" if lines else "line"
        term = spec.terms.get(typed)
        return FieldView(
            id=self._next(), address=address, name=spec.name, label=self._label(spec), kind=how, value=typed,
            path=path, help=self._help(spec), unit=spec.unit, numeric=kind.numeric, many=kind.many,
            required=spec.required or self._required_now(spec, entry),
            codes=spec.may_be_missing and self.form.knows_codes, options=options,
            shown=(term.label or term.id) if term and how == "terms" else "",
            told=tuple(self.problems.get(address, ())),
        )  # fmt: skip

    def _options(self, spec: FieldSpec, typed: str) -> tuple[tuple[tuple[str, str], ...], str]:
        codes = [(code, code.replace("_", " ")) for code in MISSING_CODES if code not in spec.terms]
        codes = codes if spec.may_be_missing and self.form.knows_codes else []
        if spec.type == "yes_no":
            options = [("yes", "yes"), ("no", "no"), *codes]
        elif spec.refers_to:
            listed, _, key = spec.refers_to.partition(".")
            ids = [group.text(key) for group in self.record.groups(listed)]
            names = {group.text(key): group.text("label") for group in self.record.groups(listed)}
            options = [(one, f"{one}: {names[one]}" if names[one] else one) for one in ids if one] + codes
        elif spec.terms and len(spec.terms) <= FEW:
            options = [(term.id, _term(term.id, term.label)) for term in spec.terms.values()] + codes
        else:
            return (), "terms" if spec.terms else ""
        many = FIELD_TYPES[spec.type].many
        known = {value for value, _ in options}
        options += [
            (one, f"{one} (not in the list)") for one in typed.split("\n") if one and one not in known
        ]
        return tuple(options), "boxes" if many else "choice"

    def _asked(self, spec: FieldSpec, view: object, here: Group | None, path: str) -> bool:
        if isinstance(view, FieldView):
            if view.value or view.told or view.required or spec.example:
                return True
        elif isinstance(view, GroupView):
            if spec.required or view.told or self._filled(view) or view.address.endswith(".source"):
                return True
        elif isinstance(view, ListView) and (view.entries or view.told or spec.required):
            return True
        chosen = self.form.find(f"{path}.outcome")
        term = chosen.terms.get(here.text("outcome")) if chosen is not None and here is not None else None
        wanted = ASKED_BY_KIND.get(term.facts.text("kind"), ()) if term is not None else ()
        inside = ".".join((path.rpartition(".")[2], spec.name))
        return spec.name in wanted or inside in ALWAYS or spec.name == "source"

    def _filled(self, view: GroupView) -> bool:
        return any(
            isinstance(one, FieldView) and (one.value or one.told) for one in (*view.fields, *view.more)
        )

    def _required_now(self, spec: FieldSpec, entry: Group | None) -> bool:
        return bool(spec.required_when) and all(self._holds(one, entry) for one in spec.required_when)

    def _holds(self, condition: Condition, entry: Group | None) -> bool:
        home = entry if entry is not None and entry.entry(condition.field) is not None else self.record
        value = home.text(condition.field)
        if condition.fact:
            where = "".join(part.split("]")[-1] for part in home.path(condition.field).split("["))
            spec = self.form.find(where)
            term = spec.terms.get(value) if spec else None
            if term is None:
                return False
            flag = term.facts.flag(condition.fact)
            value = term.facts.text(condition.fact) if flag is None else "yes" if flag else "no"
        return value in condition.values

    def _label(self, spec: FieldSpec) -> str:
        return begun(spec.label or plain_words(spec.name))

    def _help(self, spec: FieldSpec) -> str:
        limits = limits_words(spec)
        told = limits.startswith("possible") and limits != "possible from 0"
        parts = [_sentence(spec.help), _sentence(limits) if told else ""]
        if FIELD_TYPES[spec.type].many and not spec.terms:
            parts.append("One below the other.")
        return " ".join(part for part in parts if part)


def _term(name: str, label: str) -> str:
    return label or plain_words(name)


def _sentence(text: str) -> str:
    text = text.strip().rstrip(".")
    if not text:
        return ""
    return f"{text}." if "_" in text.split()[0] else f"{text[0].upper()}{text[1:]}."
