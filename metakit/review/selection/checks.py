"""What the files of a selection say together: wrong (errors) and not finished yet (questions)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.core.files import sha256_of
from metakit.core.places import WrongPlaceError, place_within
from metakit.errors import Problem, nearest_names
from metakit.forms.tree import Group
from metakit.review.selection.citations import Citation
from metakit.review.selection.duplicates import Removal
from metakit.review.selection.files import CITATIONS, INCLUDED, REMOVED, SAME, SEARCHES
from metakit.review.selection.screening import (
    DECISIONS,
    STAGE_WORDS,
    STAGES,
    UNSURE,
    Decision,
    Screening,
    Stage,
    settle,
)
from metakit.review.selection.searches import Search

DESCRIBED = ("kind", "date", "strategy")
"""What a search needs before it is told of; its records can be screened before."""
SHOWN = 6  # ids named in a message; the rest are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """All tables of a selection, row by row without an error; `records` leads from record to study."""

    folder: Path
    searches: tuple[Search, ...]
    citations: tuple[Citation, ...]
    citation_rows: tuple[Group, ...]
    removals: tuple[Removal, ...]
    removal_rows: tuple[Group, ...]
    inclusions: tuple[Group, ...]
    previous: tuple[Group, ...]
    decisions: Mapping[str, tuple[Decision, ...]]
    adjudicated: tuple[Decision, ...]
    records: Mapping[str, str]

    @property
    def ids(self) -> set[str]:
        """The ids of all citations."""
        return {citation.citation_id for citation in self.citations}

    @property
    def removed(self) -> dict[str, Removal]:
        """The removals that stand, by citation."""
        return {removal.citation_id: removal for removal in self.removals if removal.stands}

    @property
    def by_other_methods(self) -> set[str]:
        """The citations that go straight to the full text."""
        other = {search.id for search in self.searches if search.by_other_methods}
        return {citation.citation_id for citation in self.citations if citation.search in other}


def wrong(given: Tables) -> list[Problem]:
    """Find what cannot be right between the files of a selection."""
    return [
        *_searches(given),
        *_citations(given),
        *_removals(given),
        *_all_decisions(given),
        *_inclusions(given),
        *_previous(given),
    ]


def _searches(given: Tables) -> Iterator[Problem]:
    counts = Counter(citation.search for citation in given.citations)
    for search in given.searches:
        group = search.group
        if counts[search.id] != search.found:
            what = f"the counts do not add up: {counts[search.id]} records of this search were imported"
            yield group.problem(
                "found", what, severity="error", found=str(search.found), allowed="as many as were imported",
                hint=f"import the whole file, or correct the number; {CITATIONS} holds the records",
            )  # fmt: skip
        try:
            path = place_within(given.folder / SEARCHES, search.file, ("*",))
        except WrongPlaceError as error:
            allowed = f"a file in {SEARCHES}/"
            yield group.problem("file", str(error), severity="error", found=search.file[:80], allowed=allowed)
            continue
        if not path.is_file():
            yield group.problem(
                "file", "there is no such file beside it", severity="error", found=search.file
            )
        elif sha256_of(path) != search.sha256:
            yield group.problem(
                "sha256", "the file of this search is not the one that was imported", severity="error",
                found=search.sha256[:16], allowed=sha256_of(path)[:16] + "...",
            )  # fmt: skip


def _citations(given: Tables) -> Iterator[Problem]:
    known = [search.id for search in given.searches]
    lines: dict[str, int] = {}
    for row in given.citation_rows:
        citation_id, search = row.text("citation_id"), row.text("search")
        if citation_id in lines:
            what = f"stands in line {lines[citation_id]} already"
            yield row.problem("citation_id", what, severity="error", found=citation_id)
        lines.setdefault(citation_id, row.place.line)
        if search not in known:
            yield row.problem(
                "search", f"there is no such search in {SEARCHES}/", severity="error", found=search,
                hint=nearest_names(search, known),
            )  # fmt: skip


def _removals(given: Tables) -> Iterator[Problem]:
    ids, removed = given.ids, given.removed
    lines: dict[str, int] = {}
    for row in given.removal_rows:
        citation_id, kept = row.text("citation_id"), row.text("kept")
        for field, value in (("citation_id", citation_id), ("kept", kept)):
            if value and value not in ids:
                yield _unknown(row, field, value, ids)
        if citation_id in lines:
            what = f"was removed in line {lines[citation_id]} already"
            yield row.problem("citation_id", what, severity="error", found=citation_id)
        lines.setdefault(citation_id, row.place.line)
        if kept and row.flag("stands") and last_kept(citation_id, removed) is None:
            what = "the record that stays was removed itself"
            yield row.problem("kept", what, severity="error", found=kept)


def last_kept(citation_id: str, removed: Mapping[str, Removal]) -> str | None:
    """Return the record that stays in the end, None where the removals lead in a circle or to nothing."""
    seen: set[str] = set()
    while citation_id in removed:
        if citation_id in seen or not removed[citation_id].kept:
            return None
        seen.add(citation_id)
        citation_id = removed[citation_id].kept
    return citation_id


def _all_decisions(given: Tables) -> Iterator[Problem]:
    for found in given.decisions.values():
        yield from _decisions(given, found)
    yield from _decisions(given, given.adjudicated)
    screening = settle(list(given.decisions.values()))
    for decision in given.adjudicated:
        if not decision.decided_by:
            yield _at(decision, "decided_by", "an agreed decision says who settled it")
        if decision.decision == UNSURE:
            yield _at(decision, "decision", "an agreed decision is not unsure", found=UNSURE)
        outcome = screening.outcomes[decision.stage].get(decision.citation_id)
        if outcome is not None and outcome.decision != decision.decision:
            what = "overrules what was decided without a disagreement"
            yield _at(decision, "decision", what, found=decision.decision, question=True)
    final = settle(list(given.decisions.values()), given.adjudicated).outcomes["title_abstract"]
    other = given.by_other_methods
    for decision in (d for found in given.decisions.values() for d in found):
        before = final.get(decision.citation_id)
        late = decision.citation_id in other
        if decision.stage == "full_text" and before is not None and before.decision == "exclude" and not late:
            what = "this record was excluded on title and abstract; its full text is not read"
            yield _at(decision, "stage", what, found=decision.citation_id)


def _decisions(given: Tables, decisions: Sequence[Decision]) -> Iterator[Problem]:
    ids, removed, other = given.ids, given.removed, given.by_other_methods
    lines: dict[tuple[Stage, str], int] = {}
    for decision in decisions:
        name = decision.citation_id
        allowed = DECISIONS[decision.stage]
        if name not in ids:
            hint = nearest_names(name, ids)
            yield _at(decision, "citation_id", f"no such citation in {CITATIONS}", found=name, hint=hint)
        elif name in removed:
            yield _at(
                decision, "citation_id", f"removed before screening: {removed[name].reason}", found=name,
                hint=f"decide on {removed[name].kept} instead" if removed[name].kept else "",
            )  # fmt: skip
        elif name in other and decision.stage == "title_abstract":
            what = "found by other methods: only the decision on its full text counts"
            yield _at(decision, "stage", what, found=decision.stage, allowed="full_text", question=True)
        if decision.decision not in allowed:
            yield _at(
                decision, "decision", f"no decision on {STAGE_WORDS[decision.stage]}",
                found=decision.decision, allowed=", ".join(allowed),
            )  # fmt: skip
        if decision.reason and decision.decision != "exclude":
            what = f"a reason of exclusion beside the decision {decision.decision}"
            yield _at(decision, "reason", what, found=decision.reason)
        if decision.key in lines:
            what = f"decided at this stage in line {lines[decision.key]} already"
            yield _at(decision, "citation_id", what, found=name, allowed="one row a stage")
        lines.setdefault(decision.key, decision.place.line if decision.place else 0)


def _inclusions(given: Tables) -> Iterator[Problem]:
    outcomes = settle(list(given.decisions.values()), given.adjudicated).outcomes["full_text"]
    ids = given.ids
    lines: dict[tuple[str, str], int] = {}
    later: dict[str, int] = {}
    for row in given.inclusions:
        citation_id, record = row.text("citation_id"), row.text("record")
        outcome = outcomes.get(citation_id)
        if citation_id not in ids:
            yield _unknown(row, "citation_id", citation_id, ids)
        elif outcome is None or outcome.decision != "include":
            what = "this report was not included on its full text"
            yield row.problem("citation_id", what, severity="error", found=citation_id)
        near = nearest_names(record, given.records) if given.records else ""
        if record not in given.records and near.startswith("did you mean"):
            yield row.problem(
                "record",
                "there is no study record with this id",
                severity="question",
                found=record,
                hint=near,
            )
        elif record not in given.records:
            later[record] = row.place.line
        if (citation_id, record) in lines:
            what = f"leads to this record in line {lines[citation_id, record]} already"
            yield row.problem("citation_id", what, severity="error", found=citation_id)
        lines.setdefault((citation_id, record), row.place.line)
    if later:
        studies = "included study has" if len(later) == 1 else "included studies have"
        yield Problem(
            file=str(given.folder / INCLUDED), line=min(later.values()), field="record", severity="question",
            what=f"{len(later)} {studies} no record yet: {named(list(later))}",
        )  # fmt: skip


def _previous(given: Tables) -> Iterator[Problem]:
    lines: dict[str, int] = {}
    for row in given.previous:
        record = row.text("record")
        if record in lines:
            what = f"stands in line {lines[record]} already"
            yield row.problem("record", what, severity="error", found=record)
        lines.setdefault(record, row.place.line)


def without_report(given: Tables, *, finished: bool) -> list[Problem]:
    """Find records that no included report leads to: wrong once everybody has decided on everything."""
    linked = {row.text("record") for row in (*given.inclusions, *given.previous)}
    alone = [record for record in given.records if record not in linked]
    file = str(given.folder / INCLUDED)
    hint = "add a row with the citation and the record, or take the record out of the review"
    if not finished and alone:
        what = f"{len(alone)} study records, and no included report leads to them yet: {named(alone)}"
        return [Problem(file=file, field="record", what=what, hint=hint, severity="question")]
    what = "this study has a record, but no included report leads to it"
    return [Problem(file=file, field="record", found=record, what=what, hint=hint) for record in alone]


def unfinished(given: Tables, screening: Screening) -> Iterator[Problem]:
    """Ask about what is still to be done; nothing of it is wrong."""
    removed, other = given.removed, given.by_other_methods
    kept = [c.citation_id for c in given.citations if c.citation_id not in removed]
    on_title = screening.outcomes["title_abstract"]
    due: dict[Stage, list[str]] = {
        "title_abstract": [name for name in kept if name not in other],
        "full_text": [
            name
            for name in kept
            if name in other or (name in on_title and on_title[name].decision == "include")
        ],
    }

    def ask(what: str, names: Sequence[str], hint: str) -> Problem:
        records = "record" if len(names) == 1 else "records"
        text = f"not finished: {len(names)} {records} {what}: {named(names)}"
        return Problem(file=str(given.folder), severity="question", what=text, hint=hint)

    if not given.citations:
        yield Problem(
            file=str(given.folder), severity="question", what="not finished: no search was imported"
        )
    for search in given.searches:
        if lacking := [name for name in DESCRIBED if not search.group.text(name)]:
            what = f"not finished: the search is not described: {', '.join(lacking)}"
            yield Problem(file=search.group.place.file, severity="question", what=what)
    asked = [removal.citation_id for removal in given.removals if removal.asked]
    if asked:
        yield ask(
            "perhaps the same report as another", asked,
            f"fill in reconcile/{SAME} and collect it, or write yes or no under 'stands' in {REMOVED}",
        )  # fmt: skip
    for stage in STAGES:
        conflicts = set(screening.conflicts[stage])
        open_ends = [n for n in due[stage] if n not in screening.outcomes[stage] and n not in conflicts]
        if open_ends:
            yield ask(
                f"without a decision on {STAGE_WORDS[stage]}", open_ends,
                "'metakit sheet LIST.xlsx --screening REVIEW --person INITIALS' lists them",
            )  # fmt: skip
        if conflicts:
            yield ask(
                f"on which two people disagree about {STAGE_WORDS[stage]}", sorted(conflicts),
                "'metakit reconcile REVIEW' lists them",
            )  # fmt: skip
    linked = {row.text("citation_id") for row in given.inclusions}
    on_text = screening.outcomes["full_text"]
    waiting = [n for n in due["full_text"] if n in on_text and on_text[n].decision == "include"]
    waiting = [n for n in waiting if n not in linked]
    if waiting:
        yield ask(
            "included, and no study record yet",
            waiting,
            f"'metakit reconcile REVIEW' names their records in {INCLUDED}",
        )


def named(names: Sequence[str]) -> str:
    """Name a few ids and count the others."""
    rest = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + rest


def _unknown(row: Group, field: str, value: str, ids: set[str]) -> Problem:
    return row.problem(
        field, f"no such citation in {CITATIONS}", severity="error", found=value,
        hint=nearest_names(value, ids),
    )  # fmt: skip


def _at(
    decision: Decision, field: str, what: str, *, found: str = "", allowed: str = "", hint: str = "",
    question: bool = False,
) -> Problem:  # fmt: skip
    place = decision.place
    return Problem(
        file=place.file if place else "", line=place.line if place else None, field=field, what=what,
        found=found, allowed=allowed, hint=hint, severity="question" if question else "error",
    )  # fmt: skip
