"""Reporting checklists as files: a Word document, which journals ask for, and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from metakit.core.bibliography import reference
from metakit.forms.sheets.csv_tables import guarded
from metakit.report.reporting.checklist import STATE_MEANING, STATE_WORDS, Checklist, Item
from metakit.report.summary_files import INVENTED
from metakit.report.word_documents.word_document import (
    add_heading,
    add_paragraph,
    document_bytes,
    new_document,
    text_width_mm,
)
from metakit.report.word_documents.word_tables import WordRow, add_table

WORD, CSV = "reporting_checklist.docx", "reporting_checklist.csv"
OWN_WORDS = (
    "The words of the items are short ones of our own; the statement holds the full items and how to read "
    "them. A state says where something stands, not whether it is well written."
)
_COLUMNS = ("checklist", "item", "section", "topic", "in_short", "state", "where", "remark")
_HEADER = ("Item", "Topic", "State", "Where", "Remark")
_SHARES = (14, 76, 34, 84, 56)


def checklist_csv(lists: Sequence[Checklist], *, invented: bool) -> str:
    """Return all items as CSV, one line an item; no cell can be taken for a formula."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow([*_COLUMNS, *(["note"] if invented else [])])
    for found in lists:
        for item in found.items:
            cells = (
                found.title, item.number, item.section, item.topic, item.words,
                STATE_WORDS[item.found.state], "; ".join(item.found.where), item.found.remark,
            )  # fmt: skip
            writer.writerow([guarded(cell) for cell in (*cells, *([INVENTED] if invented else []))])
    return stream.getvalue()


def checklist_document(lists: Sequence[Checklist], *, title: str, invented: bool) -> bytes:
    """Return the checklists as a Word document, a table each."""
    document = new_document(f"Reporting checklist: {title}", landscape=True)
    add_heading(document, "Reporting checklist", 1)
    if invented:
        add_paragraph(document, INVENTED, warning=True, bold=True)
    add_paragraph(document, title)
    add_paragraph(document, f"{STATE_MEANING} {OWN_WORDS}", small=True)
    unit = text_width_mm(landscape=True) / sum(_SHARES)
    for found in lists:
        add_heading(document, found.title, 2)
        add_paragraph(document, f"{state_counts(found)} {reference(found.reference)}", small=True)
        add_table(
            document, _HEADER, _rows(found), widths_mm=[unit * share for share in _SHARES], size=8.0
        )  # fmt: skip
    return document_bytes(document)


def state_counts(found: Checklist) -> str:
    """Return how many items are in which state, as a sentence."""
    parts = [f"{STATE_WORDS[state]}: {number}" for state, number in found.counts().items()]
    return f"{len(found.items)} items; {', '.join(parts)}."


def _rows(found: Checklist) -> list[WordRow]:
    rows, section = [], ""
    for item in found.items:
        if item.section != section:
            section = item.section
            rows.append(WordRow(cells=(section,), whole=True, heading=True))
        rows.append(WordRow(cells=_cells(item)))
    return rows


def _cells(item: Item) -> tuple[str, ...]:
    return (
        item.number,
        f"{item.topic}: {item.words}",
        STATE_WORDS[item.found.state],
        "\n".join(item.found.where),
        item.found.remark,
    )
