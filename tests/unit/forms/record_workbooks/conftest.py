"""A demo record as a workbook, and a way to damage it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from metakit.forms.library import shipped
from metakit.forms.record_workbooks.assembling import Collected, assemble
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.yaml_nodes import MapNode, read_document

ROOT = Path(__file__).resolve().parents[4]
RECORD = ROOT / "demo_studies" / "records" / "DEMO-13_lanternby.yaml"


@pytest.fixture(scope="session")
def layout():
    return layout_of(shipped().form("study"))


@pytest.fixture(scope="session")
def record() -> MapNode:
    root = read_document(RECORD).root
    assert root is not None
    return root


@pytest.fixture(scope="session")
def filled(layout, record) -> bytes:
    return workbook_bytes(layout, {"lanternby": record}, batch=False)


@pytest.fixture
def damaged(filled, layout, tmp_path) -> Callable[[Callable[[Any], None]], Collected]:
    """Apply a change to the filled workbook through openpyxl, save it, and collect it again."""

    def run(change: Callable[[Any], None]) -> Collected:
        path = tmp_path / "book.xlsx"
        path.write_bytes(filled)
        book = openpyxl.load_workbook(path)
        change(book)
        book.save(path)
        return assemble(read_book(path), layout)

    return run


def cell_of(sheet: Any, heading: str, number: int = 1) -> Any:
    """Return a cell below a heading of a table, or beside a field of a list."""
    for row in sheet.iter_rows():
        for cell in row:
            if str(cell.value).rstrip(" *") == heading:
                if str(sheet.cell(4, 4).value).startswith("entry"):  # entries side by side
                    return sheet.cell(cell.row, 3 + number) if number else cell
                table = sheet.cell(4, 1).value != "field"
                return sheet.cell(cell.row + number, cell.column) if table else sheet.cell(cell.row, 2)
    raise AssertionError(heading)
