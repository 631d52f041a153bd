"""The selection of a review as it stands in its folder, with everything wrong or unfinished in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from metakit.core.files import sha256_of
from metakit.errors import Problem, Severity
from metakit.forms.library import Library
from metakit.forms.records import Reading, read_record
from metakit.review.files import yaml_files
from metakit.review.history import read_history
from metakit.review.selection.checks import DESCRIBED, Tables, last_kept, unfinished, without_report, wrong
from metakit.review.selection.citations import KINDS, Citation, citation_of
from metakit.review.selection.duplicates import Removal, completed, removal_of
from metakit.review.selection.files import (
    AGREED,
    CITATIONS,
    INCLUDED,
    PREVIOUS,
    REMOVED,
    SEARCHES,
    screening_files,
    selection_folder,
)
from metakit.review.selection.flow import Flow, SideInput, count_flow
from metakit.review.selection.screening import Decision, Screening, read_decisions, settle
from metakit.review.selection.searches import Search, search_of
from metakit.review.selection.tables import read_table_rows

MOST_SCREENERS = 2
EVENTS = (
    "search_imported", "repeats_decided", "screening_collected", "screening_adjudicated", "included_named",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """A documented selection without errors.

    `people` are the screeners' initials, `decisions` what each of them decided; `studies_of_citation` and
    `records_of_citation` lead from an included report to its studies and their records. `flow` is None while
    anything is `unfinished`.
    """

    searches: tuple[Search, ...]
    citations: Mapping[str, Citation]
    removals: tuple[Removal, ...]
    people: tuple[str, ...]
    decisions: Mapping[str, tuple[Decision, ...]]
    adjudicated: tuple[Decision, ...]
    screening: Screening
    records_of_citation: Mapping[str, tuple[str, ...]]
    studies_of_citation: Mapping[str, tuple[str, ...]]
    unfinished: tuple[Problem, ...] = ()
    flow: Flow | None = None

    @property
    def removed(self) -> dict[str, Removal]:
        """The removals that stand, by citation."""
        return {removal.citation_id: removal for removal in self.removals if removal.stands}

    def to_json(self) -> dict[str, Any]:
        """Return searches, counts and exclusions as JSON."""
        texts = self.screening.outcomes["full_text"]
        return {
            "searches": [
                {"id": s.id, "name": s.name, "kind": s.kind, "date": s.date, "found": s.found}
                for s in self.searches
            ],
            "screeners": list(self.people),
            "flow": self.flow.to_json() if self.flow else None,
            "unfinished": [problem.what for problem in self.unfinished],
            "excluded_on_full_text": [
                {"citation_id": name, "title": self.citations[name].title, "reason": outcome.reason}
                for name, outcome in texts.items()
                if outcome.decision == "exclude"
            ],
            "not_retrieved": [name for name, found in texts.items() if found.decision == "not_retrieved"],
            "records": {name: list(found) for name, found in self.records_of_citation.items()},
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SelectionReading:
    """What the files of a selection say. `selection` is None when they hold errors."""

    selection: Selection | None
    problems: tuple[Problem, ...]
    inputs: tuple[tuple[str, str], ...]

    @property
    def sound(self) -> bool:
        """Whether there is no error."""
        return self.selection is not None


def read_selection(review: Path, library: Library, records: Sequence[Reading]) -> SelectionReading | None:
    """Read the selection of a review; None for a review without one.

    Parameters
    ----------
    review : Path
        The review folder.
    library : Library
        Where the forms are.
    records : sequence of Reading
        The study records, to which included reports lead.
    """
    folder = selection_folder(review)
    if not folder.is_dir():
        return None
    files, odd = yaml_files(folder / SEARCHES)
    readings = [read_record(file, library) for file in files]
    problems = [p for p in odd if Path(p.file).suffix.lower() not in KINDS]
    problems += [problem for reading in readings for problem in _described_later(reading)]
    problems += [_wrong_form(reading) for reading in readings if _other_form(reading)]
    tables = {
        name: read_table_rows(folder / file, name)
        for name, file in (
            ("citation", CITATIONS),
            ("removal", REMOVED),
            ("inclusion", INCLUDED),
            ("previous", PREVIOUS),
        )
    }
    people = screening_files(review)
    decided = {person: read_decisions(path) for person, path in people.items()}
    agreed, agreed_rows = read_decisions(folder / AGREED)
    every = [*tables.values(), *(rows for _, rows in decided.values()), agreed_rows]
    problems += [problem for rows in every for problem in rows.problems]
    if len(people) > MOST_SCREENERS:
        problems.append(
            Problem(
                file=str(folder), what=f"{len(people)} people screened: {', '.join(people)}",
                allowed="the decisions of one or two people, and the agreed ones",
            )
        )  # fmt: skip
    inputs = [(reading.file, reading.sha256) for reading in readings]
    inputs += [(rows.file, rows.sha256) for rows in every if rows.sha256]
    if _errors(problems):
        return SelectionReading(selection=None, problems=tuple(problems), inputs=tuple(inputs))
    given = Tables(
        folder=folder,
        searches=tuple(search_of(reading) for reading in readings),
        citations=tuple(citation_of(group) for group in tables["citation"].groups),
        citation_rows=tables["citation"].groups,
        removals=tuple(removal_of(group) for group in tables["removal"].groups),
        removal_rows=tables["removal"].groups,
        inclusions=tables["inclusion"].groups,
        previous=tables["previous"].groups,
        decisions={person: found for person, (found, _) in decided.items()},
        adjudicated=agreed,
        records={
            group.text("study.id"): group.text("study.cohort") or group.text("study.id")
            for reading in records
            if (group := reading.group) is not None and group.text("study.id")
        },
    )
    problems += wrong(given)
    problems += changed_by_hand(review)
    screening = settle(list(given.decisions.values()), given.adjudicated)
    open_ends = [] if _errors(problems) else list(unfinished(given, screening))
    problems += without_report(given, finished=not open_ends)
    if _errors(problems):
        return SelectionReading(selection=None, problems=tuple(problems), inputs=tuple(inputs))
    selection = _selection(given, screening, open_ends, library)
    return SelectionReading(
        selection=selection, problems=(*problems, *selection.unfinished), inputs=tuple(inputs)
    )


def _fullest(given: Tables) -> dict[str, Citation]:
    """Return all citations; one that stands for others has what these say and it does not."""
    citations = {citation.citation_id: citation for citation in given.citations}
    removed = given.removed
    repeats: dict[str, list[Citation]] = {}
    for name in removed:
        kept = last_kept(name, removed)
        if kept in citations and name in citations:
            repeats.setdefault(kept, []).append(citations[name])
    return citations | {name: completed(citations[name], others) for name, others in repeats.items()}


def _described_later(reading: Reading) -> list[Problem]:
    """Leave out what a search does not say yet: it can be told later, and is asked about as unfinished."""
    return [
        problem
        for problem in reading.problems
        if not (problem.field in DESCRIBED and reading.group is not None and problem.found in ("", "blank"))
    ]


def _selection(given: Tables, screening: Screening, open_ends: list[Problem], library: Library) -> Selection:
    records: dict[str, tuple[str, ...]] = {}
    for row in given.inclusions:
        name = row.text("citation_id")
        records[name] = (*records.get(name, ()), row.text("record"))
    studies = {
        citation: tuple(dict.fromkeys(given.records.get(record, record) for record in found))
        for citation, found in records.items()
    }
    flow = None
    if not open_ends:
        side_of = {search.id: search.by_other_methods for search in given.searches}
        sides = [
            SideInput(
                found={s.id: s.found for s in given.searches if s.by_other_methods is other},
                citations={c.citation_id: c.search for c in given.citations if side_of[c.search] is other},
            )
            for other in (False, True)
        ]
        flow = count_flow(
            *sides,
            removed={r.citation_id: r.because for r in given.removals if r.stands},
            screening=screening,
            studies_of_citation=studies,
            previous={
                given.records.get(row.text("record"), row.text("record")): row.integer("reports") or 0
                for row in given.previous
            },
            reasons=list(library.vocabulary("exclusion_reasons").terms),
        )
        open_ends = flow.problems(str(given.folder))
    return Selection(
        searches=given.searches,
        citations=_fullest(given),
        removals=given.removals,
        people=tuple(given.decisions),
        decisions=given.decisions,
        adjudicated=given.adjudicated,
        screening=screening,
        records_of_citation=records,
        studies_of_citation=studies,
        unfinished=tuple(open_ends),
        flow=None if open_ends else flow,
    )


def changed_by_hand(review: Path) -> list[Problem]:
    """Ask about files of the selection that were changed since a command wrote them last."""
    last = {
        str(event.get("file")): event for event in read_history(review)[0] if event.get("event") in EVENTS
    }
    found = []
    severity: Severity = "question"
    for name, event in last.items():
        path = review / name
        if not path.is_file():
            found.append(Problem(file=str(path), what="is no longer there", severity=severity))
        elif sha256_of(path) != event.get("sha256"):
            what = "changed by hand since metakit wrote it"
            found.append(Problem(file=str(path), what=what, severity=severity))
    return found


def _errors(problems: Sequence[Problem]) -> bool:
    return any(problem.severity == "error" for problem in problems)


def _other_form(reading: Reading) -> bool:
    return reading.form is not None and reading.form.name != "search"


def _wrong_form(reading: Reading) -> Problem:
    return Problem(
        file=reading.file, line=1, column=1, field="form", what="a file of the form search belongs here",
        found=reading.form.name if reading.form else "", allowed="search",
    )  # fmt: skip
