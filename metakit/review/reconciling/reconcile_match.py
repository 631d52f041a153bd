"""Two extractors' records of one study laid side by side, field by field."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from metakit.core.values import Place
from metakit.forms.addresses import entry_key
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.records import Reading
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.tree import Group, Value
from metakit.review.reconciling.reconcile_arms import (
    Answer,
    Entry,
    Recognition,
    no_answer,
    recognise,
    renamed,
)
from metakit.review.reconciling.reconcile_compared import Compared, Kind, Pair, Side, number_of, same, typed
from metakit.review.typed_fields import source_text

LONG_WORDING = 4
"""Texts of this many words are wording: two people never write them alike (common practice, no source)."""
YES_OR_NO = 2
"""Answers to a question of yes or no."""

Choose = Callable[[Compared, FieldSpec, Entry | None, Entry | None], Entry | None]


@dataclass(frozen=True, slots=True)
class _Where:
    study: str
    address: str = ""
    field: str = ""
    topic: str = ""
    sources: tuple[str, str] = ("", "")
    ids: tuple[str, ...] = ()
    telling: tuple[str, ...] = ()

    def into(self, spec: FieldSpec, key: str = "", topic: str = "") -> _Where:
        step = spec.name + (f"[{key}]" if key else "")
        return _Where(
            self.study,
            f"{self.address}.{step}" if self.address else step,
            f"{self.field}.{spec.name}" if self.field else spec.name,
            topic or self.topic,
            self.sources,
            self.ids,
        )

    def beside(self, first: Group, second: Group) -> _Where:
        found = tuple(
            _source(group) or known for group, known in zip((first, second), self.sources, strict=True)
        )
        return replace(self, sources=(found[0], found[1]))


Met = Callable[[Compared], None]


def pair_records(
    study: str, people: tuple[str, str], readings: tuple[Reading, Reading], answer: Answer = no_answer
) -> Pair:
    """Lay two people's records of one study side by side, arms matched; nothing is read or written.

    Parameters
    ----------
    study : str
        Its id.
    people : (str, str)
        Initials, in the order of `readings`.
    readings : (Reading, Reading)
        Both records, sound, of one form.
    answer : callable
        What was decided about a question of which arm is which.
    """
    first, second, form = readings[0].group, readings[1].group, readings[0].form
    if first is None or second is None or form is None:
        raise ValueError(f"{study}: both records have to be sound")
    found = recognise(first, second, form, people, answer)
    second = renamed(second, found, form)
    asked = [_asked(study, one, first, second) for one in found if one.question]
    return Pair(
        study=study, people=people, readings=readings, groups=(first, second), form=form, recognised=found,
        items=(*asked, *compare(study, first, second, form)),
    )  # fmt: skip


def _asked(study: str, one: Recognition, first: Group, second: Group) -> Compared:
    sides = [
        Side(typed=text, place=group.place_of(one.path), source="")
        for text, group in ((one.first, first), (one.second, second))
    ]
    return Compared(
        study=study, address=one.path, field=one.path, topic="", kind="recognition", first=sides[0],
        second=sides[1], same=False, question=one.question,
    )  # fmt: skip


def combine(
    study: str, first: Group, second: Group, form: Form, choose: Choose, met: Met | None = None
) -> Group:
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
    met : callable, optional
        Gets each entry of a list, and each group of fields, that both people have.
    """
    return _Walk(form, choose, met or (lambda item: None)).groups(_Where(study), first, second, form.sections)


def compare(study: str, first: Group, second: Group, form: Form) -> tuple[Compared, ...]:
    """Return every field that either of two people filled in, in the order of the record."""
    seen: list[Compared] = []

    def note(item: Compared, spec: FieldSpec, one: Entry | None, two: Entry | None) -> Entry | None:
        seen.append(item)
        return one

    combine(study, first, second, form, note, seen.append)
    return tuple(seen)


