"""A protocol typed into a workbook: comments stay, what somebody typed into the file is never lost."""

from __future__ import annotations

import shutil
from pathlib import Path

import openpyxl
import pytest

from metakit.errors import UnreadableError, UsageError
from metakit.forms.library import shipped
from metakit.forms.splice import plain_of
from metakit.review.check import check_paths
from metakit.review.collect import collect
from metakit.review.folder import read_protocol
from metakit.review.new import new_review
from metakit.review.workbooks.protocol_sheet import EARLIER, write_protocol_sheet
from tests.typing import type_into

REVIEW = {
    "title": "A ball or none: a systematic review (invented)",
    "question": "Does LRTI lead to fewer complications?",
    "date": "2026-02-01",
    "invented": "yes",
}
GENERAL = {"population": "Adults with thumb-base arthritis", "unit of analysis": "thumbs", "icc": 0.3}
OUTCOMES = [
    {"outcome": "any_complication", "importance": "critical", "window": "12_months"},
    {"outcome": "pain_activity", "importance": "important", "window": "12_months"},
]
COMPARISONS = [
    {"id": "lrti_t", "label": "LRTI against none", "technique": "LRTI", "technique label": "LRTI",
     "comparator": "simple trapeziectomy", "comparator label": "trapeziectomy"},
]  # fmt: skip
ANALYSES = [
    {"id": "complications", "outcome": "any_complication", "comparison": "lrti_t", "measure": "RR"},
    {"id": "pain", "outcome": "pain_activity", "comparison": "lrti_t", "measure": "MD"},
]


