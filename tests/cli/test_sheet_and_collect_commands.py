"""`sheet` and `collect` from the outside: a workbook out, a record back, and a faulty cell named."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

ROOT = Path(__file__).parents[2]
RECORD = ROOT / "demo_studies" / "records" / "DEMO-01_quillmere.yaml"


@pytest.fixture
def book(metakit_command, tmp_path: Path) -> Path:
    path = tmp_path / "quillmere.xlsx"
    assert metakit_command("sheet", path, "--record", RECORD).status == 0
    assert metakit_command("new", tmp_path / "review").status == 0
    return path


@pytest.mark.lengthy
def test_record_to_workbook_and_back_checks_without_error(
    metakit_command, book: Path, tmp_path: Path
) -> None:
    said = metakit_command("collect", book, "--into", tmp_path / "review")
    assert said.status == 0, said.err
    record = tmp_path / "review" / "records" / "quillmere.yaml"
    assert metakit_command("check", record).status == 0
    again = metakit_command("collect", book, "--into", tmp_path / "review")
    assert again.status == 0


def test_an_existing_workbook_is_not_overwritten(metakit_command, book: Path) -> None:
    before = book.read_bytes()
    assert metakit_command("sheet", book).status == 2
    assert book.read_bytes() == before


@pytest.mark.walk
def test_a_faulty_cell_is_named_and_nothing_is_collected(metakit_command, book: Path, tmp_path: Path) -> None:
    opened = openpyxl.load_workbook(book)
    sheet = opened["outcomes"]
    place = next(cell for row in sheet.iter_rows() for cell in row if cell.value == 13)
    place.value = 52
    opened.save(book)
    before = book.read_bytes()
    said = metakit_command("collect", book, "--into", tmp_path / "review")
    assert said.status == 1
    assert "quillmere.xlsx" in said.err
    assert place.coordinate in said.err
    assert "52" in said.err
    assert book.read_bytes() == before
    assert not (tmp_path / "review" / "records" / "quillmere.yaml").exists()
    assert (tmp_path / "quillmere.problems.xlsx").is_file()


@pytest.mark.lengthy
@pytest.mark.parametrize(
    "content", [b"", b"not a workbook", b"\xd0\xcf\x11\xe0 old format"], ids=["empty", "text", "old"]
)
def test_no_workbook_is_said_clearly(metakit_command, book: Path, tmp_path: Path, content: bytes) -> None:
    book.write_bytes(content)
    said = metakit_command("collect", book, "--into", tmp_path / "review")
    assert said.status == 2
    assert "quillmere.xlsx" in said.err
