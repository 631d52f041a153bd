"""The PDFs of a review: kept apart, known by their hash, never followed elsewhere."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from metakit.core.values import PaperPlace
from metakit.errors import DataError, UnreadableError
from metakit.papers.limits import PaperError
from metakit.papers.reader import PaperReader
from metakit.review.check import check_paths
from metakit.review.places import with_place
from metakit.review.reports import (
    NOT_HERE,
    Report,
    add_report,
    drawn_places,
    paper_of,
    read_reports,
    reports_of,
)
from tests import hostile_papers as made

REVIEW = Path(__file__).parents[2] / "reference" / "forms" / "review"
CONTENT = made.sound()
SHA = hashlib.sha256(CONTENT).hexdigest()


@pytest.fixture(scope="module")
def reader() -> Iterator[PaperReader]:
    with PaperReader() as found:
        yield found


def test_a_report_is_kept_once_with_its_hash_and_pages(tmp_path: Path, reader: PaperReader) -> None:
    row = add_report(tmp_path, "quillmere", "Ärzte & Hände (2016).PDF", CONTENT, reader)
    assert row == Report(study="quillmere", file="rzte_h_nde_2016.pdf", sha256=SHA, pages=1)
    assert add_report(tmp_path, "quillmere", "other.pdf", CONTENT, reader) == row
    assert read_reports(tmp_path) == (row,)
    assert sorted(path.name for path in (tmp_path / "reports").iterdir()) == [
        ".gitignore", "reports.csv", "rzte_h_nde_2016.pdf",
    ]  # fmt: skip
    paper = paper_of(tmp_path, SHA)
    assert paper is not None
    assert paper.path.read_bytes() == CONTENT
    assert reports_of(read_reports(tmp_path), "another") == ()


def test_one_paper_can_serve_two_records(tmp_path: Path, reader: PaperReader) -> None:
    add_report(tmp_path, "early", "a_paper.pdf", CONTENT, reader)
    row = add_report(tmp_path, "later", "a_paper.pdf", CONTENT, reader)
    assert [found.study for found in read_reports(tmp_path)] == ["early", "later"]
    assert row.file == "a_paper.pdf"


def test_two_papers_of_one_name_have_two_files(tmp_path: Path, reader: PaperReader) -> None:
    add_report(tmp_path, "a", "paper.pdf", CONTENT, reader)
    assert add_report(tmp_path, "b", "paper.pdf", made.sound("another"), reader).file == "paper_2.pdf"


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("../../etc/passwd", "passwd.pdf"),
        ("..\\con.pdf", "con_report.pdf"),
        ("\0\n", "study_a.pdf"),
        ("é" * 400, "study_a.pdf"),
    ],
)
def test_a_name_leads_nowhere_else(tmp_path: Path, reader: PaperReader, name: str, file: str) -> None:
    assert add_report(tmp_path, "study_a", name, CONTENT, reader).file == file
    assert {path.parent for path in tmp_path.rglob("*.pdf")} == {tmp_path / "reports"}


@pytest.mark.parametrize("content", [b"", b"no pdf", made.locked(), made.of_pages(501)])
def test_what_cannot_be_read_is_not_kept(tmp_path: Path, reader: PaperReader, content: bytes) -> None:
    with pytest.raises(PaperError, match=r"^my\.pdf: error: "):
        add_report(tmp_path, "a", "my.pdf", content, reader)
    assert not (tmp_path / "reports").exists()


def test_git_leaves_the_papers_out(tmp_path: Path, reader: PaperReader) -> None:
    add_report(tmp_path, "a", "paper.pdf", CONTENT, reader)
    subprocess.run(["git", "init", "-q", "."], cwd=tmp_path, check=True)
    said = subprocess.run(
        ["git", "status", "--porcelain", "-uall"], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    assert "reports/reports.csv" in said
    assert ".pdf" not in said


def test_a_changed_file_is_told_and_an_absent_one_is_no_fault(tmp_path: Path, reader: PaperReader) -> None:
    row = add_report(tmp_path, "a", "paper.pdf", CONTENT, reader)
    (tmp_path / "reports" / row.file).write_bytes(made.sound("another"))
    with pytest.raises(PaperError, match="another file than the one that the places were kept in"):
        paper_of(tmp_path, SHA)
    (tmp_path / "reports" / row.file).unlink()
    assert paper_of(tmp_path, SHA) is None
    assert paper_of(tmp_path, "0" * 64) is None


def test_a_symbolic_link_is_not_followed(tmp_path: Path, reader: PaperReader) -> None:
    row = add_report(tmp_path, "a", "paper.pdf", CONTENT, reader)
    path = tmp_path / "reports" / row.file
    path.rename(tmp_path / "outside.pdf")
    path.symlink_to(tmp_path / "outside.pdf")
    with pytest.raises((PaperError, DataError), match="symbolic link"):
        paper_of(tmp_path, SHA)


def test_every_wrong_row_is_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "reports").mkdir()
    table = tmp_path / "reports" / "reports.csv"
    table.write_text(f"study,file,sha256,pages\n,../x.pdf,abc,0\na,b.pdf,{SHA},4\n", encoding="utf-8")
    with pytest.raises(DataError) as caught:
        read_reports(tmp_path)
    assert [(problem.line, problem.field) for problem in caught.value.problems] == [
        (2, "study"), (2, "file"), (2, "sha256"), (2, "pages"),
    ]  # fmt: skip
    table.write_text("study,file\n", encoding="utf-8")
    with pytest.raises(UnreadableError, match="no column sha256, pages"):
        read_reports(tmp_path)


def test_check_asks_about_the_table_and_about_pages_that_are_not_there(tmp_path: Path) -> None:
    review = Path(shutil.copytree(REVIEW, tmp_path / "review"))
    (review / "reports").mkdir()
    table = review / "reports" / "reports.csv"
    table.write_text(f"study,file,sha256,pages\ntest_01,a.pdf,{SHA},3\n", encoding="utf-8")
    record = review / "records" / "test_01.yaml"
    place = {"field": "arms[A].women", "page": "4", "box": "1 2 30 40", "report": SHA}
    record.write_text(with_place(record.read_text(encoding="utf-8"), place), encoding="utf-8")

    def asked() -> list[str]:
        report = check_paths([review])
        assert report.exit_status == 0
        return [problem.what for problem in report.of("question")]

    assert "a place on a page that its paper of 3 pages does not have" in asked()
    table.write_text("study,file\n", encoding="utf-8")
    assert "the table has no column sha256, pages" in asked()


def test_each_place_is_drawn_or_said_why_not(tmp_path: Path, reader: PaperReader) -> None:
    row = add_report(tmp_path, "quillmere", "a_paper.pdf", CONTENT, reader)
    there = PaperPlace(field="events", page=1, box=(160, 690, 270, 715), report=SHA)
    beyond, unknown = replace(there, page=9), replace(there, report="ab" * 32)
    drawn = drawn_places(tmp_path, (there, beyond, unknown, there))
    assert list(drawn) == [there, beyond, unknown]
    paper = paper_of(tmp_path, SHA)
    assert paper is not None
    assert drawn[there].content == reader.place(paper, 1, there.box).content and not drawn[there].why
    assert not drawn[beyond].content and drawn[beyond].why.startswith(f"reports/{row.file}")
    assert drawn[unknown].why == NOT_HERE
    (tmp_path / "reports" / row.file).write_bytes(made.sound("another"))
    assert "another file" in drawn_places(tmp_path, (there,))[there].why
