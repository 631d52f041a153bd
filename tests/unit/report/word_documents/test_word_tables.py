"""Tables of Word documents: a tall row may go on in the next page, a low one stays whole."""

from __future__ import annotations

from docx import Document
from docx.oxml.ns import qn

from metakit.report.word_documents.word_tables import (
    TALLEST_MM,
    WordRow,
    add_table,
    balanced_widths,
    height_mm,
)

LONG = "a word and another " * 60


def test_only_a_tall_row_may_be_broken() -> None:
    document = Document()
    rows = [
        WordRow(cells=("low", "row")),
        WordRow(cells=("tall", 2 * LONG)),
        WordRow(cells=(LONG,), whole=True),
    ]
    add_table(document, ("First", "Second"), rows, widths_mm=(60.0, 60.0))
    (table,) = document.tables
    whole = [bool(row._tr.findall(f"{qn('w:trPr')}/{qn('w:cantSplit')}")) for row in table.rows]
    assert whole == [True, True, False, True]  # over the whole width words are not tall


def test_columns_give_room_to_the_one_that_makes_a_row_tall_and_keep_their_words_whole() -> None:
    rows = [("Outcome", "Words"), ("Scaphotrapezoid", LONG), ("short", "short")]
    before = (90.0, 30.0)
    after = balanced_widths(before, rows, size=8.5)
    assert sum(after) == sum(before)
    assert height_mm(rows[1], after, size=8.5) < height_mm(rows[1], before, size=8.5)
    assert height_mm(rows[1], before, size=8.5) > TALLEST_MM
    assert balanced_widths(after, rows, size=8.5) == after
    assert height_mm(("Scaphotrapezoid",), after[:1], size=8.5) == height_mm(("x",), (90.0,), size=8.5)
