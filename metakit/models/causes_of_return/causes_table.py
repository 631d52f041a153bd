"""Reasons for coming back from a plain table: one row a study and cause."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from metakit.core.causes import NOT_STATED, StudyReturns
from metakit.core.notes import Assumption
from metakit.errors import DataError, Problem, nearest_names
from metakit.forms.library import vocabulary
from metakit.forms.typed_numbers import Refused
from metakit.measures.cells import RawTable, is_blank, read_checked
from metakit.measures.column_rules import COUNT, POSITIVE, SIZE
from metakit.measures.twins import folded

MOST_THUMBS = 1_000_000
"""Of one study; the largest registries hold tens of thousands (common practice, no source)."""
NEEDED = ("study", "cause", "thumbs", "total")
OPTIONAL = ("technique", "time", "overlap")
ALL_CAUSES = "all_causes"
"""Cause of the row, if any, that counts the thumbs that came back at all."""
_YES_NO = {"yes": True, "no": False, "": False, "true": True, "false": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class TableOfReturns:
    """The studies of a table, an entry each technique of each, with what was assumed and noted."""

    studies: tuple[StudyReturns, ...]
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Row:
    line: int
    study: str
    technique: str
    cause: str
    words: str
    thumbs: float
    total: float
    time: float | None
    overlap: bool


def cause_words() -> Mapping[str, str]:
    """Return the id of a cause for each way to write it: id, label and synonyms in plain lower case."""
    known = {plain(ALL_CAUSES): ALL_CAUSES, "any cause": ALL_CAUSES}
    for term in vocabulary("return_causes"):
        for words in (term.id, term.label, *term.synonyms):
            known.setdefault(plain(words), term.id)
    return known


def plain(words: str) -> str:
    """Return words in lower case, with single spaces for hyphens and underscores."""
    return " ".join(words.replace("_", " ").replace("-", " ").casefold().split())


def returns_of_table(table: RawTable) -> TableOfReturns:
    """Read a table with the columns `study`, `cause`, `thumbs` (that came back for it), `total` (operated).

    Optional are `technique`, `time` (thumb-years) and `overlap` (yes where a thumb may stand under several
    causes). A row with the cause `all_causes` counts the thumbs that came back at all; without it the causes
    are taken to add up. Causes are ids, labels or synonyms of the vocabulary `return_causes`.

    Raises
    ------
    DataError
        With every problem of the table and its line.
    """
    problems = [
        Problem(
            file=table.file, line=1, field=name, what="the table lacks this column",
            hint=nearest_names(name, [str(column) for column in table.columns]),
        )
        for name in NEEDED
        if name not in table.columns
    ]  # fmt: skip
    if problems:
        raise DataError(problems)
    rows = [_row(table, place, problems) for place in range(len(table))]
    if problems:
        raise DataError(problems)
    groups: dict[tuple[str, str], list[_Row]] = {}
    for row in rows:
        groups.setdefault((row.study, row.technique), []).append(row)
    problems += _spelt_otherwise(table.file, groups)
    assumptions: list[Assumption] = []
    studies = [_study(table.file, group, problems, assumptions) for group in groups.values()]
    if problems:
        raise DataError(sorted(problems, key=lambda problem: problem.line or 0))
    unused = [name for name in table.columns if name not in (*NEEDED, *OPTIONAL)]
    notes = (f"Columns that are not used: {', '.join(unused)}.",) if unused else ()
    return TableOfReturns(studies=tuple(studies), assumptions=tuple(assumptions), notes=notes)


def _spelt_otherwise(file: str, groups: Mapping[tuple[str, str], list[_Row]]) -> list[Problem]:
    """Name every study whose name is that of an earlier one but for spelling."""
    known: dict[tuple[str, str], list[_Row]] = {}
    problems = []
    for (study, technique), rows in groups.items():
        before = known.setdefault((folded(study), folded(technique)), rows)[0]
        if (before.study, before.technique) != (study, technique):
            field, own, other = (
                ("study", study, before.study)
                if before.study != study
                else ("technique", technique, before.technique)
            )
            what = f"this {field} stands in row {before.line} already, spelt {other!r}"
            hint = "spell both alike, or give different ones names that differ in letters or numbers"
            problems.append(
                Problem(file=file, line=rows[0].line, field=field, what=what, found=own[:80], hint=hint)
            )
    return problems


def _row(table: RawTable, place: int, problems: list[Problem]) -> _Row:
    line = table.lines[place]

    def add(name: str, what: str, *, found: str = "", allowed: str = "", hint: str = "") -> None:
        problems.append(
            Problem(file=table.file, line=line, field=table.field_at(name, place), what=what, found=found,
                    allowed=allowed, hint=hint)
        )  # fmt: skip

    def text(name: str) -> str:
        cell = table.columns[name][place] if name in table.columns else ""
        return "" if is_blank(cell) else str(cell).strip()

    numbers: dict[str, float | None] = {}
    for name, rule in (("thumbs", COUNT), ("total", SIZE), ("time", POSITIVE)):
        numbers[name] = None
        if name == "time" and not text("time"):
            continue
        try:
            numbers[name] = read_checked(table.columns[name][place], rule, effective_numbers=False)
        except Refused as refused:
            add(name, refused.what, found=text(name), allowed=refused.allowed, hint=refused.hint)
        if name != "time" and (numbers[name] or 0) > MOST_THUMBS:
            add(name, "more thumbs than there are", found=text(name), allowed=f"at most {MOST_THUMBS:,}")
    if not text("study"):
        add("study", "the study has no name")
    known = cause_words()
    cause = known.get(plain(text("cause")), "")
    if not cause:
        ids = [ALL_CAUSES, *(term.id for term in vocabulary("return_causes"))]
        add("cause", "no cause of the vocabulary", found=text("cause"),
            hint=f"{nearest_names(text('cause'), ids)} ('other' for a cause that none fits)")  # fmt: skip
    if plain(text("overlap")) not in _YES_NO:
        add("overlap", "neither yes nor no", found=text("overlap"), allowed="yes or no")
    return _Row(
        line=line, study=text("study"), technique=text("technique"), cause=cause, words=text("cause"),
        thumbs=numbers["thumbs"] or 0.0, total=numbers["total"] or 0.0, time=numbers["time"],
        overlap=_YES_NO.get(plain(text("overlap")), False),
    )  # fmt: skip


def _study(
    file: str, rows: list[_Row], problems: list[Problem], assumptions: list[Assumption]
) -> StudyReturns:
    first = rows[0]
    name = f"{first.study}, {first.technique}" if first.technique else first.study
    overlap = any(row.overlap for row in rows)

    def add(row: _Row, field: str, what: str, hint: str = "", found: str = "") -> None:
        problems.append(Problem(file=file, line=row.line, field=field, what=what, found=found, hint=hint))

    counts: dict[str, int] = {}
    words: dict[str, list[str]] = {}
    for row in rows:
        for field, here, there in (("total", row.total, first.total), ("time", row.time, first.time)):
            if here != there:
                add(row, field, f"not the same in all rows of {name}", found=f"{there} and {here}")
        if row.thumbs > row.total:
            add(row, "thumbs", "more thumbs came back than were operated",
                found=f"{row.thumbs:g} of {row.total:g}")  # fmt: skip
        earlier = words.setdefault(row.cause, [])
        if plain(row.words) in earlier:
            add(row, "cause", f"stands twice for {name}", found=row.words)
        elif earlier and (overlap or row.cause == ALL_CAUSES):
            add(row, "cause", f"two rows of {name} are the same cause, and thumbs may stand under both",
                hint="count its thumbs once", found=row.words)  # fmt: skip
        elif earlier:
            assumptions.append(
                Assumption(study=name, rule=f"two of the report's words are one cause, {row.cause}: added up")
            )
        earlier.append(plain(row.words))
        counts[row.cause] = counts.get(row.cause, 0) + int(row.thumbs)
    whole = counts.pop(ALL_CAUSES, None)
    missing = counts.pop(NOT_STATED, 0)
    added = sum(counts.values()) + missing
    if whole is None and overlap:
        add(first, "overlap", "the table does not say how many thumbs came back at all",
            hint=f"add a row with the cause {ALL_CAUSES}")  # fmt: skip
    returned = added if whole is None else whole
    if overlap:
        if max([missing, *counts.values()], default=0) > returned:
            add(first, "thumbs", f"one cause has more thumbs than came back in {name}", found=f"{returned}")
        elif (most := max(counts.values(), default=0)) + missing > returned:
            add(first, "thumbs", f"one cause of {name} has more thumbs than have a stated cause",
                found=f"{most} and {missing} not stated, {returned} came back")  # fmt: skip
    elif added > returned:
        add(first, "thumbs", f"the causes of {name} add up to {added}, but {returned} thumbs came back",
            hint="write overlap yes, if a thumb may stand under several causes")  # fmt: skip
    elif added < returned:
        assumptions.append(
            Assumption(
                study=name,
                rule="thumbs under no cause are counted as thumbs without a stated cause",
                inputs=f"{added} of {returned} stand under a cause",
            )
        )
        missing += returned - added
    if returned > first.total:
        add(
            first,
            "thumbs",
            "more thumbs came back than were operated",
            found=f"{returned} of {first.total:g}",
        )
    return StudyReturns(
        study=first.study, technique=first.technique, counts=counts, returned=returned, not_stated=missing,
        overlap=overlap, thumbs=first.total, time=first.time,
    )  # fmt: skip