@dataclass(frozen=True, slots=True)
class _Walk:
    """Two records walked together."""

    form: Form
    choose: Choose
    met: Met

    def groups(self, where: _Where, first: Group, second: Group, specs: Sequence[FieldSpec]) -> Group:
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
                self.met(replace(_compared(here, spec, one, two, first, second), same=True))
                kept = self.groups(here, one, two, self.form.fields_of(spec))
            elif spec.type == GROUP and spec.repeats and _listed(one) and _listed(two):
                kept = self.entries(where, spec, _as_entries(one), _as_entries(two))
            else:
                parts = self.parts(here, spec, one, two)
                kept = self.choose(_compared(here, spec, one, two, first, second, parts), spec, one, two)
            if kept is not None:
                entries[name] = kept
        return Group(first.name, first.place, entries, first.places)

    def entries(
        self, where: _Where, spec: FieldSpec, first: tuple[Group, ...], second: tuple[Group, ...]
    ) -> tuple[Group, ...]:
        kept: list[Group] = []
        used: Counter[str] = Counter()
        fields = self.form.fields_of(spec)
        chosen_from = {field.name for field in fields if field.terms}
        topic_field = next((name for name in spec.matched_by if name in chosen_from), "")
        own = spec.matched_by[:1] if spec.recognised_by else ()
        referring = (*own, *(field.name for field in fields if field.refers_to))
        for one, two in paired(first, second, spec.matched_by):
            named = one if one is not None else two
            if named is None:  # pragma: no cover - a pair holds at least one
                continue
            key = "/".join(part for part in entry_key(named, spec.matched_by) if part)
            used[key] += 1
            here = where.into(spec, key + (f"#{used[key]}" if used[key] > 1 else ""), named.text(topic_field))
            ids = tuple(text for name in referring if (text := named.text(name)))
            here = replace(here, ids=ids or where.ids, telling=spec.recognised_by)
            around = Group("", named.place)
            item = _compared(here, spec, one, two, one or around, two or around)
            if one is not None and two is not None:
                self.met(replace(item, same=True))
                inside = self.groups(here, one, two, fields)
                kept.append(inside)
                continue
            chosen = self.choose(replace(item, parts=self.parts(here, spec, one, two)), spec, one, two)
            if isinstance(chosen, Group):
                kept.append(chosen)
        return tuple(kept)

    def parts(
        self, where: _Where, spec: FieldSpec, one: Entry | None, two: Entry | None
    ) -> tuple[Compared, ...]:
        """Return the fields of an entry or a group that only one person has, each against nothing."""
        there = one if one is not None else two
        nothing = Group("", _where_of(there)) if there is not None else None
        if not isinstance(there, Group) or nothing is None:
            return ()
        return tuple(self._fields(where, there, nothing, self.form.fields_of(spec), turned=one is None))

    def _fields(
        self, where: _Where, there: Group, nothing: Group, specs: Sequence[FieldSpec], *, turned: bool
    ) -> Iterator[Compared]:
        by_name = {spec.name: spec for spec in specs}
        for name, entry in there.entries.items():
            spec = by_name[name]
            here = where.into(spec)
            if spec.per_person:
                continue
            if isinstance(entry, Value):
                one, two = (None, entry) if turned else (entry, None)
                yield _compared(here, spec, one, two, nothing, nothing)
            for inner in entry if isinstance(entry, tuple) else (entry,):
                if isinstance(inner, Group):
                    yield from self._fields(here, inner, nothing, self.form.fields_of(spec), turned=turned)


def _where_of(entry: Entry) -> Place:
    """Return where an entry was typed."""
    if isinstance(entry, tuple):
        return entry[0].place if entry else Place(file="", line=1, column=1)
    return entry.place


def _listed(entry: Entry | None) -> bool:
    return entry is None or isinstance(entry, tuple)


def _as_entries(entry: Entry | None) -> tuple[Group, ...]:
    return entry if isinstance(entry, tuple) else ()


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
    where: _Where,
    spec: FieldSpec,
    one: Entry | None,
    two: Entry | None,
    first: Group,
    second: Group,
    parts: tuple[Compared, ...] = (),
) -> Compared:
    sides = [
        Side(
            typed=typed(entry),
            place=_place(entry, group, spec),
            source=(_source(entry) if isinstance(entry, Group) else "") or source,
            number=number_of(entry),
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
        ids=where.ids,
        identifies=spec.name in where.telling,
        parts=parts,
    )


def _choices(spec: FieldSpec) -> int:
    """Return how many answers there are to choose one from; 0 where several may be chosen."""
    if FIELD_TYPES[spec.type].many:
        return 0
    return len(spec.terms) if spec.terms else YES_OR_NO


def _place(entry: Entry | None, around: Group, spec: FieldSpec) -> Place:
    if isinstance(entry, (Value, Group)):
        return entry.place
    return around.place_of(spec.name)


def _source(group: Group) -> str:
    page = group.text("page")
    return source_text(group.group("source")) or (f"page {page}" if page else "")
