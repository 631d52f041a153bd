"""A unit typed into a workbook, and an audit with one row a year."""

from __future__ import annotations

import shutil
from pathlib import Path

import openpyxl
import pytest

from metakit.decision.one_unit.unit_reading import read_unit
from metakit.errors import DataError, UnreadableError
from metakit.review.sheets import write_sheets
from tests.unit.decision.units import COMPLICATIONS, HEAD, REVISIONS, text

YEARS = REVISIONS.replace("events: 8, thumb_years: 640, ", "")
AUDIT = """audit:
  - {outcome: revision_index, year: 2024, events: 3, thumb_years: 310}
  - {outcome: revision_index, year: 2023, events: 5, thumb_years: 330}
"""


def written(tmp_path: Path, *outcomes: str, end: str = "") -> Path:
    path = tmp_path / "unit.yaml"
    path.write_text(text(*outcomes, end=end), encoding="utf-8")
    return path


def test_a_workbook_says_what_its_file_says(tmp_path: Path) -> None:
    path = written(tmp_path, REVISIONS, COMPLICATIONS)
    (book,) = write_sheets(tmp_path / "unit.xlsx", records=[path], form="unit")
    typed, filled = read_unit(path), read_unit(book)
    for name in ("name", "volume", "years", "techniques", "current", "seed"):
        assert getattr(typed, name) == getattr(filled, name)
    assert [item.baseline for item in typed.outcomes] == [item.baseline for item in filled.outcomes]
    assert len(filled.sha256) == 64


def test_an_audit_sheet_with_one_row_a_year_is_the_baseline(tmp_path: Path) -> None:
    (book,) = write_sheets(tmp_path / "u.xlsx", records=[written(tmp_path, YEARS, end=AUDIT)], form="unit")
    opened = openpyxl.load_workbook(book)
    sheet = opened["audit"]
    rows = [row for row in sheet.iter_rows(values_only=True) if row[0] == "revision_index"]
    assert len(rows) == 2
    free = next(row[0].row for row in sheet.iter_rows(min_row=6) if all(cell.value is None for cell in row))
    names = {
        str(cell.value).rstrip(" *"): cell.column
        for row in sheet.iter_rows(max_row=6)
        for cell in row
        if cell.value
    }
    for name, value in {"outcome": "revision_index", "year": 2025, "events": 0, "thumb years": 100}.items():
        sheet.cell(row=free, column=names[name], value=value)
    opened.save(book)
    found = read_unit(book).outcomes[0]
    assert found.baseline is not None
    assert (found.baseline.events, found.baseline.total, found.baseline.per_year) == (8, 740, True)
    assert [(row.year, row.events) for row in found.years] == [(2023, 5), (2024, 3), (2025, 0)]


@pytest.mark.parametrize(
    ("baseline", "audit", "said"),
    [
        ("", "", "missing: how many events, or one row a year"),
        ("events: 9, thumb_years: 640, ", AUDIT, "the audit's years add up to 8"),
        ("", AUDIT.replace("2023", "2024"), "stands twice for this outcome and technique"),
        ("", AUDIT.replace("thumb_years: 310", "thumbs: 310"), "counted in thumbs elsewhere"),
        ("", AUDIT.replace(", thumb_years: 310", ""), "thumbs or thumb_years, one of the two"),
        ("", AUDIT.replace("events: 3", "events: 400"), "more events than thumb_years"),
    ],
)
def test_an_audit_that_does_not_fit_is_refused_at_its_place(
    tmp_path: Path, baseline: str, audit: str, said: str
) -> None:
    outcome = YEARS.replace("{kind", f"{{{baseline}kind")
    with pytest.raises(DataError) as caught:
        read_unit(written(tmp_path, outcome, end=audit))
    assert any(said in str(problem) and "unit.yaml:" in str(problem) for problem in caught.value.problems)


def test_a_workbook_with_an_error_names_sheet_and_cell(tmp_path: Path) -> None:
    (book,) = write_sheets(tmp_path / "u.xlsx", records=[written(tmp_path, REVISIONS)], form="unit")
    opened = openpyxl.load_workbook(book)
    cell = next(cell for row in opened["volume"].iter_rows() for cell in row if cell.value == 120)
    cell.value = -3
    opened.save(book)
    with pytest.raises(DataError) as caught:
        read_unit(book)
    assert any(f"volume!{cell.coordinate}" in str(problem) for problem in caught.value.problems)


@pytest.mark.lengthy
def test_other_workbooks_are_refused(tmp_path: Path) -> None:
    (book,) = write_sheets(tmp_path / "study.xlsx", blank=1)
    with pytest.raises(UnreadableError, match="form study"):
        read_unit(book)
    (tmp_path / "no.xlsx").write_bytes(b"no workbook")
    with pytest.raises(UnreadableError):
        read_unit(tmp_path / "no.xlsx")
    shutil.copy(written(tmp_path, REVISIONS), tmp_path / "text.xlsx")
    with pytest.raises(UnreadableError):
        read_unit(tmp_path / "text.xlsx")


def test_learning_and_implants_are_read(tmp_path: Path) -> None:
    learning = (
        "implant_price: 700, learning: {thumbs: 20, extra_minutes: 15, rate_ratio: 1.5, source: log book}"
    )
    head = HEAD.replace("cost: 1500", f"cost: 1500, {learning}")
    path = tmp_path / "unit.yaml"
    path.write_text(text(REVISIONS, head=head), encoding="utf-8")
    technique = read_unit(path).techniques[1]
    assert technique.implant_price == 700 and technique.learning is not None
    assert (technique.learning.thumbs, technique.learning.source) == (20, "log book")
    path.write_text(text(REVISIONS, head=head.replace(", source: log book", "")), encoding="utf-8")
    with pytest.raises(DataError, match="source"):
        read_unit(path)
