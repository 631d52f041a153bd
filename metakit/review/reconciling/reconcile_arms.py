"""Which arm of one person is which arm of the other: by what was done, then by name, then by size.

Two people choose the ids of arms themselves. A form says in `recognised_by` which fields tell its arms apart.
Where these say something else than the ids, one question is asked, not one for each number of both arms.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from metakit.forms.addresses import entry_key
from metakit.forms.field_types import FIELD_TYPES
from metakit.forms.specs import GROUP, FieldSpec, Form
from metakit.forms.tree import Group, Value

Entry = Value | Group | tuple[Group, ...]
DONE, NAMED, SAME_ID = 1e4, 1e2, 0.1
"""Weights of one step against the next, a size counting 1: each speaks where those before are silent."""
FALLS_OFF = 0.5
"""Of two fields about what was done, the later one counts half as much (technique, components, MP option)."""
CLEARLY = 0.2
"""How much more alike, in sum over the arms, another order must be before somebody is asked (no source)."""
HARDLY = 0.5
"""Arms of different ids that have less in common than this are different arms (no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recognition:
    """Which entries of a group belong together.

    `names` leads from each id of the second person to the id under which it is compared. `question` is empty
    where there is no doubt; `first` and `second` describe the entries in the order in which they belong
    together. `answer` is what somebody decided: "yes", "no" or nothing yet.
    """

    path: str
    names: Mapping[str, str]
    question: str = ""
    first: str = ""
    second: str = ""
    answer: str = ""


Answer = Callable[[str, str, str], str]
"""From path and both descriptions to what was decided about them."""


def no_answer(path: str, first: str, second: str) -> str:
    """Say that nobody has decided yet."""
    return ""


def recognise(
    first: Group, second: Group, form: Form, people: tuple[str, str], answer: Answer = no_answer
) -> tuple[Recognition, ...]:
    """Find which entries of two records of one study belong together, for each group with `recognised_by`.

    Parameters
    ----------
    first, second : Group
        The checked records.
    form : Form
        What both follow.
    people : (str, str)
        Initials.
    answer : callable
        What was decided about a question, if anything: "yes" takes the order that was found, "no" the ids.
    """
    found = []
    for spec in form.sections:
        one, two = first.groups(spec.name), second.groups(spec.name)
        if spec.recognised_by and spec.matched_by and one and two:
            found.append(_recognise(spec, one, two, form, people, answer))
    return tuple(found)


def _recognise(
    spec: FieldSpec,
    first: Sequence[Group],
    second: Sequence[Group],
    form: Form,
    people: tuple[str, str],
    answer: Answer,
) -> Recognition:
    id_field = spec.matched_by[0]
    ids_1, ids_2 = ([group.text(id_field) for group in side] for side in (first, second))
    like = [[_likeness(one, two, spec, form) for two in second] for one in first]
    best, by_id = _assign(like, ids_1, ids_2, fixed=False), _assign(like, ids_1, ids_2, fixed=True)
    chosen = best if _clearly_better(best, by_id, like) else by_id
    doubtful = chosen is best and best != by_id
    new = [(i, j) for i, j in chosen.items() if ids_1[i] != ids_2[j]]
    unlike = any(like[i][j][0] < 1.0 for i, j in new)
    twins = any(
        sum(like[i][other][0] == 1.0 for other in range(len(second))) > 1 and like[i][j][1] < 1.0
        for i, j in new
    )
    names = _names(chosen, ids_1, ids_2, people[1])
    if not (new and (doubtful or unlike or twins)):
        return Recognition(path=spec.name, names=names)
    texts = [_described(first[i], spec, form) for i in sorted(chosen)]
    others = [_described(second[chosen[i]], spec, form) for i in sorted(chosen)]
    said_1, said_2 = "; ".join(texts), "; ".join(others)
    decided = answer(spec.name, said_1, said_2)
    if decided == "no":
        kept = {i: ids_2.index(name) for i, name in enumerate(ids_1) if name in ids_2}
        names = _names(kept, ids_1, ids_2, people[1])
    question = _question([(ids_1[i], ids_2[j]) for i, j in sorted(new)], people)
    return Recognition(
        path=spec.name, names=names, question=question, first=said_1, second=said_2, answer=decided
    )


def _likeness(one: Group, two: Group, spec: FieldSpec, form: Form) -> tuple[float, float, float]:
    """Return how alike two entries are in what was done, in name and in size, each from 0 to 1."""
    done, weights, weight = 0.0, 0.0, 1.0
    named: list[float] = []
    sizes: list[float] = []
    for path in spec.recognised_by:
        field = form.find(f"{spec.name}.{path}")
        if field is None:
            continue
        if field.terms:
            done, weights = done + weight * _shared(one, two, path), weights + weight
            weight *= FALLS_OFF
        elif FIELD_TYPES[field.type].numeric:
            sizes.append(float(one.number(path) is not None and one.number(path) == two.number(path)))
        else:
            named.append(_alike(one.text(path), two.text(path)))
    return done / weights if weights else 1.0, _mean(named), _mean(sizes)


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else 0.0


def _shared(one: Group, two: Group, path: str) -> float:
    first, second = _words(one, path), _words(two, path)
    both = first | second
    return len(first & second) / len(both) if both else 1.0


def _words(group: Group, path: str) -> set[str]:
    entry = group.entry(path)
    if not isinstance(entry, Value):
        return set()
    return set(map(str, entry.value)) if isinstance(entry.value, tuple) else {str(entry.value)}


def _alike(one: str, two: str) -> float:
    from rapidfuzz import fuzz

    first, second = (" ".join(text.split()).casefold() for text in (one, two))
    return fuzz.token_sort_ratio(first, second) / 100 if first and second else 0.0


def _assign(
    like: Sequence[Sequence[tuple[float, float, float]]],
    ids_1: Sequence[str],
    ids_2: Sequence[str],
    *,
    fixed: bool,
) -> dict[int, int]:
    """Pair the entries so that they are most alike; with `fixed`, equal ids belong together in any case."""
    from scipy.optimize import linear_sum_assignment

    pairs = {i: ids_2.index(name) for i, name in enumerate(ids_1) if name in ids_2} if fixed else {}
    rows = [i for i in range(len(ids_1)) if i not in pairs]
    columns = [j for j in range(len(ids_2)) if j not in pairs.values()]
    if rows and columns:
        worth = [
            [
                DONE * d + NAMED * n + s + SAME_ID * (ids_1[i] == ids_2[j])
                for j in columns
                for d, n, s in (like[i][j],)
            ]
            for i in rows
        ]
        for row, column in zip(*linear_sum_assignment(worth, maximize=True), strict=True):
            i, j = rows[row], columns[column]
            if ids_1[i] == ids_2[j] or max(like[i][j][:2]) >= HARDLY:
                pairs[i] = j
    return dict(sorted(pairs.items()))


def _clearly_better(
    best: Mapping[int, int], by_id: Mapping[int, int], like: Sequence[Sequence[tuple[float, float, float]]]
) -> bool:
    """Whether another order than that of the ids is clearly more alike, in the first step that tells."""
    if best == by_id:
        return False
    done, named, size = (
        sum(like[i][j][step] for i, j in best.items()) - sum(like[i][j][step] for i, j in by_id.items())
        for step in range(3)
    )
    if abs(done) >= CLEARLY:
        return done > 0
    if abs(named) >= CLEARLY:
        return named > 0
    return size >= 2


def _names(
    pairs: Mapping[int, int], ids_1: Sequence[str], ids_2: Sequence[str], person: str
) -> dict[str, str]:
    names = {ids_2[j]: ids_1[i] for i, j in pairs.items()}
    for name in ids_2:
        if name not in names:
            own, taken = name, {*ids_1, *names.values()}
            while own in taken:
                own = f"{own}_{person}"
            names[name] = own
    return names


def _described(group: Group, spec: FieldSpec, form: Form) -> str:
    parts = []
    for path in spec.recognised_by:
        field, entry = form.find(f"{spec.name}.{path}"), group.entry(path)
        if field is not None and isinstance(entry, Value) and entry.text.strip("[] "):
            parts.append(" ".join(entry.text.split()))
    return f"{group.text(spec.matched_by[0])} ({', '.join(parts)})"


def _question(pairs: Sequence[tuple[str, str]], people: tuple[str, str]) -> str:
    if len(pairs) == 2 and pairs[0] == pairs[1][::-1]:
        return f"are {pairs[0][0]} and {pairs[1][0]} swapped in {people[1]}?"
    each = ", ".join(f"{people[1]}'s {two} the arm {one}" for one, two in pairs)
    verb = "is" if len(pairs) == 1 else "are"
    return f"{verb} {each} of {people[0]}?"


def renamed(record: Group, recognised: Sequence[Recognition], form: Form) -> Group:
    """Return a record under other ids: of the entries, of all that refer to them, and in addresses.

    Values keep the places where they were typed.
    """
    for one in recognised:
        if any(old != new for old, new in one.names.items()):
            spec = next(spec for spec in form.sections if spec.name == one.path)
            known = _addresses(record, form)
            record = _renamed(
                record, form.sections, form, f"{one.path}.{spec.matched_by[0]}", one.names, one.path
            )
            moved = {old: new for old, new in zip(known, _addresses(record, form), strict=True) if old != new}
            record = _readdressed(record, form, moved)
    return record


def _renamed(
    group: Group, specs: Sequence[FieldSpec], form: Form, target: str, names: Mapping[str, str], at: str = ""
) -> Group:
    by_name = {spec.name: spec for spec in specs}
    entries: dict[str, Entry] = {}
    for name, entry in group.entries.items():
        spec = by_name[name]
        inner = form.fields_of(spec) if spec.type == GROUP else ()
        if isinstance(entry, tuple):
            entries[name] = tuple(
                _own_id(_renamed(one, inner, form, target, names), spec, names)
                if name == at
                else _renamed(one, inner, form, target, names)
                for one in entry
            )
        elif isinstance(entry, Group):
            entries[name] = _renamed(entry, inner, form, target, names)
        elif spec.refers_to == target and str(entry.value) in names:
            new = names[str(entry.value)]
            entries[name] = Value(new, entry.place, new)
        else:
            entries[name] = entry
    return replace(group, entries=entries)


def _own_id(group: Group, spec: FieldSpec, names: Mapping[str, str]) -> Group:
    field = spec.matched_by[0]
    entry = group.entries.get(field)
    if not isinstance(entry, Value) or str(entry.value) not in names:
        return group
    new = names[str(entry.value)]
    return replace(group, entries={**group.entries, field: Value(new, entry.place, new)})


def _addresses(record: Group, form: Form) -> list[str]:
    """Return the address of every entry of every list, in their order."""
    found = []
    for spec in form.sections:
        used: dict[str, int] = {}
        for group in record.groups(spec.name) if spec.matched_by else ():
            key = "/".join(part for part in entry_key(group, spec.matched_by) if part)
            used[key] = used.get(key, 0) + 1
            found.append(f"{spec.name}[{key}{f'#{used[key]}' if used[key] > 1 else ''}]")
    return found


def _readdressed(record: Group, form: Form, moved: Mapping[str, str]) -> Group:
    """Take along what a person says about his own entries, which names them by their addresses."""
    entries = dict(record.entries)
    for spec in form.sections:
        entry = entries.get(spec.name)
        if spec.per_person and isinstance(entry, tuple):
            entries[spec.name] = tuple(
                replace(one, entries={name: _moved(value, moved) for name, value in one.entries.items()})
                for one in entry
            )
    return replace(record, entries=entries)


def _moved(entry: Entry, moved: Mapping[str, str]) -> Entry:
    if not isinstance(entry, Value) or not isinstance(entry.value, str):
        return entry
    address, bracket, rest = entry.value.partition("]")
    new = moved.get(address + bracket)
    return entry if new is None else Value(new + rest, entry.place, new + rest)
