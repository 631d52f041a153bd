"""A filled workbook damaged in many ways: no traceback, no silent change, every report names a cell.

A changed cell is either read as what it shows (and then only its own field differs from the record), or it is
reported. 'Names a cell' means: file > sheet!cell.
"""

from __future__ import annotations

import datetime
import io
import random
import re
from pathlib import Path

import openpyxl
import pytest

from metakit.errors import ProblemsError
from metakit.forms.library import shipped
from metakit.forms.record_text import same_nodes
from metakit.forms.record_workbooks.assembling import assemble
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode, read_document

ROOT = Path(__file__).resolve().parents[2]
LAYOUT = layout_of(shipped().form("study"))
RECORD = read_document(ROOT / "demo_studies" / "records" / "DEMO-13_lanternby.yaml").root
assert RECORD is not None
FILLED = workbook_bytes(LAYOUT, {"one": RECORD}, batch=False)
SHEETS = [sheet.name for sheet in LAYOUT.sheets]
VALUES = (
    "junk", "3,2", "3/40", "7.5 %", "  12  ", "12 (3)", "1,234", "<0.05", "yes", "not_reported", "(none)", "=1+1",
    "-", "NA", "nan", "1e999", "−4", "\u202e12", "lrti", "0", "a; b", '"', "age: none", "tab\tline\nbreak", "x" * 40_000,
    7, -7, 0, 3.25, 1e20, 0.1 + 0.2, True, None, datetime.datetime(2026, 3, 15), datetime.time(3, 40),
    datetime.datetime(2026, 3, 15, 10, 30),
)  # fmt: skip
FORMATS = ("General", "0.00", "0%", "@", "mmm-yy", "dd/mm/yyyy")
CELL = re.compile(r"book\.xlsx > .+![A-Z]+\d+$")


def leaves(node: Node, path: str = "") -> dict[str, str]:
    if isinstance(node, ScalarNode):
        return {path: node.text}
    if isinstance(node, ListNode):
        found = {f"{path}#": str(len(node.items))}
        for number, item in enumerate(node.items):
            found |= leaves(item, f"{path}[{number}]")
        return found
    assert isinstance(node, MapNode)
    return {p: t for key, value in node.entries for p, t in leaves(value, f"{path}.{key.text}").items()}


BEFORE = leaves(RECORD)


def change_cells(chance: random.Random, book) -> int:
    many = chance.choice((1, 1, 1, 3))
    for _ in range(many):
        sheet = book[chance.choice(SHEETS)]
        row, column = chance.randint(1, sheet.max_row + 2), chance.randint(1, sheet.max_column + 2)
        filled = [(c.row, c.column) for r in sheet.iter_rows() for c in r if c.value is not None]
        if chance.random() < 0.7:
            row, column = chance.choice(filled)
        cell = sheet.cell(row, column)
        if type(cell).__name__ == "MergedCell":
            continue
        value = chance.choice(VALUES)
        if isinstance(value, str):
            value = value[:32_767]
        cell.value = value
        if chance.random() < 0.3:
            cell.number_format = chance.choice(FORMATS)
    return many


def change_values(chance: random.Random, book) -> int:
    """Change one cell that holds a value of the record, as slips of a hand and of a spreadsheet do."""
    homes = []
    for sheet in book.worksheets[1:-3]:
        beside = str(sheet.cell(4, 4).value).startswith("entry")
        table = sheet.cell(4, 1).value != "field"
        for row in sheet.iter_rows(min_row=7 if table else 5):
            homes += [
                cell for cell in row
                if cell.value is not None and (table or cell.column == 2 or (beside and cell.column > 3))
                and not (beside and cell.column < 4)
            ]  # fmt: skip
    cell = chance.choice(homes)
    text = str(cell.value)
    digits = [at for at, sign in enumerate(text) if sign.isdigit()]
    kind = chance.randrange(9)
    if kind == 0 and len(digits) > 1:
        at = chance.randrange(len(digits) - 1)
        signs = list(text)
        signs[digits[at]], signs[digits[at + 1]] = signs[digits[at + 1]], signs[digits[at]]
        cell.value = float("".join(signs)) if isinstance(cell.value, (int, float)) else "".join(signs)
    elif kind == 1:
        cell.value = text.replace(".", ",")
    elif kind == 2:
        cell.value = f" {text}\u00a0 "
    elif kind == 3:
        cell.value = datetime.datetime(2026, chance.randint(1, 12), chance.randint(1, 28))
    elif kind == 4:
        cell.value = f"{text} {chance.choice(('kg', '%', '(sic)', '*', 'months'))}"
    elif kind == 5:
        cell.value = f"={text}+1" if digits else f'="{text}"'
    elif kind == 6:
        cell.value = None
    elif kind == 7:
        cell.value = -cell.value if isinstance(cell.value, (int, float)) else text.upper()
    else:
        cell.value = cell.value * 10 if isinstance(cell.value, (int, float)) else text[::-1]
    return 1


