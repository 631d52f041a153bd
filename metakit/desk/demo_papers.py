"""Invented papers for the invented review: typeset from its agreed records, and the places of their numbers.

Each page says that it is invented. One paper has a table that stands sideways on a turned page, one is a scan
without text, and their cells carry footnote marks, as papers do.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from metakit.core.boxes import box_text
from metakit.core.files import write_atomically
from metakit.desk.demo_typesetting import (
    HEIGHT,
    MARGIN,
    WIDTH,
    Cell,
    Sheet,
    Table,
    blank_sheet,
    pdf_of,
    scan_of,
    set_table,
)
from metakit.errors import DataError
from metakit.forms.addresses import Addresses
from metakit.forms.library import shipped
from metakit.forms.records import read_record
from metakit.forms.splice import add_entry
from metakit.forms.tree import Group
from metakit.papers.reader import PaperReader
from metakit.papers.words import around, quote_of, words_in
from metakit.review.files import EXTRACTORS, RECORDS, yaml_files
from metakit.review.places import SECTION
from metakit.review.reports import Report, add_report, paper_of

PAPERS = 4
"""How many studies of the demonstration have a paper."""
TURNED, SCANNED = 1, 2
"""Which of them has a turned page, and which is a scan (counted from 0)."""
BANNER = "INVENTED FOR DEMONSTRATION: no patient, surgeon, unit, study or journal here exists"
MARKS = "abc"
_ROWS = 17


def put_papers(folder: Path) -> tuple[Report, ...]:
    """Make papers for the first studies of a copy of the demonstration, and keep the places of their numbers.

    Parameters
    ----------
    folder : Path
        The copy. Its extractors' records get the places, and the agreed ones are agreed again, so that the
        history knows them.
    """
    from metakit.review.reconciling.reconcile import reconcile
    from metakit.review.reconciling.reconcile_review import compare_review

    made: list[Report] = []
    with PaperReader() as reader:
        for number, path in enumerate(yaml_files(folder / RECORDS)[0][:PAPERS]):
            group = read_record(path, shipped()).group
            if group is None:
                raise DataError(read_record(path, shipped()).problems)
            content, sheets = _paper(group, turned=number == TURNED, scanned=number == SCANNED)
            report = add_report(folder, path.stem, f"{path.stem}.pdf", content, reader)
            made.append(report)
            places = list(_found(folder, reader, report, sheets))
            for person in sorted((folder / EXTRACTORS).iterdir()):
                record = person / path.name
                if record.is_file():
                    _keep(folder, record, places)
    decisions = folder / "reconcile" / "decisions.csv"
    if decisions.is_file():
        reconcile(compare_review(folder), decisions)
    return tuple(made)


def _found(
    folder: Path, reader: PaperReader, report: Report, sheets: Sequence[Sheet]
) -> Iterator[dict[str, str]]:
    """Give the places of a paper's numbers, with the words that its pages hold there."""
    paper = paper_of(folder, report.sha256)
    if paper is None:
        return
    for page, sheet in enumerate(sheets, 1):
        words = reader.words(paper, page).words
        for fields, box in sheet.places:
            inside = words_in(words, box)
            for name in fields:
                place = {
                    "field": name,
                    "page": str(page),
                    "box": box_text(around(inside) if inside else box),
                    "quote": quote_of(inside),
                    "report": report.sha256,
                }
                yield {key: value for key, value in place.items() if value}


def _keep(folder: Path, record: Path, places: Sequence[dict[str, str]]) -> None:
    """Put places into a record, one a line, those of fields that it has."""
    reading = read_record(record, shipped())
    if reading.group is None or reading.form is None:
        raise DataError(reading.problems)
    known = {address for address, _, name in Addresses(reading.group, reading.form).all() if name}
    mine = [place for place in places if place["field"] in known]
    if not mine or reading.group.groups(SECTION):
        return
    text = record.read_text(encoding="utf-8")
    lines = [", ".join(f"{name}: {_quoted(value)}" for name, value in place.items()) for place in mine]
    body = "".join(f"  - {{{line}}}\n" for line in lines[:-1])
    text = f"{text.rstrip()}\n{SECTION}:\n{body}" if body else text
    text = add_entry(text, (SECTION,), mine[-1]) if body else add_entry(text, (SECTION,), mine[0])
    write_atomically(record, text, within=folder)


def _quoted(value: str) -> str:
    return value if re.fullmatch(r"[0-9a-f]{64}|\d+", value) else '"' + value.replace('"', "'") + '"'


# --- what the papers say ----------------------------------------------------------------------------------


def _paper(record: Group, *, turned: bool, scanned: bool) -> tuple[bytes, list[Sheet]]:
    """Return a paper as PDF, and its pages with the places of their numbers."""
    sheets = [_front(record)]
    for number, table in enumerate(_tables(record), 1):
        sheets.append(set_table(table, f"Table {number}", turned=turned and number == 2))
    for page, sheet in enumerate(sheets, 1):
        sheet.put(MARGIN, 34, BANNER, size=8, bold=True)
        foot = (WIDTH if sheet.turned else HEIGHT) - 30
        sheet.put(MARGIN, foot, f"{record.text('study.label')}, page {page}", size=8)
    return (scan_of(sheets, BANNER) if scanned else pdf_of(sheets, BANNER)), sheets