@pytest.fixture(scope="module")
def typed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new review whose protocol workbook was filled in."""
    folder = new_review(tmp_path_factory.mktemp("new") / "review")
    tables = {"outcomes": OUTCOMES, "comparisons": COMPARISONS, "analyses": ANALYSES}
    type_into(folder / "protocol.xlsx", {"review": REVIEW, "general": GENERAL}, tables)
    return folder


@pytest.fixture
def review(typed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(typed, tmp_path / "review"))


def gather(review: Path, **options):
    return collect([review / "protocol.xlsx"], review, shipped(), **options)


def text_of(review: Path) -> str:
    return (review / "protocol.yaml").read_text(encoding="utf-8")


def explained(text: str) -> list[str]:
    return [
        line for line in text.splitlines() if line.lstrip().startswith("#") and "metakit: values" not in line
    ]


def test_the_template_is_filled_and_keeps_every_comment(review: Path) -> None:
    before = text_of(review)
    done = gather(review)
    assert done.exit_status == 0 and done.written == (review / "protocol.yaml",)
    assert explained(text_of(review)) == explained(before)
    protocol = read_protocol(review)
    assert [plan.measure for plan in protocol.analyses] == ["risk_ratio", "mean_difference"]
    assert protocol.comparisons[0].comparator == ("trapeziectomy",)
    assert protocol.id == "review"
    again = gather(review)
    assert (again.written, again.unchanged) == ((), (review / "protocol.yaml",))
    assert check_paths([review]).steps[0].startswith("For each study")


def test_a_changed_workbook_changes_those_values_alone(review: Path) -> None:
    gather(review)
    path = review / "protocol.yaml"
    path.write_text(
        text_of(review).replace("importance: critical", "importance: critical  # panel of May", 1)
    )
    before = text_of(review)
    book = openpyxl.load_workbook(review / "protocol.xlsx")
    book["outcomes"]["C8"].value = "3_months"
    book.save(review / "protocol.xlsx")
    assert gather(review).written
    changed = [
        line for line in text_of(review).splitlines()
        if line not in before.splitlines() and "metakit: values" not in line
    ]  # fmt: skip
    assert len(changed) == 1 and "3_months" in changed[0]
    assert "# panel of May" in text_of(review)


@pytest.mark.lengthy
def test_a_row_taken_out_is_taken_out_and_its_neighbours_keep_their_comments(review: Path) -> None:
    gather(review)
    path = review / "protocol.yaml"
    path.write_text(text_of(review).replace("id: pain,", "id: pain, note: kept,"))
    assert not gather(review).written  # the file is ahead of the workbook now
    write_protocol_sheet(review / "again.xlsx", review)
    book = openpyxl.load_workbook(review / "again.xlsx")
    for sheet, first in (("analyses", "complications"), ("outcomes", "any_complication")):
        row = next(row[0].row for row in book[sheet].iter_rows(min_row=7) if row[0].value == first)
        book[sheet].delete_rows(row)
    book.save(review / "again.xlsx")
    assert collect([review / "again.xlsx"], review, shipped()).written
    plain = plain_of(text_of(review))
    assert [item["id"] for item in plain["analyses"]] == ["pain"]
    assert plain["analyses"][0]["note"] == "kept"
    assert [item["outcome"] for item in plain["outcomes"]] == ["pain_activity"]


def test_what_was_typed_into_the_file_since_is_not_replaced_unless_asked(review: Path) -> None:
    gather(review)
    path = review / "protocol.yaml"
    path.write_text(text_of(review).replace("icc: 0.3", "icc: 0.5"))
    before = text_of(review)
    done = gather(review)
    assert done.exit_status == 1 and text_of(review) == before
    assert "icc: “0.5” in the file, “0.3” in the workbook" in done.problems[-1].found
    assert gather(review, replace=True).written
    assert "icc: 0.3" in text_of(review)


def test_a_file_that_cannot_be_spliced_is_kept_beside(review: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import metakit.review.workbooks.protocol_sheet as module

    def refuse(*_: object) -> str:
        raise UsageError("no")

    before = text_of(review)
    monkeypatch.setattr(module, "_merged", refuse)
    done = gather(review)
    assert done.written and any(EARLIER in problem.what for problem in done.problems)
    assert (review / EARLIER).read_text(encoding="utf-8") == before
    assert read_protocol(review).id == "review"


@pytest.mark.lengthy
def test_a_faulty_workbook_changes_nothing(review: Path) -> None:
    type_into(review / "protocol.xlsx", {"general": {"icc": 3}})
    before = text_of(review)
    done = gather(review)
    assert done.exit_status == 1 and text_of(review) == before
    assert [path.name for path in done.annotated] == ["protocol.problems.xlsx"]
    type_into(review / "protocol.xlsx", {"general": {"icc": 0.3}})
    assert [path.name for path in gather(review).tidied] == ["protocol.problems.xlsx"]


def test_a_workbook_of_the_review_holds_what_the_file_holds(review: Path) -> None:
    gather(review)
    write_protocol_sheet(review / "again.xlsx", review)
    done = collect([review / "again.xlsx"], review, shipped())
    assert done.unchanged == (review / "protocol.yaml",)


def test_an_extractor_has_no_protocol_and_a_folder_without_one_says_so(review: Path, tmp_path: Path) -> None:
    done = collect([review / "protocol.xlsx"], review, shipped(), extractor="AB")
    assert done.exit_status == 1 and not done.written
    assert "belongs to the review" in done.problems[-1].what
    with pytest.raises(UnreadableError):
        write_protocol_sheet(tmp_path / "p.xlsx", tmp_path)
    with pytest.raises(UsageError, match=r"NAME\.xlsx"):
        write_protocol_sheet(tmp_path / "p.csv", review)


def test_the_demonstration_goes_into_a_workbook_and_back(tmp_path: Path) -> None:
    demo = Path(__file__).resolve().parents[4] / "demo_studies"
    folder = tmp_path / "review"
    folder.mkdir()
    shutil.copy(demo / "protocol.yaml", folder)
    write_protocol_sheet(folder / "p.xlsx", folder)
    done = collect([folder / "p.xlsx"], folder, shipped())
    assert done.exit_status == 0, [str(problem) for problem in done.problems]
    assert done.unchanged == (folder / "protocol.yaml",)