def change_shape(chance: random.Random, book) -> int:
    sheet = book[chance.choice(SHEETS)]
    kind = chance.randrange(10)
    if kind == 8:  # the row of headings is deleted
        sheet.delete_rows(4 if sheet.cell(4, 1).value == "field" else 6)
    elif kind == 9:
        book.copy_worksheet(sheet)
    elif kind == 0:
        sheet.insert_cols(chance.randint(1, sheet.max_column))
    elif kind == 1:
        sheet.insert_rows(chance.randint(1, 5), chance.randint(1, 4))
    elif kind == 2:
        sheet.delete_cols(chance.randint(1, sheet.max_column))
    elif kind == 3:
        sheet.delete_rows(chance.randint(1, 12))
    elif kind == 4:
        book.remove(sheet)
    elif kind == 5:
        sheet.title = chance.choice(("arms (2)", "Sheet1", "OUTCOMES ", "x"))
    elif kind == 6:
        row, column = chance.randint(1, 12), chance.randint(1, sheet.max_column)
        sheet.merge_cells(
            start_row=row,
            start_column=column,
            end_row=row + chance.randint(0, 3),
            end_column=column + chance.randint(0, 1),
        )
    else:
        book.move_sheet(sheet.title, chance.randint(-4, 4))
    return 0


def attack(number: int, folder: Path) -> str:
    """Damage a workbook, collect it, check the promise; return what happened."""
    chance = random.Random(number)
    book = openpyxl.load_workbook(io.BytesIO(FILLED))
    kind = chance.choices((change_shape, change_cells, change_values), (30, 30, 40))[0]
    shape = kind is change_shape
    changed = kind(chance, book)
    path = folder / "book.xlsx"
    book.save(path)
    content = path.read_bytes()
    try:
        collected = assemble(read_book(path), LAYOUT)
    except ProblemsError as error:
        assert all("book.xlsx" in str(problem) for problem in error.problems)
        return "refused"
    assert path.read_bytes() == content
    for problem in collected.problems:
        assert CELL.search(problem.file), str(problem)
    if not collected.sound:
        return "reported"
    assert RECORD is not None
    after = leaves(collected.records[""])
    if same_nodes(collected.records[""], RECORD):
        return "same"
    differing = {p for p in BEFORE.keys() | after.keys() if BEFORE.get(p) != after.get(p)}
    if shape:
        # Merging, or deleting a whole row of values: whole entries may go, values never change into others.
        gone = all(p not in after or p.endswith("#") or p not in BEFORE for p in differing)
        moved = "#" in "".join(differing)
        assert gone or moved or collected.problems, differing
        return "entries gone"
    fields = {re.sub(r"\[\d+\]$", "", p.rstrip("#")) for p in differing}
    entries = {p.split("[")[0] for p in differing if p.endswith("#")}
    # '3/40' is split into count and total, with a question; a new or emptied row changes how many entries there are.
    split = sum("total of" in problem.what for problem in collected.problems)
    assert len(fields) <= changed + split or entries, differing
    return "read"


@pytest.mark.slow
def test_some_damaged_workbooks(tmp_path):
    outcomes = {attack(number, tmp_path) for number in range(16)}
    assert {"reported", "same"} <= outcomes


@pytest.mark.slow
def test_five_hundred_damaged_workbooks(tmp_path):
    outcomes = [attack(number, tmp_path) for number in range(1_000, 1_500)]
    counts = {kind: outcomes.count(kind) for kind in sorted(set(outcomes))}
    print(counts)
    assert sum(counts.values()) == 500
    assert counts["reported"] > 100
    assert counts["read"] > 5