def _front(record: Group) -> Sheet:
    from metakit.plots.text import text_width, wrap

    sheet = blank_sheet()
    top = 76.0
    for text, size, bold in (
        (record.text("study.citation"), 13, True),
        (f"{record.text('setting.unit_name')}, {record.text('setting.country')}", 9, False),
        (
            "Patients and operations. Adults with arthritis of the thumb base were operated on in the years "
            f"{_year(record, 'start')} to {_year(record, 'end')}. "
            f"Therapy: {record.text('care.therapy') or 'not stated'}.",
            10,
            False,
        ),
        (
            "What was counted. "
            + " ".join(
                dict.fromkeys(
                    f"{_name(entry)}: {entry.text('author_definition')}."
                    for entry in record.groups("outcomes")
                    if entry.text("author_definition")
                )
            ),
            10,
            False,
        ),
        ("Characteristics stand in Table 1, results in the tables after it.", 10, False),
    ):
        for line in wrap(text, size, WIDTH - 2 * MARGIN, text_width, bold=bold):
            sheet.put(MARGIN, top, line, size=size, bold=bold)
            top += 1.45 * size
        top += 12
    return sheet


def _year(record: Group, which: str) -> str:
    return record.typed(f"design.recruitment_{which}")[:4]


def _tables(record: Group) -> list[Table]:
    """Return the table of the arms, then the results, cut to pages."""
    arms = record.groups("arms")
    found = Addresses(record, shipped().form("study")).all()
    addresses = {group.name: address for address, group, name in found if not name}
    heading = ["", *(arm.text("label") for arm in arms)]
    first = Table(title="The patients", heading=heading, rows=[])
    for label, cell in (
        ("Patients analysed", _count("patients.analysed")),
        ("Thumbs analysed", _count("thumbs.analysed")),
        ("Women, n (%)", _women),
        ("Age, years", _spread("age")),
        ("Follow-up", _follow_up),
    ):
        cells = [cell(arm, addresses[arm.name]) for arm in arms]
        if any(one.text for one in cells):
            first.rows.append([Cell(text=label), *cells])
    first.notes = _notes(first.rows)
    rows: dict[str, list[Cell]] = {}
    for entry in record.groups("outcomes"):
        cell = _result(entry, addresses[entry.name])
        if cell.text:
            key = f"{_name(entry)}, {_time(entry)}"
            row = rows.setdefault(key, [Cell(text=key), *(Cell(text="") for _ in arms)])
            at = next((n for n, arm in enumerate(arms, 1) if arm.text("id") == entry.text("arm")), 0)
            if at:
                row[at] = cell
    tables = [first]
    results = list(rows.values())
    for start in range(0, len(results), _ROWS):
        some = results[start : start + _ROWS]
        tables.append(Table(title="Results", heading=heading, rows=some, notes=_notes(some)))
    return tables


def _notes(rows: Sequence[Sequence[Cell]]) -> list[str]:
    said = {
        "a": "number of thumbs or patients with the event, of those looked at",
        "b": "mean and standard deviation",
        "c": "mean, range in brackets",
    }
    used = {cell.mark for row in rows for cell in row if cell.mark}
    return [f"{mark}  {said[mark]}" for mark in MARKS if mark in used]


def _count(path: str) -> Any:
    def cell(arm: Group, address: str) -> Cell:
        text = arm.typed(path)
        return Cell(text=text, fields=(f"{address}.{path}",)) if text else Cell(text="")

    return cell


def _women(arm: Group, address: str) -> Cell:
    women, patients = arm.integer("women"), arm.integer("patients.analysed")
    if women is None or not patients:
        return Cell(text="")
    return Cell(text=f"{women} ({100 * women / patients:.0f})", fields=(f"{address}.women",))


def _spread(path: str) -> Any:
    def cell(arm: Group, address: str) -> Cell:
        mean, spread = arm.typed(f"{path}.mean"), arm.typed(f"{path}.standard_deviation")
        if not mean or not spread or arm.number(f"{path}.standard_deviation") is None:
            return Cell(text="")
        fields = (f"{address}.{path}.mean", f"{address}.{path}.standard_deviation")
        return Cell(text=f"{mean} ± {spread}", fields=fields, mark="b")

    return cell


def _follow_up(arm: Group, address: str) -> Cell:
    mean, low, high = (arm.typed(f"follow_up.{name}") for name in ("mean", "minimum", "maximum"))
    if not (mean and low and high):
        return Cell(text="")
    fields = tuple(f"{address}.follow_up.{name}" for name in ("mean", "minimum", "maximum"))
    return Cell(text=f"{mean} ({low} to {high})", fields=fields, mark="c")


def _result(entry: Group, address: str) -> Cell:
    events, total = entry.integer("events"), entry.integer("total")
    if events is not None and total:
        text = f"{events}/{total} ({100 * events / total:.1f} %)"
        return Cell(text=text, fields=(f"{address}.events", f"{address}.total"), mark="a")
    mean, spread = entry.typed("mean"), entry.typed("standard_deviation")
    if mean and spread and entry.number("standard_deviation") is not None:
        fields = (f"{address}.mean", f"{address}.standard_deviation")
        return Cell(text=f"{mean} ± {spread}", fields=fields, mark="b")
    return Cell(text="")


def _name(entry: Group) -> str:
    form = shipped().form("study")
    spec = form.find("outcomes.outcome")
    term = spec.terms.get(entry.text("outcome")) if spec else None
    return term.label if term else entry.text("outcome")


def _time(entry: Group) -> str:
    if entry.text("time.label") == "before_surgery":
        return "before surgery"
    if entry.text("time.label"):
        return "last follow-up"
    return f"{entry.typed('time.value')} {entry.text('time.unit')}"
