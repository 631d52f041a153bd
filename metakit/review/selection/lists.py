"""Screening lists: one workbook or CSV a person, without the other person's decisions, and back."""

from __future__ import annotations

import datetime
import hashlib
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.core.files import write_atomically
from metakit.core.seals import check_place, write_new
from metakit.errors import DataError, Problem, UsageError
from metakit.forms.library import shipped
from metakit.forms.sheets.sheet_rows import SheetRows
from metakit.forms.sheets.tables import Table, read_table, text_of
from metakit.review.history import append
from metakit.review.lock import review_lock
from metakit.review.selection.files import screening_file, screening_files
from metakit.review.selection.reading import MOST_SCREENERS, Selection
from metakit.review.selection.screening import (
    DECISIONS,
    STAGES,
    Decision,
    Stage,
    decision_of,
    read_decisions,
)
from metakit.review.selection.tables import csv_text, remarks_of, sheet_rows, table_text

PERSON = "screener"
SHOWN = ("title", "abstract", "authors", "year", "journal", "doi")
FILLED = ("decision", "reason", "page", "study", "note", "decided_on")
LIST_COLUMNS = (
    "citation_id",
    "stage",
    "title",
    "abstract",
    *FILLED,
    "authors",
    "year",
    "journal",
    "doi",
    PERSON,
)
INITIALS = re.compile(r"[A-Za-z][A-Za-z0-9-]{0,19}", re.ASCII)
SHEET = "Screening"
LINE_HEIGHT, TALLEST_ROW = 15.0, 409.0  # points; a row cannot be taller (a limit of the file format)
LONGEST_LIST = 255  # characters of a drop-down written into the cell itself (a limit of the file format)
WIDTHS = {
    "citation_id": 11,
    "stage": 17,
    "title": 45,
    "abstract": 60,
    "authors": 28,
    "reason": 22,
    "note": 24,
    "study": 18,
    "journal": 28,
    "doi": 22,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Collected:
    """What came of a screening list: whose, how many decisions new, changed, the same, still blank."""

    person: str
    new: int
    changed: int
    same: int
    blank: int
    written: Path | None


def due(selection: Selection, person: str) -> list[tuple[Stage, str]]:
    """Return what a person has still to decide: full texts of what was included, and titles."""
    removed = selection.removed
    other = {s.id for s in selection.searches if s.by_other_methods}
    decided = {decision.key for decision in selection.decisions.get(person, ())}
    on_title = selection.screening.outcomes["title_abstract"]
    rows: list[tuple[Stage, str]] = []
    for stage in STAGES:
        for citation_id, citation in selection.citations.items():
            straight = citation.search in other
            included = citation_id in on_title and on_title[citation_id].decision == "include"
            wanted = not straight if stage == "title_abstract" else straight or included
            if citation_id not in removed and wanted and (stage, citation_id) not in decided:
                rows.append((stage, citation_id))
    return rows


def write_screening_lists(
    folder: Path, selection: Selection, people: Sequence[str], *, replace: bool = False
) -> dict[Path, int]:
    """Write what each person has still to decide as FOLDER/INITIALS_STAGE.xlsx; return files and their rows.

    Raises
    ------
    UsageError
        As `write_screening_list`, and when nobody has anything to decide; nothing is written then.
    """
    plan = {
        folder / f"{person}_{stage}.xlsx": (person, stage)
        for person in people
        for stage in STAGES
        if any(due_at == stage for due_at, _ in due(selection, person))
    }
    if not plan:
        raise UsageError(f"{' and '.join(people)} have decided on every record that waits for a decision")
    for path, (person, _) in plan.items():
        _check_list(path, selection, person, replace=replace)
    folder.mkdir(parents=True, exist_ok=True)
    return {
        path: write_screening_list(path, selection, person, stages=(stage,), replace=replace)
        for path, (person, stage) in plan.items()
    }


def write_screening_list(
    out: Path, selection: Selection, person: str, *, stages: Sequence[Stage] = STAGES, replace: bool = False
) -> int:
    """Write what a person has still to decide as NAME.xlsx or NAME.csv; return how many rows.

    Raises
    ------
    UsageError
        For initials or a file name that will not do, a third screener, a file that exists, or nothing to do.
    """
    _check_list(out, selection, person, replace=replace)
    rows = [
        _list_row(selection, stage, name, person) for stage, name in due(selection, person) if stage in stages
    ]
    if not rows:
        raise UsageError(f"{person} has decided on every record that waits for a decision")
    content = (
        _workbook(rows) if out.suffix.lower() == ".xlsx" else csv_text(LIST_COLUMNS, rows).encode("utf-8-sig")
    )
    write_new({out: content}, replace=replace)
    return len(rows)


def _check_list(out: Path, selection: Selection, person: str, *, replace: bool) -> None:
    if not INITIALS.fullmatch(person) or person.casefold() == "agreed":
        raise UsageError(f"--person {person!r}: give the screener's initials, letters and digits only")
    if person not in selection.people and len(selection.people) >= MOST_SCREENERS:
        raise UsageError(f"two people screen this review already: {' and '.join(selection.people)}")
    if out.suffix.lower() not in (".xlsx", ".csv"):
        raise UsageError(f"{out.name}: a screening list is NAME.xlsx or NAME.csv")
    check_place(out, replace=replace)


def _list_row(selection: Selection, stage: Stage, name: str, person: str) -> dict[str, object]:
    citation = selection.citations[name]
    row: dict[str, object] = {"citation_id": name, "stage": stage, PERSON: person}
    return row | {column: getattr(citation, column) for column in SHOWN}


def _workbook(rows: Sequence[Mapping[str, object]]) -> bytes:
    import xlsxwriter

    stream = io.BytesIO()
    book = xlsxwriter.Workbook(
        stream,
        {
            "in_memory": True,
            "strings_to_numbers": False,
            "strings_to_formulas": False,
            "strings_to_urls": False,
        },
    )
    sheet = book.add_worksheet(SHEET)
    head = book.add_format({"bold": True, "bottom": 2, "text_wrap": True, "valign": "top"})
    plain = book.add_format({"text_wrap": True, "valign": "top", "num_format": "@"})
    fill = book.add_format({"text_wrap": True, "valign": "top", "num_format": "@", "border": 1})
    widths = {name: WIDTHS.get(name, 13) for name in LIST_COLUMNS}
    if not any(row.get("abstract") for row in rows):
        widths["abstract"] = 10
    for column, name in enumerate(LIST_COLUMNS):
        sheet.set_column(column, column, widths[name])
        sheet.write_string(0, column, name, head)
    for line, row in enumerate(rows, start=1):
        lines = max(-(-len(str(row.get(name) or "")) // (0.9 * widths[name])) for name in LIST_COLUMNS)
        sheet.set_row(line, min(max(lines, 1) * LINE_HEIGHT, TALLEST_ROW))
        for column, name in enumerate(LIST_COLUMNS):
            value = row.get(name)
            looks = fill if name in FILLED else plain
            sheet.write_string(line, column, "" if value is None else str(value), looks)
    last = len(rows)
    reasons = list(shipped().vocabulary("exclusion_reasons").terms)
    stages = {str(row["stage"]) for row in rows}
    allowed = [word for stage in STAGES if stage in stages for word in DECISIONS[stage]]
    choices = {"decision": list(dict.fromkeys(allowed)), "reason": reasons}
    for name, words in choices.items():
        place = LIST_COLUMNS.index(name)
        if len(",".join(words)) <= LONGEST_LIST:
            sheet.data_validation(1, place, last, place, {"validate": "list", "source": words})
    help_text = {
        "decision": "include, exclude, or unsure: then the other person decides; for a full text also "
        "not_retrieved",
        "reason": "one reason for each excluded full text",
        "page": "page of the report that shows it",
        "study": "of an included full text: id of the study it tells of, the same for each of its reports; "
        "several with ; between them",
        "decided_on": "year-month-day; the day of collecting when left blank",
    }
    for name, text in help_text.items():
        sheet.write_comment(0, LIST_COLUMNS.index(name), text)
    sheet.freeze_panes(1, 3)
    sheet.autofilter(0, 0, last, len(LIST_COLUMNS) - 1)
    sheet.set_landscape()
    sheet.repeat_rows(0)
    sheet.fit_to_pages(1, 0)
    book.close()
    return stream.getvalue()


def is_screening_list(path: Path) -> bool:
    """Say whether a .csv or .xlsx file is a filled-in screening list, by its header."""
    if path.suffix.lower() not in (".csv", ".xlsx") or not path.is_file():
        return False
    if path.suffix.lower() == ".csv":
        with path.open("rb") as stream:
            first = stream.readline(4000).decode("utf-8-sig", "replace")
        return {"citation_id", "stage", "decision"} <= set(re.split(r"[,;\t\"\r\n]+", first))
    return holds_sheet(path, SHEET)


def holds_sheet(path: Path, name: str) -> bool:
    """Say whether a file is a workbook with a sheet of this name."""
    from zipfile import BadZipFile, ZipFile

    if path.suffix.lower() != ".xlsx" or not path.is_file():
        return False

    try:
        with ZipFile(path) as package:
            return f'name="{name}"'.encode() in package.read("xl/workbook.xml")
    except (BadZipFile, KeyError, OSError):
        return False  # the reader of workbooks says what is wrong with it


def collect_screening(
    path: Path, review: Path, *, replace: bool = False, today: datetime.date | None = None
) -> Collected:
    """Read a filled-in screening list and add its decisions to the person's table.

    Rows without a decision are passed over. A decision without a date gets today's.

    Raises
    ------
    UnreadableError, DataError
        With every faulty cell at once, and with decisions that differ from earlier ones unless `replace`;
        nothing is written then.
    """
    table = read_table(path)
    person = _person(table)
    day = (today or datetime.date.today()).isoformat()
    new, blank = _decisions(table, day)
    with review_lock(review):
        if person not in screening_files(review) and len(screening_files(review)) >= MOST_SCREENERS:
            what = f"two people screen this review already: {' and '.join(screening_files(review))}"
            raise DataError([Problem(file=str(path), field=PERSON, what=what, found=person)])
        target = screening_file(review, person)
        before, rows = read_decisions(target)
        if not rows.sound:
            raise DataError(rows.problems)
        known = {decision.key: decision for decision in before}
        same = [d for d in new if d.key in known and _same_but_day(d, known[d.key])]
        changed = [d for d in new if d.key in known and not _same_but_day(d, known[d.key])]
        if changed and not replace:
            raise DataError([_in_the_way(path, decision, known[decision.key]) for decision in changed])
        kept = {**known, **{d.key: d for d in new if d not in same}}
        done = Collected(
            person=person, new=len(new) - len(same) - len(changed), changed=len(changed), same=len(same),
            blank=blank, written=target if len(same) < len(new) else None,
        )  # fmt: skip
        if done.written:
            merged = sorted(kept.values(), key=lambda d: (STAGES.index(d.stage), d.citation_id))
            text = table_text("decision", [decision.row() for decision in merged], remarks_of(target))
            event = {
                "event": "screening_collected",
                "file": target.relative_to(review).as_posix(),
                "sha256": hashlib.sha256(text.encode()).hexdigest(),
                "date": day,
                "person": person,
                "source": path.name,
                "new": done.new,
                "changed": [
                    {
                        "citation": d.citation_id,
                        "stage": d.stage,
                        "from": known[d.key].decision,
                        "to": d.decision,
                    }
                    for d in changed
                ],
            }
            append(review, [event])
            write_atomically(target, text, within=review)
    return done


def _person(table: Table) -> str:
    names = {text_of(cell).strip() for cell in table.columns.get(PERSON, ())} - {""}
    if len(names) != 1 or not INITIALS.fullmatch(next(iter(names))):
        what = "the list does not say whose decisions these are"
        hint = f"the column {PERSON} holds the same initials in every row, as 'metakit sheet' wrote it"
        found = ", ".join(sorted(names))[:80]
        raise DataError([Problem(file=table.file, field=PERSON, what=what, found=found, hint=hint)])
    return names.pop()


def _decisions(table: Table, day: str) -> tuple[list[Decision], int]:
    """Check the filled rows as rows of the person's table; lines are those of the list."""
    columns = [*table.columns, *([] if "decided_on" in table.columns else ["decided_on"])]
    also = [name for name in columns if name in (*SHOWN, PERSON) or name not in LIST_COLUMNS]
    filled = []
    for row, line in enumerate(table.lines):
        cells = {name: text_of(cells[row]).strip() for name, cells in table.columns.items()}
        if any(cells.get(name) for name in ("decision", "reason")):
            cells["decided_on"] = cells.get("decided_on") or day
            filled.append((line, [cells.get(name, "") for name in columns]))
    sheet = SheetRows(file=table.file, rows=[(1, columns), *filled], exact=True)
    rows = sheet_rows(sheet, "decision", also=also)
    if not rows.sound:
        raise DataError(rows.problems)
    return [decision_of(group) for group in rows.groups], len(table) - len(filled)


def _same_but_day(one: Decision, other: Decision) -> bool:
    mine, theirs = one.row(), other.row()
    return all(mine[name] == theirs[name] for name in mine if name != "decided_on")


def _in_the_way(path: Path, decision: Decision, before: Decision) -> Problem:
    place = decision.place
    return Problem(
        file=str(path), line=place.line if place else None, field="decision",
        what=f"{decision.citation_id} was decided otherwise on {before.decided_on} ({before.decision})",
        found=decision.decision, hint="collect again with --replace to put this decision in its place",
    )  # fmt: skip
