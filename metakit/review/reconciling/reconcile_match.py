"""Two extractors' records of one study laid side by side, field by field."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from metakit.core.values import Place
from metakit.forms.addresses import entry_key
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.records import Reading
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.tree import Group, Missing, Value
from metakit.review.typed_fields import source_text

Entry = Value | Group | tuple[Group, ...]
Kind = Literal["choice", "number", "text", "entry"]
LONG_WORDING = 4
"""Texts of this many words are wording: two people never write them alike (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """What one extractor typed ("" for nothing), where, and the page and table it was taken from."""

    typed: str
    place: Place
    source: str
    number: float | None = None


YES_OR_NO = 2
"""Answers to a question of yes or no."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One field of one study as two people have it.

    `address` names the field by what its entries are, not by their position:
    `outcomes[A/key_pinch/final/12/months].mean`. `field` is its place in the form. `kind` entry is a whole
    entry or group that only one person has. `wording` marks free text, which needs no decision. `choices` is
    how many answers the form's list holds where one of them is chosen, 0 elsewhere.
    """

    study: str
    address: str
    field: str
    topic: str
    kind: Kind
    first: Side
    second: Side
    same: bool
    wording: bool = False
    choices: int = 0

    @property
    def needs_decision(self) -> bool:
        """Whether somebody has to decide before there is an agreed record."""
        return not self.same and not self.wording


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One study as two people typed it, and everything compared."""

    study: str
    people: tuple[str, str]
    readings: tuple[Reading, Reading]
    groups: tuple[Group, Group]
    form: Form
    items: tuple[Compared, ...]

    @property
    def disagreements(self) -> tuple[Compared, ...]:
        """The fields that differ, wording included."""
        return tuple(item for item in self.items if not item.same)


Choose = Callable[[Compared, FieldSpec, Entry | None, Entry | None], Entry | None]


@dataclass(frozen=True, slots=True)
class _Where:
    study: str
    address: str = ""
    field: str = ""
    topic: str = ""
    sources: tuple[str, str] = ("", "")

    def into(self, spec: FieldSpec, key: str = "", topic: str = "") -> _Where:
        step = spec.name + (f"[{key}]" if key else "")
        return _Where(
            self.study,
            f"{self.address}.{step}" if self.address else step,
            f"{self.field}.{spec.name}" if self.field else spec.name,
            topic or self.topic,
            self.sources,
        )

    def beside(self, first: Group, second: Group) -> _Where:
        found = tuple(
            _source(group) or known for group, known in zip((first, second), self.sources, strict=True)
        )
        return _Where(self.study, self.address, self.field, self.topic, (found[0], found[1]))


def combine(study: str, first: Group, second: Group, form: Form, choose: Choose) -> Group:
    """Walk two records of one study together and build a third from what `choose` answers.

    Parameters
    ----------
    study : str
        Its id.
    first, second : Group
        The checked records.
    form : Form
        What both follow; `matched_by` of its repeating groups says which entries belong together.
    choose : callable
        Gets each field with both entries (None for nothing typed) and returns the one to keep.
    """
    return _groups(_Where(study), first, second, form.sections, form, choose)


def compare(study: str, first: Group, second: Group, form: Form) -> tuple[Compared, ...]:
    """Return every field that either of two people filled in, in the order of the record."""
    seen: list[Compared] = []

    def note(item: Compared, spec: FieldSpec, one: Entry | None, two: Entry | None) -> Entry | None:
        seen.append(item)
        return one

    combine(study, first, second, form, note)
    return tuple(seen)


def _groups(
    where: _Where, first: Group, second: Group, specs: Sequence[FieldSpec], form: Form, choose: Choose
) -> Group:
    where = where.beside(first, second)
    by_name = {spec.name: spec for spec in specs}
    entries: dict[str, Entry] = {}
    for name in dict.fromkeys((*first.entries, *second.entries)):
        spec = by_name[name]
        one, two = first.entries.get(name), second.entries.get(name)
        here = where.into(spec)
        kept: Entry | None
        if spec.per_person and isinstance(one, tuple) and isinstance(two, tuple):
            # What each person says for himself: nothing to decide, and nothing of either gets lost.
            pairs = paired(one, two, spec.matched_by)
            kept = tuple(group for pair in pairs for group in (pair[0] or pair[1],) if group is not None)
        elif spec.per_person:
            kept = one if one is not None else two
        elif isinstance(one, Group) and isinstance(two, Group):
            kept = _groups(here, one, two, form.fields_of(spec), form, choose)
        elif spec.type == GROUP and spec.repeats and _listed(one) and _listed(two):
            kept = _entries(where, spec, _as_entries(one), _as_entries(two), form, choose)
        else:
            kept = choose(_compared(here, spec, one, two, first, second), spec, one, two)
        if kept is not None:
            entries[name] = kept
    return Group(first.name, first.place, entries, first.places)


def _listed(entry: Entry | None) -> bool:
    return entry is None or isinstance(entry, tuple)


def _as_entries(entry: Entry | None) -> tuple[Group, ...]:
    return entry if isinstance(entry, tuple) else ()


def _entries(
    where: _Where,
    spec: FieldSpec,
    first: tuple[Group, ...],
    second: tuple[Group, ...],
    form: Form,
    choose: Choose,
) -> tuple[Group, ...]:
    kept: list[Group] = []
    used: Counter[str] = Counter()
    chosen_from = {field.name for field in form.fields_of(spec) if field.terms}
    topic_field = next((name for name in spec.matched_by if name in chosen_from), "")
    for one, two in paired(first, second, spec.matched_by):
        named = one if one is not None else two
        if named is None:  # pragma: no cover - a pair holds at least one
            continue
        key = "/".join(part for part in entry_key(named, spec.matched_by) if part)
        used[key] += 1
        here = where.into(spec, key + (f"#{used[key]}" if used[key] > 1 else ""), named.text(topic_field))
        if one is not None and two is not None:
            kept.append(_groups(here, one, two, form.fields_of(spec), form, choose))
            continue
        around = Group("", named.place)
        item = _compared(here, spec, one, two, one or around, two or around)
        chosen = choose(item, spec, one, two)
        if isinstance(chosen, Group):
            kept.append(chosen)
    return tuple(kept)


def paired(
    first: Sequence[Group], second: Sequence[Group], fields: Sequence[str]
) -> list[tuple[Group | None, Group | None]]:
    """Pair the entries of two lists by what they are, never by position.

    Entries that agree in all `fields` come together first; of the others, those that agree in fewer and
    fewer, the last field being given up first, as long as there is only one candidate on each side. At
    least two fields (or the only one) must agree.
    """
    partner: dict[int, int] = {}
    free = set(range(len(second)))
    fewest = min(2, len(fields))
    for count in range(len(fields), fewest - 1, -1):
        keys_1: dict[tuple[str, ...], list[int]] = {}
        keys_2: dict[tuple[str, ...], list[int]] = {}
        for number, group in enumerate(first):
            if number not in partner:
                keys_1.setdefault(entry_key(group, fields[:count]), []).append(number)
        for number in sorted(free):
            keys_2.setdefault(entry_key(second[number], fields[:count]), []).append(number)
        for key, numbers in keys_1.items():
            others = keys_2.get(key, [])
            # Equal in everything: repeats pair in order. Equal in part: only when there is no doubt.
            if others and (count == len(fields) or len(numbers) == len(others) == 1):
                for number, other in zip(numbers, others, strict=False):
                    partner[number] = other
                    free.discard(other)
    pairs: list[tuple[Group | None, Group | None]] = [
        (group, second[partner[number]] if number in partner else None) for number, group in enumerate(first)
    ]
    return [*pairs, *((None, second[number]) for number in sorted(free))]


def _compared(
    where: _Where, spec: FieldSpec, one: Entry | None, two: Entry | None, first: Group, second: Group
) -> Compared:
    sides = [
        Side(
            typed=typed(entry),
            place=_place(entry, group, spec),
            source=(_source(entry) if isinstance(entry, Group) else "") or source,
            number=_number(entry),
        )
        for entry, group, source in zip((one, two), (first, second), where.sources, strict=True)
    ]
    whole = spec.type == GROUP
    kind: Kind = "text"
    if whole:
        kind = "entry"
    elif FIELD_TYPES[spec.type].numeric:
        kind = "number"
    elif spec.terms or spec.type == "yes_no":
        kind = "choice"
    words = max(len(side.typed.split()) for side in sides)
    return Compared(
        study=where.study,
        address=where.address,
        field=where.field,
        topic=where.topic,
        kind=kind,
        first=sides[0],
        second=sides[1],
        same=same(one, two),
        wording=kind == "text" and spec.type == "text" and words >= LONG_WORDING,
        choices=_choices(spec) if kind == "choice" else 0,
    )


def _choices(spec: FieldSpec) -> int:
    """Return how many answers there are to choose one from; 0 where several may be chosen."""
    if FIELD_TYPES[spec.type].many:
        return 0
    return len(spec.terms) if spec.terms else YES_OR_NO


def same(one: Entry | None, two: Entry | None) -> bool:
    """Say whether two entries say the same: numbers by value, lists in any order, text by its words."""
    if isinstance(one, Value) and isinstance(two, Value):
        return _plain(one) == _plain(two)
    return one is None and two is None


def _plain(value: Value) -> object:
    found = value.value
    if isinstance(found, tuple):
        return frozenset(map(str, found))
    if isinstance(found, str):
        return " ".join(found.split()).casefold()
    return found


def typed(entry: Entry | None) -> str:
    """Return what stands in a record, as typed; "entered" for a whole entry, "" for nothing."""
    if entry is None:
        return ""
    if isinstance(entry, Value):
        return entry.text.strip() or "[]"
    return "entered"


def _number(entry: Entry | None) -> float | None:
    if not isinstance(entry, Value) or isinstance(entry.value, (Missing, bool)):
        return None
    return float(entry.value) if isinstance(entry.value, (int, float)) else None


def _place(entry: Entry | None, around: Group, spec: FieldSpec) -> Place:
    if isinstance(entry, (Value, Group)):
        return entry.place
    return around.place_of(spec.name)


def _source(group: Group) -> str:
    page = group.text("page")
    return source_text(group.group("source")) or (f"page {page}" if page else "")
