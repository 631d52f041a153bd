"""The summary of findings as files: a Word document with real tables, and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from metakit.core.plans import Protocol
from metakit.decision.summary import SummaryRow, SummaryTable, absolute_notes
from metakit.forms.sheets.csv_tables import guarded
from metakit.report.word_documents.word_document import (
    add_heading,
    add_paragraph,
    document_bytes,
    new_document,
)
from metakit.report.word_documents.word_tables import WordRow, add_table
from metakit.telling.option_words import option_words

WORD, CSV = "summary_of_findings.docx", "summary_of_findings.csv"
INVENTED = (
    "INVENTED DEMONSTRATION DATA. No patient, surgeon, unit, study, journal or signature in this file "
    "exists. Nothing here says anything about real operations."
)
CAUTIONS = (
    "Decision support for licensed clinicians; it recommends nothing and replaces neither judgement nor the "
    "talk with the patient. Local codes, policies and approvals of devices come first.",
    "An absolute effect holds for thumbs with the stated baseline and no others. Where no baseline fits your "
    "patients, type your own with its counts and its source into the protocol.",
    "Certainty marked “proposed, unsigned” is arithmetic of the software; nobody has judged it yet.",
)
HOW = (
    "Per 100 thumbs (per 100 thumb-years for rates). The interval beside a difference holds the baseline "
    "fixed; the one below it carries the uncertainty of the baseline too. A number needed to treat is "
    "left out where the interval of the difference holds zero: it would run through infinity."
)
_HEADER = (
    "Outcome",
    "Thumbs (studies)",
    "Relative effect",
    "With {comparator}",
    "With {technique}",
    "Difference",
    "Certainty",
)
_WIDTHS = (39.0, 34.0, 36.0, 36.0, 36.0, 40.0, 40.0)
_COLUMNS = (
    "comparison", "outcome", "time", "importance", "thumbs_and_studies", "relative_effect", "unit",
    "baseline", "baseline_source", "with_comparator", "with_technique", "difference_at_this_baseline",
    "interval_with_uncertainty_of_baseline", "number_needed_to_treat",
    "probability_beyond_smallest_difference",
    "certainty", "status", "signed_by", "signed_on", "in_plain_words", "what_it_hangs_on", "footnotes",
    "reasons", "designs", "remarks",
    "notes_on_absolute_effect",
)  # fmt: skip


def summary_csv(tables: Sequence[SummaryTable], *, invented: bool) -> str:
    """Return the tables as CSV, one line an outcome and baseline; no cell can be taken for a formula."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow([*_COLUMNS, *(["note"] if invented else [])])
    for table in tables:
        for row in table.rows:
            for line in _lines(table, row):
                writer.writerow([guarded(cell) for cell in (*line, *([INVENTED] if invented else []))])
    return stream.getvalue()


def summary_document(tables: Sequence[SummaryTable], protocol: Protocol) -> bytes:
    """Return the tables as a Word document, cautions first."""
    document = new_document(f"Summary of findings: {protocol.title}", landscape=True)
    add_heading(document, "Summary of findings", 1)
    if protocol.invented:
        add_paragraph(document, INVENTED, warning=True, bold=True)
    add_paragraph(document, protocol.title)
    for text in CAUTIONS:
        add_paragraph(document, text, warning=True)
    add_paragraph(document, HOW, small=True)
    for table in tables:
        rows = summary_rows(table)
        add_heading(document, table.comparison, 2)
        if rows:
            add_table(
                document,
                summary_header(table),
                rows,
                caption=f"{table.technique} compared with {table.comparator}",
                widths_mm=_WIDTHS,
            )
        for letter, reason in table.footnotes:
            add_paragraph(document, f"{letter}  {reason}", small=True)
        for label, reason in table.unanswered:
            add_paragraph(document, f"{label}: no pooled answer ({option_words(reason)}).", small=True)
        if table.left_out:
            add_paragraph(
                document, f"Beyond seven outcomes, not shown: {', '.join(table.left_out)}.", small=True
            )
    for note in absolute_notes(tables):
        add_paragraph(document, note, small=True)
    return document_bytes(document)


def summary_header(table: SummaryTable) -> list[str]:
    """Return the headings of a table, with the names of both sides."""
    names = {"comparator": table.comparator, "technique": table.technique}
    return [text.format_map(names) for text in _HEADER]


def summary_rows(table: SummaryTable) -> list[WordRow]:
    """Return the rows of a table for Word: one a baseline, then one with the plain words and reasons."""
    return [made for row in table.rows for made in _word_rows(row)]


def _word_rows(row: SummaryRow) -> list[WordRow]:
    certainty = row.certainty
    rows = []
    for number, base in enumerate(row.baselines or (None,)):
        first = number == 0
        difference = base.difference if base else "not on an absolute scale"
        if base and base.both:
            difference += f"\nwith the baseline's uncertainty {base.both}"
        rows.append(
            WordRow(
                cells=(
                    f"{row.outcome}\n{row.when}; {row.rank}" if first else "",
                    row.participants if first else "",
                    "\n".join((*row.designs, _all(row))) if first else "",
                    f"{base.with_comparator}\n{base.baseline}: {base.source}"
                    if base and base.baseline
                    else "",
                    base.with_technique if base else "",
                    difference,
                    f"{certainty.level_words.capitalize()} {' '.join(row.marks)}".rstrip()
                    + f"\n{certainty.status_words}"
                    if first
                    else "",
                ),
            )
        )
    rows.append(WordRow(cells=("\n".join(_below(row)),), whole=True))
    return rows


def _all(row: SummaryRow) -> str:
    """Return the effect of all designs together, named so where designs stand before it."""
    if not row.designs:
        return row.relative
    return "all: see the difference" if row.relative == "–" else f"all: {row.relative}"


def _below(row: SummaryRow) -> list[str]:
    """Return the lines under a row: plain words, number needed, probability, reasons."""
    needed = [base.needed for base in row.baselines if base.needed]
    lines = [row.statement, *filter(None, (row.fragility,))]
    if needed:
        lines.append(
            f"Number needed to treat{', in the order of baselines' * (len(needed) > 1)}: {'; '.join(needed)}."
        )
    if row.probability:
        lines.append(row.probability)
    return [*lines, *row.remarks]


def _lines(table: SummaryTable, row: SummaryRow) -> list[tuple[str, ...]]:
    certainty = row.certainty
    signed = certainty.judgement
    start = (
        table.comparison, row.outcome, row.when, row.rank, row.participants, row.relative, row.unit,
    )  # fmt: skip
    end = (
        row.probability, certainty.level_words, certainty.status_words, signed.signed_by if signed else "",
        signed.signed_on if signed else "", row.statement, row.fragility, " ".join(row.marks),
        " ".join(row.reasons), "; ".join(row.designs), " ".join(row.remarks),
    )  # fmt: skip
    bases = [
        (
            (b.baseline, b.source, b.with_comparator, b.with_technique, b.difference, b.both, b.needed),
            " ".join(b.notes),
        )
        for b in row.baselines
    ] or [(("",) * 7, "")]
    return [(*start, *base, *end, notes) for base, notes in bases]
