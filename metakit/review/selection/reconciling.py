"""Two screeners brought together: how well they agree, what they disagree on, and who settled it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from metakit.core.files import write_atomically
from metakit.errors import DataError, Problem, UnreadableError
from metakit.forms.sheets.csv_tables import read_csv
from metakit.forms.sheets.sheet_rows import SheetRows
from metakit.review.history import append
from metakit.review.lock import review_lock
from metakit.review.selection.files import AGREED, CONFLICTS, selection_folder
from metakit.review.selection.reading import Selection
from metakit.review.selection.screening import (
    DECISIONS,
    STAGES,
    UNSURE,
    Decision,
    Stage,
    decision_of,
    read_decisions,
)
from metakit.review.selection.tables import csv_text, remarks_of, sheet_rows, table_text

if TYPE_CHECKING:
    from metakit.review.reconciling.agreement import CategoryAgreement

FILLED = ("decision", "reason", "page", "study", "note", "decided_by", "decided_on")
SIDES = ("first", "second")
SIDE_FIELDS = ("person", "decision", "reason", "study", "note")
SHOWN = ("title", "authors", "year", *(f"{side}_{field}" for side in SIDES for field in SIDE_FIELDS))
COLUMNS = ("citation_id", "stage", *SHOWN, *FILLED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjudicated:
    """What came of a filled-in list of disagreements."""

    new: int
    same: int
    waiting: int
    written: Path | None


def screening_agreement(selection: Selection, *, level: float = 0.95) -> dict[Stage, CategoryAgreement]:
    """Compare two people's decisions at each stage; a stage that nobody did twice is left out.

    Percent, kappa with its large-sample interval, and the kappa adjusted for prevalence and bias; see
    `metakit.review.reconciling.agreement`. Reasons are not compared, decisions are.
    """
    from metakit.review.reconciling.agreement import category_agreement

    return {
        stage: category_agreement(
            [one for one, _ in pairs],
            [two for _, two in pairs],
            choices=len(set(DECISIONS[stage]) - ({UNSURE} - {said for pair in pairs for said in pair})),
            level=level,
        )
        for stage in STAGES
        if (pairs := selection.screening.pairs[stage])
    }


def open_conflicts(selection: Selection) -> list[tuple[Stage, str]]:
    """Return every record on which two people disagree and nobody has decided."""
    return [(stage, name) for stage in STAGES for name in selection.screening.conflicts[stage]]


def write_conflicts(review: Path, selection: Selection, folder: str) -> Path:
    """Write the disagreements to be filled in, keeping what was filled in before; return the file."""
    path = review / folder / CONFLICTS
    with review_lock(review):
        filled: dict[tuple[str, str], dict[str, str]] = {}
        if path.is_file():
            for _, row in _read_rows(path):
                filled[row["stage"], row["citation_id"]] = {name: row.get(name, "") for name in FILLED}
        rows = [
            _conflict_row(selection, stage, name) | filled.get((stage, name), {})
            for stage, name in open_conflicts(selection)
        ]
        return write_atomically(path, csv_text(COLUMNS, rows), within=review)


def _conflict_row(selection: Selection, stage: Stage, name: str) -> dict[str, object]:
    citation = selection.citations[name]
    row: dict[str, object] = {
        "citation_id": name, "stage": stage, "title": citation.title, "authors": citation.authors,
        "year": citation.year,
    }  # fmt: skip
    for side, person in zip(SIDES, selection.people, strict=False):
        decision = next(d for d in selection.decisions[person] if d.key == (stage, name))
        row |= {f"{side}_person": person, f"{side}_decision": decision.decision}
        row |= {f"{side}_reason": decision.reason, f"{side}_study": decision.study}
        row |= {f"{side}_note": decision.note or decision.page}
    return row


def is_conflict_list(path: Path) -> bool:
    """Say whether a file is a list of disagreements between screeners, by its header."""
    if not path.is_file():
        return False
    with path.open("rb") as stream:
        first = stream.readline(4000).decode("utf-8-sig", "replace")
    return "citation_id" in first and "first_person" in first


def adjudicate(review: Path, selection: Selection, paths: Path | Sequence[Path]) -> Adjudicated:
    """Write the decisions of filled-in lists of disagreements to the agreed decisions; lists add up.

    Raises
    ------
    UnreadableError, DataError
        With every faulty row: no disagreement there, a decision that does not fit, nobody named, no date, two
        lists that decide differently; nothing is written then.
    """
    found: dict[tuple[Stage, str], Decision] = {}
    problems: list[Problem] = []
    for path in dict.fromkeys([paths] if isinstance(paths, Path) else paths):
        mine, faults = _settled_in(path, selection)
        problems += faults
        for decision in mine:
            before = found.setdefault(decision.key, decision)
            if before is not decision and before.decision != decision.decision and before.place:
                what = (
                    f"decided otherwise in {before.place.file}, line {before.place.line}: {before.decision}"
                )
                line = decision.place.line if decision.place else None
                problems.append(
                    Problem(file=str(path), line=line, field="decision", what=what, found=decision.decision)
                )
    if any(problem.severity == "error" for problem in problems):
        raise DataError(problems)
    return _write_settled(review, selection, list(found.values()))


def _settled_in(path: Path, selection: Selection) -> tuple[list[Decision], list[Problem]]:
    """Return what one list decides, and what is wrong in it."""
    rows = [(line, row) for line, row in _read_rows(path) if row.get("decision") or row.get("decided_by")]
    columns = ["citation_id", "stage", *FILLED]
    cells = [(line, list(row.values())) for line, row in rows]
    header = list(rows[0][1]) if rows else columns
    also = [name for name in header if name not in columns]
    sheet = SheetRows(file=str(path), rows=[(1, header), *cells], exact=True)
    checked = sheet_rows(sheet, "decision", also=also)
    decisions = [decision_of(group) for group in checked.groups]
    waiting = set(open_conflicts(selection))
    settled = {decision.key: decision for decision in selection.adjudicated}
    problems = list(checked.problems)
    for decision in decisions:
        line = decision.place.line if decision.place else None
        if decision.key not in waiting and decision.key not in settled:
            what = "two people do not disagree about this record at this stage"
            problems.append(
                Problem(
                    file=str(path), line=line, field="citation_id", what=what, found=decision.citation_id,
                    hint="run 'metakit reconcile REVIEW' again for a fresh list",
                )
            )  # fmt: skip
        if decision.decision == UNSURE:
            what = "somebody has to decide in the end"
            problems.append(Problem(file=str(path), line=line, field="decision", what=what, found=UNSURE))
        if not decision.decided_by:
            problems.append(Problem(file=str(path), line=line, field="decided_by", what="who settled it?"))
    return decisions, problems


def _write_settled(review: Path, selection: Selection, decisions: Sequence[Decision]) -> Adjudicated:
    waiting = set(open_conflicts(selection))
    settled = {decision.key: decision for decision in selection.adjudicated}
    new = [d for d in decisions if d.key not in settled or not d.same(settled[d.key])]
    if not new:
        return Adjudicated(new=0, same=len(decisions), waiting=len(waiting), written=None)
    target = selection_folder(review) / AGREED
    with review_lock(review):
        merged = {decision.key: decision for decision in (*_agreed(target), *new)}
        ordered = sorted(merged.values(), key=lambda d: (STAGES.index(d.stage), d.citation_id))
        text = table_text("decision", [decision.row() for decision in ordered], remarks_of(target))
        append(review, [_event(target.relative_to(review).as_posix(), text, new)])
        write_atomically(target, text, within=review)
    left = waiting - {decision.key for decision in new}
    return Adjudicated(new=len(new), same=len(decisions) - len(new), waiting=len(left), written=target)


def _agreed(path: Path) -> tuple[Decision, ...]:
    found, rows = read_decisions(path)
    if not rows.sound:
        raise DataError(rows.problems)
    return found


def _event(file: str, text: str, new: list[Decision]) -> Mapping[str, object]:
    return {
        "event": "screening_adjudicated",
        "file": file,
        "sha256": hashlib.sha256(text.encode()).hexdigest(),
        "decisions": [decision.row() for decision in new],
    }


def _read_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    sheet = read_csv(path, str(path))
    header = [str(cell) for cell in sheet.rows[0][1]]
    lacking = [name for name in COLUMNS if name not in header]
    if lacking:
        what = f"columns are missing: {', '.join(lacking)}"
        raise UnreadableError([Problem(file=str(path), line=1, what=what, allowed=", ".join(COLUMNS))])
    odd = [
        Problem(file=str(path), line=line, what=f"{len(cells)} cells, but the header has {len(header)}")
        for line, cells in sheet.rows[1:]
        if len(cells) != len(header)
    ]
    if odd:
        raise UnreadableError(odd)
    return [
        (line, {name: str(cell) for name, cell in zip(header, cells, strict=True)})
        for line, cells in sheet.rows[1:]
    ]
