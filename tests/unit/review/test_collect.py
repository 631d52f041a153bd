"""Records written from workbooks: whole, under the lock, never over another's work; the workbook stays as it is."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from pathlib import Path

import openpyxl
import pytest

from metakit.errors import UsageError
from metakit.forms.library import shipped
from metakit.forms.record_text import same_nodes
from metakit.forms.yaml_nodes import read_document
from metakit.review.collect import collect
from metakit.review.sheets import write_sheets

ROOT = Path(__file__).resolve().parents[3]
RECORD = ROOT / "demo_studies" / "records" / "DEMO-17_otterlade.yaml"


@pytest.fixture
def review(tmp_path):
    (tmp_path / "review" / "records").mkdir(parents=True)
    return tmp_path / "review"


@pytest.fixture
def workbook(tmp_path):
    write_sheets(tmp_path / "otterlade.xlsx", records=[RECORD])
    return tmp_path / "otterlade.xlsx"


@pytest.mark.lengthy
def test_written_once_then_unchanged(workbook, review):
    before = workbook.read_bytes()
    done = collect([workbook], review, shipped())
    assert done.written == (review / "records" / "otterlade.yaml",)
    assert done.exit_status == 0
    one, other = read_document(done.written[0]).root, read_document(RECORD).root
    assert one is not None and other is not None and same_nodes(one, other)
    again = collect([workbook], review, shipped())
    assert (again.written, again.unchanged) == ((), done.written)
    assert workbook.read_bytes() == before


@pytest.mark.lengthy
def test_causes_that_do_not_fit_are_told_at_their_cell(tmp_path, review):
    source = ROOT / "demo_studies" / "records" / "DEMO-28_pendlewick.yaml"
    (path,) = write_sheets(tmp_path / "pendlewick.xlsx", records=[source])
    book = openpyxl.load_workbook(path)
    sheet = book["return_causes"]
    row = next(row for row in sheet.iter_rows() if any(cell.value == "residual_bone" for cell in row))
    number = next(c for c in row if isinstance(c.value, int))
    for count, severity, words in ((25, "error", "25 of 24 that came back"), (2, "question", "24 came back")):
        number.value = count
        book.save(path)
        done = collect([path], review, shipped())
        (found,) = [p for p in done.problems if words in p.what]
        assert found.severity == severity
        assert found.file.startswith(str(path)) or "pendlewick.xlsx" in found.file
        assert "return_causes!" in found.file
        if severity == "error":
            assert found.file.endswith(f"!{number.coordinate}") and done.written == ()


@pytest.mark.walk
def test_two_extractors_are_kept_apart(tmp_path, review):
    books = {}
    for person in ("AB", "CD"):
        source = next((ROOT / "demo_studies" / "extractors" / person).glob("DEMO-17_*"))
        (books[person],) = write_sheets(tmp_path / person / "otterlade.xlsx", records=[source])
        done = collect([books[person]], review, shipped(), extractor=person)
        assert done.written == (review / "extractors" / person / "otterlade.yaml",)
    assert not list((review / "records").iterdir())
    wrong = collect([books["AB"]], review, shipped(), extractor="CD", replace=True)
    (problem,) = [problem for problem in wrong.problems if problem.severity == "error"]
    assert (problem.found, problem.allowed) == ("AB", "CD") and "!B" in problem.file
    assert wrong.written == () and wrong.annotated
    (agreed,) = write_sheets(tmp_path / "agreed.xlsx", records=[RECORD])
    found = [
        p.field
        for p in collect([agreed], review, shipped(), extractor="AB").problems
        if p.severity == "error"
    ]
    assert found == ["extraction.extractor", "extraction.status"]
    with pytest.raises(UsageError, match="initials"):
        collect([agreed], review, shipped(), extractor="../AB")


@pytest.mark.lengthy
def test_other_values_are_replaced_only_when_asked(workbook, review):
    path = collect([workbook], review, shipped()).written[0]
    changed = path.read_text(encoding="utf-8").replace("language: English", "language: German")
    path.write_text(changed, encoding="utf-8")
    refused = collect([workbook], review, shipped())
    assert refused.exit_status == 1
    assert "--replace" in refused.problems[-1].hint
    assert path.read_text(encoding="utf-8") == changed
    assert collect([workbook], review, shipped(), replace=True).written == (path,)


@pytest.mark.walk
def test_faulty_workbook_is_answered_with_a_copy_and_nothing_else(workbook, review):
    book = openpyxl.load_workbook(workbook)
    book["study"]["B8"].value = "2O16"
    book.save(workbook)
    before = workbook.read_bytes()
    done = collect([workbook], review, shipped())
    assert done.exit_status == 1
    assert list((review / "records").iterdir()) == []
    assert workbook.read_bytes() == before
    assert [path.name for path in done.annotated] == ["otterlade.problems.xlsx"]
    copy = openpyxl.load_workbook(done.annotated[0])
    assert "2O16" in copy["study"]["B8"].comment.text
    assert copy["problems"]["B2"].value == "B8"
    # The copy can be mended and collected; it still belongs to the same record.
    copy["study"]["B8"].value = 2022
    copy.save(done.annotated[0])
    mended = collect(done.annotated, review, shipped())
    assert [path.name for path in mended.written] == ["otterlade.yaml"]
    # The mended copy is read in the place of the faulty workbook from then on, and that is told.
    again = collect([workbook], review, shipped())
    assert [path.name for path in again.unchanged] == ["otterlade.yaml"] and again.annotated == ()
    assert "read in the place of otterlade.xlsx" in again.problems[0].what


@pytest.mark.walk
def test_nothing_is_overwritten_by_sheets(workbook):
    with pytest.raises(UsageError, match="exists already"):
        write_sheets(workbook, records=[RECORD])


@pytest.mark.lengthy
def test_record_names_are_safe(workbook, review):
    bad = workbook.rename(workbook.with_name("con.xlsx"))
    done = collect([bad], review, shipped())
    assert done.exit_status == 1
    assert not list((review / "records").iterdir())


def _collect_forever(workbooks: list[Path], review: Path) -> None:
    number = 0
    while True:
        collect([workbooks[number % 2]], review, shipped(), replace=True)
        number += 1


def _collect_once(paths: list[Path], review: Path) -> None:
    collect(paths, review, shipped())


@pytest.mark.walk
def test_two_processes_lose_nothing(tmp_path, review):
    paths = []
    for name in ("a", "b", "c", "d"):
        (tmp_path / f"{name}.yaml").write_bytes(RECORD.read_bytes())
        paths += write_sheets(tmp_path / f"{name}.xlsx", records=[tmp_path / f"{name}.yaml"])
    context = multiprocessing.get_context("spawn")
    both = [context.Process(target=_collect_once, args=(part, review)) for part in (paths[:2], paths[2:])]
    for process in both:
        process.start()
    for process in both:
        process.join(60)
        assert process.exitcode == 0
    assert sorted(path.stem for path in (review / "records").glob("*.yaml")) == ["a", "b", "c", "d"]


def kill_while_writing(tmp_path: Path, review: Path, times: int) -> None:
    """Kill a process that keeps writing two versions of a record; the record is always one of the two."""
    folders = [tmp_path / "one", tmp_path / "two"]
    texts = [RECORD.read_text(encoding="utf-8")]
    texts.append(texts[0].replace("language: English", "language: German"))
    workbooks, versions = [], []
    for folder, text in zip(folders, texts, strict=True):
        folder.mkdir()
        (folder / "x.yaml").write_text(text, encoding="utf-8")
        workbooks += write_sheets(folder / "x.xlsx", records=[folder / "x.yaml"])
        versions.append(read_document(folder / "x.yaml").root)
    assert not same_nodes(versions[0], versions[1])
    chance = random.Random(1)
    context = multiprocessing.get_context("fork")
    collect([workbooks[0]], review, shipped())
    for _ in range(times):
        process = context.Process(target=_collect_forever, args=(workbooks, review))
        process.start()
        time.sleep(chance.uniform(0.05, 0.35))
        assert process.pid
        os.kill(process.pid, signal.SIGKILL)
        process.join()
        root = read_document(review / "records" / "x.yaml").root
        assert root is not None
        assert any(same_nodes(root, version) for version in versions)
    last = collect([workbooks[0]], review, shipped(), replace=True)
    assert last.exit_status == 0
    assert sorted(path.name for path in (review / "records").iterdir() if not path.name.startswith(".")) == [
        "x.yaml"
    ]


@pytest.mark.slow
def test_killed_runs_leave_whole_records_and_no_lock(tmp_path, review):
    kill_while_writing(tmp_path, review, 10)


@pytest.mark.slow
def test_two_hundred_killed_runs(tmp_path, review):
    kill_while_writing(tmp_path, review, 200)
