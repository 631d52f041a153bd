"""Shapes of the form language: fields, conditions, terms of vocabularies, forms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from metakit.core.values import Place
from metakit.errors import UnknownNameError
from metakit.forms.tree import Group

GROUP = "group"


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One entry of a vocabulary; `facts` hold what its vocabulary stores beside the words."""

    id: str
    label: str = ""
    definition: str = ""
    synonyms: tuple[str, ...] = ()
    facts: Group = field(default_factory=lambda: Group("", Place(file="", line=1, column=1)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Vocabulary:
    """Terms by id, in the order of the file."""

    name: str
    about: str
    version: int
    terms: Mapping[str, Term]
    file: str = ""

    def __getitem__(self, term: str) -> Term:
        try:
            return self.terms[term]
        except KeyError:
            raise UnknownNameError(self.name.removesuffix("s").replace("_", " "), term, self.terms) from None

    def __contains__(self, term: object) -> bool:
        return term in self.terms

    def __iter__(self) -> Iterator[Term]:
        return iter(self.terms.values())

    def __len__(self) -> int:
        return len(self.terms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Holds when a neighbouring field has one of some values, or a fact of its chosen term has."""

    field: str
    values: tuple[str, ...]
    fact: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSpec:
    """One field of a form, or a group of fields.

    Hard limits are impossible to leave (error), soft limits unusual (question). `terms` are the choices.
    `refers_to` is the path of the ids that the value must be one of ('arms.id'). `shared` names a group of
    fields that several places use; it is looked up when read, so that a form can describe itself.
    `matched_by` are the fields that tell the entries of a repeating group apart, so that two extractors'
    entries can be laid side by side whatever their order. `recognised_by` are, for entries with ids of one's
    own choice, the fields that show which is which: what was done, then names, then sizes. `per_person`
    marks what says who extracted or
    judged: it differs between two people by nature and is not compared. `side_by_side` makes a workbook show
    the entries of a repeating group beside each other, with their fields below each other. `open_list` says
    that a drop-down offers some of the terms only, and that others may be typed.
    """

    name: str
    type: str
    label: str = ""
    help: str = ""
    example: str = ""
    unit: str = ""
    required: bool = False
    required_when: tuple[Condition, ...] = ()
    may_be_missing: bool = True
    hard_minimum: float | None = None
    hard_maximum: float | None = None
    soft_minimum: float | None = None
    soft_maximum: float | None = None
    terms: Mapping[str, Term] = field(default_factory=dict)
    refers_to: str = ""
    repeats: bool = False
    at_least: int = 0
    matched_by: tuple[str, ...] = ()
    recognised_by: tuple[str, ...] = ()
    per_person: bool = False
    side_by_side: bool = False
    open_list: bool = False
    fields: tuple[FieldSpec, ...] = ()
    shared: str = ""
    place: Place | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """A form: sections in order, shared groups by name, and the consistency rules that it uses.

    `knows_codes` says whether not_reported and the like stand for missing values: in records, not in forms.
    """

    name: str
    version: int
    title: str
    about: str
    sections: tuple[FieldSpec, ...]
    shared_groups: Mapping[str, tuple[FieldSpec, ...]] = field(default_factory=dict)
    rules: tuple[str, ...] = ()
    knows_codes: bool = True
    file: str = ""

    def fields_of(self, spec: FieldSpec) -> tuple[FieldSpec, ...]:
        """Return the fields of a group, own or shared."""
        return self.shared_groups[spec.shared] if spec.shared else spec.fields

    def find(self, path: str) -> FieldSpec | None:
        """Return the field at a dotted path, such as 'arms.patients.analysed'."""
        level, found = self.sections, None
        for name in path.split("."):
            found = next((spec for spec in level if spec.name == name), None)
            if found is None:
                return None
            level = self.fields_of(found) if found.type == GROUP else ()
        return found
