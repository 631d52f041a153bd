"""What becomes of the copies with comments that `collect` makes of faulty workbooks."""

from __future__ import annotations

import shutil
from pathlib import Path

import openpyxl
import pytest

from metakit.core.seals import seal_holds
from metakit.errors import DataError
from metakit.forms.library import shipped
from metakit.review.collect import collect
from metakit.review.sheets import write_sheets
from metakit.review.workbooks import problem_copies
from metakit.review.workbooks.problem_copies import to_read

ROOT = Path(__file__).resolve().parents[4]
RECORD = ROOT / "demo_studies" / "records" / "DEMO-17_otterlade.yaml"
COPY, SECOND = "otterlade.problems.xlsx", "otterlade.problems-2.xlsx"


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workbook with a faulty year, and its copy beside it."""
    folder = tmp_path_factory.mktemp("typed")
    write_sheets(folder / "otterlade.xlsx", records=[RECORD])
    put(folder / "otterlade.xlsx", "2O16")
    (folder / "review" / "records").mkdir(parents=True)
    done = collect([folder / "otterlade.xlsx"], folder / "review", shipped())
    assert [path.name for path in done.annotated] == [COPY]
    return folder


@pytest.fixture
def typed(faulty: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(faulty, tmp_path / "typed"))


def put(path: Path, year: object, cell: str = "B8") -> None:
    book = openpyxl.load_workbook(path)
    book["study"][cell].value = year
    book.save(path)


def year_of(folder: Path) -> str:
    text = (folder / "review" / "records" / "otterlade.yaml").read_text(encoding="utf-8")
    return next(line.split(":")[1].strip() for line in text.splitlines() if line.strip().startswith("year:"))


def gather(folder: Path, **options):
    return collect([folder / "otterlade.xlsx"], folder / "review", shipped(), **options)


@pytest.mark.lengthy
def test_a_copy_that_nobody_touched_is_replaced_then_tidied(typed: Path) -> None:
    again = gather(typed)
    assert [path.name for path in again.annotated] == [COPY]
    put(typed / "otterlade.xlsx", 2022)
    done = gather(typed)
    assert [path.name for path in done.tidied] == [COPY]
    assert (done.exit_status, year_of(typed)) == (0, "2022")
    assert sorted(path.name for path in typed.iterdir()) == ["otterlade.xlsx", "review"]


@pytest.mark.lengthy
def test_what_is_mended_in_the_copy_is_read_and_stays(typed: Path) -> None:
    put(typed / COPY, 2022)
    before = [(typed / name).read_bytes() for name in (COPY, "otterlade.xlsx")]
    done = gather(typed)
    assert (done.exit_status, year_of(typed), done.tidied) == (0, "2022", ())
    assert any("in the place of otterlade.xlsx" in problem.what for problem in done.problems)
    assert gather(typed).unchanged
    # A folder, or all names in it, means the same.
    both = collect([typed / COPY, typed / "otterlade.xlsx"], typed / "review", shipped())
    assert both.unchanged and both.exit_status == 0
    assert collect([typed], typed / "review", shipped()).unchanged
    assert before == [(typed / name).read_bytes() for name in (COPY, "otterlade.xlsx")]


@pytest.mark.lengthy
def test_a_copy_mended_in_part_gets_a_copy_of_its_own(typed: Path) -> None:
    put(typed / COPY, "2O23")
    half = (typed / COPY).read_bytes()
    done = gather(typed)
    assert [path.name for path in done.annotated] == [SECOND]
    put(typed / SECOND, 2023)
    assert (gather(typed).exit_status, year_of(typed)) == (0, "2023")
    assert (typed / COPY).read_bytes() == half


@pytest.mark.lengthy
def test_both_changed_is_for_a_person_to_decide(typed: Path) -> None:
    put(typed / COPY, 2022)
    put(typed / "otterlade.xlsx", 2024)
    before = {path: path.read_bytes() for path in typed.glob("*.xlsx")}
    done = gather(typed)
    assert done.exit_status == 1 and not done.written
    assert COPY in done.problems[0].what
    assert before == {path: path.read_bytes() for path in typed.glob("*.xlsx")}
    put(typed / "otterlade.xlsx", 2022)  # the same in both: nothing to decide
    assert (gather(typed).exit_status, year_of(typed)) == (0, "2022")


@pytest.mark.lengthy
def test_two_mended_copies_of_the_same_workbook_are_not_chosen_between(typed: Path) -> None:
    shutil.copy(typed / COPY, typed / SECOND)
    put(typed / COPY, 2022)
    put(typed / SECOND, 2023)
    with pytest.raises(DataError, match="problems-2"):
        to_read(typed / "otterlade.xlsx")


@pytest.mark.lengthy
def test_a_copy_only_saved_is_kept_and_not_read(typed: Path) -> None:
    openpyxl.load_workbook(typed / COPY).save(typed / COPY)
    before = (typed / COPY).read_bytes()
    put(typed / "otterlade.xlsx", 2023)
    done = gather(typed)
    assert (done.tidied, year_of(typed)) == ((), "2023")
    assert (typed / COPY).read_bytes() == before


@pytest.mark.lengthy
def test_another_workbooks_copy_is_left_alone(typed: Path) -> None:
    other = typed / "hillford.problems.xlsx"
    shutil.copy(typed / COPY, other)
    put(typed / "otterlade.xlsx", 2022)
    gather(typed)
    assert other.is_file()


@pytest.mark.lengthy
def test_a_copy_is_there_with_its_seal_or_not_at_all(typed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # One without would pass for a copy that somebody saved, after a run that was killed.
    unsealed = []
    real = problem_copies.write_atomically

    def write(path: Path, content: bytes, **options):
        if path.parent == typed and not seal_holds(content, ".xlsx"):
            unsealed.append(path.name)
        return real(path, content, **options)

    monkeypatch.setattr(problem_copies, "write_atomically", write)
    assert [path.name for path in gather(typed).annotated] == [COPY]
    assert unsealed == []
