"""In what two arms differ beside what their techniques say, and what both got so that it cancels."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from metakit.forms.expansion import expand
from metakit.forms.specs import Term

LEAST_WEEKS = 1.0
TREATED = "treated"
HALF = 0.5
SILENT = "the report says nothing of the other arm"


def option_told(options: Iterable[Term], typed: str, components: Collection[str]) -> Term | None:
    """Return the option that a component of an arm, or else its own field as typed, stands for."""
    known = tuple(options)
    by_component = [term for term in known if term.facts.text("component") in components]
    by_field = [term for term in known if typed and term.facts.text("typed") == typed]
    return next(iter((*by_component, *by_field)), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmParts:
    """What one arm got, apart: `own` parts belong to its technique, `extra` came beside it (id and label).

    `extra` holds parts beyond the technique, and what was done at neighbouring joints; `unknown` are the
    kinds of options about which the report is silent.
    """

    technique: str
    own: Mapping[str, str]
    extra: Mapping[str, str]
    options: Mapping[str, str]
    unknown: frozenset[str] = frozenset()
    weeks: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One thing that only one of two arms got, in words; `kind` says what sort of thing it is.

    Kinds: `part` (of the operation), the option fields (`mp_option`, ...), `immobilisation`.
    """

    kind: str
    words: str


def arm_parts(
    technique: Term | None,
    listed: Iterable[str],
    components: Mapping[str, Term],
    options: Mapping[str, Term | None],
    partly: Mapping[str, str],
    weeks: float | None,
) -> ArmParts:
    """Sort what an arm got into its technique's own parts and what came beside.

    Parameters
    ----------
    technique : Term or None
        The arm's technique.
    listed : iterable of str
        Components, expanded or as listed.
    components : mapping of str to Term
        The vocabulary of components.
    options : mapping of str to Term or None
        Chosen terms by field, such as `mp_option`; only those whose fact `done` is `treated` count.
    partly : mapping of str to str
        Label of each part that only some thumbs of the arm got, by id; see `in_most`.
    weeks : float or None
        Immobilisation of this arm.
    """
    named = set(technique.facts.words("components")) if technique else set()
    groups = {*technique.facts.words("choose"), *technique.facts.words("ask")} if technique else set()
    own: dict[str, str] = {}
    extra: dict[str, str] = {}
    for part in expand(technique, listed):
        term = components.get(part)
        if term is not None and term.facts.flag("attribute"):
            continue
        label = term.label if term is not None else part
        belongs = part in named or (term is not None and term.facts.text("group") in groups)
        (own if belongs or not named | groups else extra)[part] = label
    done, unknown = {}, set()
    for field, option in options.items():
        fact = option.facts.text("done") if option else "not_reported"
        if option is not None and fact == TREATED:
            done[field] = option.label
        elif fact == "not_reported":
            unknown.add(field)
    extra |= {part: f"{label} (in some)" for part, label in partly.items() if part not in extra}
    return ArmParts(
        technique=technique.id if technique else "",
        own=own,
        extra=extra,
        options=done,
        unknown=frozenset(unknown),
        weeks=weeks,
    )


def in_most(counts: Mapping[str, int], thumbs: int | None) -> tuple[str, ...]:
    """Return the parts that at least half of an arm got (common practice, no source)."""
    return tuple(part for part, count in counts.items() if thumbs and count >= HALF * thumbs)


def differences(one: ArmParts, other: ArmParts, compared: Iterable[str] = ()) -> tuple[Difference, ...]:
    """Return in what two arms differ beside what is compared.

    Parameters
    ----------
    one, other : ArmParts
        The two arms. Arms of one technique are compared by all their parts, since the technique then is not
        what is asked about.
    compared : iterable of str
        Option fields that are compared, and so no difference to be told (`mp_option`, ...).
    """
    asked = set(compared)
    same = one.technique == other.technique and bool(one.technique)
    first = {**one.own, **one.extra} if same else dict(one.extra)
    second = {**other.own, **other.extra} if same else dict(other.extra)
    found = []
    for mine, theirs, against in ((first, second, other), (second, first, one)):
        own = {} if same else against.own
        found += [
            Difference(kind="part", words=label)
            for part, label in mine.items()
            if part not in theirs and part not in own
        ]
    for field in dict.fromkeys((*one.options, *other.options)):
        left, right = one.options.get(field, ""), other.options.get(field, "")
        if field not in asked and left != right:
            words = " against ".join(part for part in (left, right) if part)
            silent = field in (one.unknown if right else other.unknown) and not (left and right)
            found.append(Difference(kind=field, words=f"{words} ({SILENT})" if silent else words))
    if one.weeks is not None and other.weeks is not None and abs(one.weeks - other.weeks) >= LEAST_WEEKS:
        words = f"immobilisation of {one.weeks:g} against {other.weeks:g} weeks"
        found.append(Difference(kind="immobilisation", words=words))
    return tuple(found)


def shared(one: ArmParts, other: ArmParts) -> tuple[str, ...]:
    """Return what both arms got beside their techniques: it cancels in the comparison."""
    both = [label for part, label in one.extra.items() if part in other.extra]
    both += [label for field, label in one.options.items() if other.options.get(field) == label]
    return tuple(dict.fromkeys(both))
