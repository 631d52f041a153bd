"""Answers as files to paste from: a table and its sentence as .csv, .xlsx or .docx.

Every number is the text that figure and terminal show; in a workbook plain numbers are numbers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from metakit.core.effects import EffectTable
from metakit.core.files import refuse_unwritable
from metakit.core.results import PoolResult
from metakit.core.seals import write_sealed
from metakit.core.written import MINUS
from metakit.errors import UsageError
from metakit.measures.registry import MEASURES
from metakit.networks.answer import NetworkAnalysis

KINDS = (".csv", ".xlsx", ".docx")
WIDEST_MM = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerTable:
    """A table with its heading, the sentence that tells it, and the notes below."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    sentence: str = ""
    notes: tuple[str, ...] = ()


def check_answer_file(path: Path) -> None:
    """Refuse a file name whose ending says no kind that an answer can be saved as, and a place for none.

    Raises
    ------
    UsageError
    """
    if path.suffix.lower() not in KINDS:
        found = path.suffix or "no ending"
        raise UsageError(f"{path}: {found} is no kind of answer to save; allowed: {', '.join(KINDS)}")
    if path.is_dir():
        raise UsageError(f"{path}: is a folder; give the name of a file")
    refuse_unwritable(path)


def save_answer(path: Path, tables: Sequence[AnswerTable]) -> Path:
    """Write tables and sentences, beside a file that somebody edited; the ending of the name says the kind.

    Raises
    ------
    UsageError
        For another ending.
    """
    check_answer_file(path)
    kind = path.suffix.lower()
    content = _csv(tables) if kind == ".csv" else _workbook(tables) if kind == ".xlsx" else _document(tables)
    return write_sealed(path, content.encode() if isinstance(content, str) else content).path


def pooled_table(result: PoolResult, effects: EffectTable) -> AnswerTable:
    """Return a pooled answer as its forest plot shows it: studies, mean and new centre, with the sentence."""
    from metakit.plots.forests.forest_content import forest_content
    from metakit.plots.forests.wording import Words, word_everything
    from metakit.telling.pooled_words import pooled_sentence, what_is_pooled

    content = forest_content(result, effects)
    wording = word_everything(content)
    level = f"{100 * result.level:g} % interval"
    weight = ("Weight (%)",) if wording.weighted else ()

    def row(words: Words) -> tuple[str, ...]:
        cells = words.cells or ("",) * len(content.headings)
        weighed = (words.weight,) if wording.weighted else ()
        return (words.label + words.mark, *cells, words.estimate, words.interval, *weighed)

    rows = [row(words) for words in wording.studies]
    rows += [row(wording.mean)] if wording.mean is not None else []
    rows += [row(words) for words in wording.predictions.values()]
    numbered = tuple(f"{number}. {note}" for number, note in enumerate(wording.notes, 1))
    return AnswerTable(
        title=what_is_pooled(result),
        headings=("Study", *content.headings, what_is_pooled(result), level, *weight),
        rows=tuple(rows),
        sentence=pooled_sentence(result),
        notes=(*numbered, *content.footnotes, *result.notes),
    )


def network_tables(found: NetworkAnalysis) -> tuple[AnswerTable, ...]:
    """Return every technique against every other with direct and indirect evidence, a table a connected part.

    All else that the network tells stands as lines after them.
    """
    from metakit.networks.text import league_rows, network_text

    measure = MEASURES[found.arms.measure]
    label = measure.label[:1].upper() + measure.label[1:]
    unit = f" ({measure.unit})" if measure.unit else ""
    tables = [
        AnswerTable(
            title=f"{label}{unit}, all techniques against each other",
            headings=(
                "Technique", "Against", f"{label}{unit} with interval", "In a new centre", "Direct evidence",
                "Indirect evidence", "Their difference",
            ),
            rows=tuple(
                (row.technique, row.comparator, row.estimate, row.new_centre, row.direct, row.indirect,
                 row.p_value)
                for row in league_rows(item, found.arms.measure)
            ),
        )
        for item in found.parts
    ]  # fmt: skip
    return (*tables, text_table("The network in words", network_text(found)))


def text_table(title: str, text: str) -> AnswerTable:
    """Return an answer that is told in lines as a table of one column, blank lines left out."""
    lines = tuple((line.rstrip(),) for line in text.splitlines() if line.strip())
    return AnswerTable(title=title, headings=(title,), rows=lines)


def _csv(tables: Sequence[AnswerTable]) -> str:
    from metakit.forms.sheets.csv_tables import guarded

    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    for number, table in enumerate(tables):
        if number:
            writer.writerow(())
        if len(tables) > 1:
            writer.writerow((guarded(table.title),))
        writer.writerow(map(guarded, table.headings))
        writer.writerows(tuple(map(guarded, row)) for row in table.rows)
        for text in (table.sentence, *table.notes):
            if text:
                writer.writerow((guarded(text),))
    return stream.getvalue()


def _workbook(tables: Sequence[AnswerTable]) -> bytes:
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    sheet = book.active or book.create_sheet()
    sheet.title = "answer"
    at = 0
    for table in tables:
        if len(tables) > 1:
            at += 1
            cell = sheet.cell(at, 1)
            cell.value, cell.data_type, cell.font = table.title, "s", Font(bold=True, size=12)
        at += 1
        for place, heading in enumerate(table.headings, 1):
            cell = sheet.cell(at, place)
            cell.value, cell.data_type = heading, "s"
            cell.font, cell.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="bottom")
        for row in table.rows:
            at += 1
            for place, text in enumerate(row, 1):
                cell = sheet.cell(at, place)
                number = _number(text) if place > 1 else None
                if number is not None:
                    cell.value = number
                    digits = len(text.partition(".")[2])
                    cell.number_format = "0." + "0" * digits if digits else "0"
                elif text:
                    cell.value, cell.data_type = text, "s"  # never a formula
        for text in (table.sentence, *table.notes):
            if text:
                at += 1
                cell = sheet.cell(at, 1)
                cell.value, cell.data_type = text, "s"
        at += 1
    widths = [max((len(row[0]) for table in tables for row in table.rows), default=10)]
    sheet.column_dimensions["A"].width = min(max(*widths, 12), 60)
    for place in range(2, max((len(table.headings) for table in tables), default=1) + 1):
        sheet.column_dimensions[get_column_letter(place)].width = 18
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _number(text: str) -> float | None:
    """Return a shown text as a number where it is a plain one."""
    plain = text.replace(MINUS, "-")
    if not plain or not all(sign in "-.0123456789" for sign in plain):
        return None
    try:
        return float(plain) if "." in plain else int(plain)
    except ValueError:
        return None


def _document(tables: Sequence[AnswerTable]) -> bytes:
    from metakit.report.word_documents.word_document import (
        add_heading,
        add_paragraph,
        document_bytes,
        new_document,
    )
    from metakit.report.word_documents.word_tables import WordRow, add_table

    document = new_document(tables[0].title if tables else "Answer")
    for table in tables:
        add_heading(document, table.title, 2)
        if table.sentence:
            add_paragraph(document, table.sentence)
        others = max(len(table.headings) - 1, 0)
        first = WIDEST_MM if not others else max(WIDEST_MM - 32 * others, 36.0)
        each = (WIDEST_MM - first) / others if others else 0.0
        rows = [WordRow(cells=row) for row in table.rows]
        add_table(document, table.headings, rows, widths_mm=(first, *[each] * others))
        for note in table.notes:
            add_paragraph(document, note, small=True)
    return document_bytes(document)
