"""Rules on what a protocol plans in words: carried out by its name, misspelt, or not carried out at all."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from metakit.errors import Problem, nearest_names
from metakit.forms.library import vocabulary
from metakit.forms.rules.registry import Context, rule
from metakit.forms.tree import Group

KINDS = "sensitivity_kinds"
OTHER = "other"
"""What people do by other means; the report names it as not carried out here."""
BY_DESIGN = "design"
"""Every comparison shows its designs apart."""
_NAME = re.compile(r"[\w-]+")


def beginning(entry: str) -> str:
    """Return the name that an entry begins with, "" for words without one.

    Examples
    --------
    >>> beginning("icc: 0 and 0.5 instead of 0.3"), beginning("without the largest study")
    ('icc', '')
    """
    start, colon, _ = entry.partition(":")
    return start.strip() if colon and _NAME.fullmatch(start.strip()) else ""


def explored_names(explorations: Sequence[tuple[str, str, Sequence[str]]]) -> tuple[str, ...]:
    """Return the names that a planned subgroup can begin with: what explorations carry out.

    Parameters
    ----------
    explorations : sequence of (id, kind, moderators)
    """
    ids = [name for name, _, _ in explorations if name]
    properties = [name for _, kind, moderators in explorations if kind == "subgroups" for name in moderators]
    return tuple(dict.fromkeys([BY_DESIGN, *ids, *properties]))


@rule(
    "planned_in_words",
    "planned sensitivity analyses and subgroups are carried out by their names",
    needs=("sensitivity", "subgroups", "explorations.id", "explorations.kind", "explorations.moderators"),
    basis="what is planned is done, or named as not done",
)
def planned_in_words(context: Context) -> Iterator[Problem]:
    """Find planned analyses that nothing carries out: misspelt names are errors, free words a question."""
    record = context.record
    kinds = tuple(term.id for term in vocabulary(KINDS))
    yield from _entries(
        record, "sensitivity", kinds, "no kind of sensitivity analysis that is carried out", "a kind"
    )
    explored = explored_names(
        [
            (item.text("id"), item.text("kind"), item.words("moderators"))
            for item in record.groups("explorations")
        ]
    )
    spec = context.form.find("explorations.moderators")
    for entry in record.words("subgroups"):
        name = beginning(entry)
        if spec and name in spec.terms and name not in explored:
            yield record.problem(
                "subgroups", "no entry of explorations carries this out; the report names it as not done",
                found=entry[:80], severity="question",
                hint=f"add to explorations: {{id: by_{name}, kind: subgroups, moderators: [{name}], ...}}",
            )  # fmt: skip
    known = (*explored, *(spec.terms if spec else ()))
    what = "no exploration of this protocol, and no property that makes subgroups"
    yield from _entries(
        record, "subgroups", known, what, "'design', the id of an exploration, or its property"
    )


def _entries(record: Group, field: str, known: Sequence[str], what: str, begin: str) -> Iterator[Problem]:
    means = f"begin with '{OTHER}:' what you do by other means"
    for entry in record.words(field):
        name = beginning(entry)
        if name in known or name == OTHER:
            continue
        if name:
            yield record.problem(
                field, what, found=name, hint=f"{nearest_names(name, known)} Or {means}", severity="error",
            )  # fmt: skip
        else:
            yield record.problem(
                field, "planned in words that nothing here carries out; the report names it as not done",
                found=entry[:80], severity="question",
                hint=f"begin with {begin} and a colon ({nearest_names(_first(entry), known)}), or {means}",
            )  # fmt: skip


def _first(entry: str) -> str:
    found = _NAME.search(entry)
    return found.group().lower() if found else entry
