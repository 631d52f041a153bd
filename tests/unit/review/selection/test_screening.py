"""Lists out to two screeners and back, their agreement, and what they disagree on. All of it is invented."""

from __future__ import annotations

import csv
import datetime
import io
import json
import re
import signal
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run
from metakit.errors import DataError, UnreadableError, UsageError
from metakit.review.history import read_history
from metakit.review.selection.importing import import_search
from metakit.review.selection.lists import (
    LIST_COLUMNS,
    collect_screening,
    is_screening_list,
    write_screening_list,
)
from metakit.review.selection.reconciling import (
    COLUMNS,
    adjudicate,
    is_conflict_list,
    open_conflicts,
    screening_agreement,
    write_conflicts,
)
from metakit.review.selection.screening import Decision, settle
from tests.unit.review.selection.stored import EXPORTS, HEAD, change, finished_review
from tests.unit.review.selection.test_flow import problems, selection

TODAY = datetime.date(2026, 1, 12)


@pytest.fixture
def review(tmp_path: Path) -> Path:
    """The finished review, set back to the day before anybody screened."""
    review = finished_review(tmp_path / "review")
    for name in ("screening_AB.csv", "screening_CD.csv", "screening_agreed.csv", "included.csv"):
        (review / "selection" / name).unlink()
    return review


def fill(path: Path, answers: dict[str, tuple[str, str]]) -> None:
    """Type decision and reason into a list, as a person would."""
    if path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path)
        sheet = book.active
        for row in range(2, sheet.max_row + 1):
            decision, reason = answers.get(str(sheet.cell(row, 1).value), ("", ""))
            sheet.cell(row, LIST_COLUMNS.index("decision") + 1).value = decision or None
            sheet.cell(row, LIST_COLUMNS.index("reason") + 1).value = reason or None
        book.save(path)
        return
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    for row in rows:
        row["decision"], row["reason"] = answers.get(row["citation_id"], ("", ""))
    with path.open("w", encoding="utf-8", newline="") as stream:
        out = csv.DictWriter(stream, LIST_COLUMNS)
        out.writeheader()
        out.writerows(rows)


def table(review: Path, name: str) -> list[dict[str, str]]:
    text = (review / "selection" / name).read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


TITLES = {
    "C0001": ("include", ""), "C0002": ("include", ""), "C0003": ("exclude", ""), "C0004": ("exclude", ""),
    "C0005": ("include", ""), "C0007": ("include", ""),
}  # fmt: skip


@pytest.mark.parametrize("kind", ["xlsx", "csv"])
def test_a_list_goes_out_and_comes_back(review: Path, tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"list.{kind}"
    # Six titles, and the report of the reference list, which goes straight to the full text.
    assert write_screening_list(path, selection(review), "AB") == 7
    assert is_screening_list(path)
    fill(path, TITLES)
    done = collect_screening(path, review, today=TODAY)
    assert (done.person, done.new, done.changed, done.same, done.blank) == ("AB", 6, 0, 0, 1)
    again = collect_screening(path, review, today=TODAY)
    assert (again.new, again.same, again.written) == (0, 6, None)
    found = selection(review)
    assert {d.decided_on for d in found.decisions["AB"]} == {"2026-01-12"}
    # What was included by title is on the next list, without anything decided before.
    second = tmp_path / f"second.{kind}"
    assert write_screening_list(second, found, "AB") == 5
    (event,) = [e for e in read_history(review)[0] if e["event"] == "screening_collected"]
    assert (event["person"], event["new"]) == ("AB", 6)


def test_a_list_shows_nothing_that_another_person_decided(review: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    write_screening_list(first, selection(review), "AB")
    fill(first, TITLES)
    collect_screening(first, review, today=TODAY)
    write_screening_list(second, selection(review), "CD")
    rows = list(csv.DictReader(io.StringIO(second.read_text(encoding="utf-8-sig"))))
    assert all(not row[name] for row in rows for name in ("decision", "reason", "note", "decided_on"))
    assert {row["screener"] for row in rows} == {"CD"}


def test_a_changed_decision_needs_replace_and_is_kept_in_the_history(review: Path, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    write_screening_list(path, selection(review), "AB")
    fill(path, TITLES)
    collect_screening(path, review, today=TODAY)
    fill(path, TITLES | {"C0003": ("include", "")})
    with pytest.raises(DataError, match="C0003 was decided otherwise on 2026-01-12"):
        collect_screening(path, review, today=TODAY)
    done = collect_screening(path, review, replace=True, today=TODAY)
    assert (done.changed, done.same) == (1, 5)
    assert read_history(review)[0][-1]["changed"] == [
        {"citation": "C0003", "stage": "title_abstract", "from": "exclude", "to": "include"}
    ]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("wrists,,exclude", "wrists,,maybe", "decision: not a term"),
        ("C0003,title_abstract", "C0003,titles", "stage: not a term"),
        (
            "wrists,,exclude,,",
            "wrists,,,other_design,",
            "decision: a value is required",
        ),
        (",AB", ",CD", "does not say whose"),
        ("stage", "step", "lacks|missing"),
    ],
)
def test_a_faulty_list_changes_nothing(review: Path, tmp_path: Path, old: str, new: str, words: str) -> None:
    path = tmp_path / "list.csv"
    write_screening_list(path, selection(review), "AB")
    fill(path, TITLES)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises((DataError, UnreadableError), match=words):
        collect_screening(path, review, today=TODAY)
    assert not (review / "selection" / "screening_AB.csv").exists()


def test_wrong_use_of_lists_is_said(review: Path, tmp_path: Path) -> None:
    chosen = selection(review)
    for out, person, words in (
        ("list.xlsx", "", "initials"),
        ("list.xlsx", "agreed", "initials"),
        ("list.xlsx", "../x", "initials"),
        ("list.docx", "AB", "xlsx or"),
    ):
        with pytest.raises(UsageError, match=words):
            write_screening_list(tmp_path / out, chosen, person)
    write_screening_list(tmp_path / "list.csv", chosen, "AB")
    with pytest.raises(UsageError, match="exists already"):
        write_screening_list(tmp_path / "list.csv", chosen, "AB")
    for person in ("AB", "CD"):
        (review / "selection" / f"screening_{person}.csv").write_text(HEAD, encoding="utf-8")
    with pytest.raises(UsageError, match="two people screen"):
        write_screening_list(tmp_path / "third.csv", selection(review), "EF")


def test_disagreements_go_out_are_settled_and_come_back(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    (review / "selection" / "screening_agreed.csv").unlink()
    chosen = selection(review)
    assert open_conflicts(chosen) == [("title_abstract", "C0004")]
    path = write_conflicts(review, chosen, "reconcile")
    (row,) = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")))
    assert tuple(row) == COLUMNS
    assert (row["first_person"], row["first_decision"], row["second_decision"]) == (
        "AB",
        "exclude",
        "include",
    )

    def settle_as(**cells: str) -> None:
        with path.open("w", encoding="utf-8", newline="") as stream:
            out = csv.DictWriter(stream, COLUMNS)
            out.writeheader()
            out.writerow(row | cells)

    for cells, words in (
        ({"decision": "exclude", "decided_on": "2026-01-07"}, "who settled it"),
        ({"decision": "exclude", "decided_by": "EF"}, "decided_on: a value is required"),
        ({"decision": "out", "decided_by": "EF", "decided_on": "2026-01-07"}, "not a term"),
        ({"decision": "exclude", "decided_by": "EF", "decided_on": "2026-01-07", "citation_id": "C0001"}, "do not disagree"),
    ):  # fmt: skip
        settle_as(**cells)
        with pytest.raises(DataError, match=words):
            adjudicate(review, chosen, path)
    assert not (review / "selection" / "screening_agreed.csv").exists()
    settle_as(decision="exclude", decided_by="EF", decided_on="2026-01-07", note="an elbow")
    write_conflicts(review, chosen, "reconcile")  # what was filled in stays
    done = adjudicate(review, chosen, path)
    assert (done.new, done.waiting) == (1, 0)
    after = selection(review)
    assert after.flow is not None
    outcome = after.screening.outcomes["title_abstract"]["C0004"]
    assert (outcome.decision, outcome.settled_by, outcome.note) == ("exclude", "adjudication", "an elbow")
    assert adjudicate(review, after, path).new == 0
    change(review, "screening_agreed.csv", "an elbow", "a wrist")
    assert [p.what for p in problems(review)] == ["changed by hand since metakit wrote it"]


def pairs(both_in: int, first_only: int, second_only: int, both_out: int) -> list[tuple[str, str]]:
    return [
        *[("include", "include")] * both_in, *[("include", "exclude")] * first_only,
        *[("exclude", "include")] * second_only, *[("exclude", "exclude")] * both_out,
    ]  # fmt: skip


# Feinstein & Cicchetti 1990, J Clin Epidemiol 43:543-549, table 1: the same 85 % agreement gives kappa 0.70 or
# 0.32, by prevalence (status: memory). The adjusted kappa is 2 x 0.85 - 1 = 0.70 for both (Byrt 1993).
@pytest.mark.parametrize(("cells", "kappa"), [((40, 9, 6, 45), 0.70), ((80, 10, 5, 5), 0.32)])
def test_agreement_of_screeners_matches_a_published_example(
    tmp_path: Path, cells: tuple[int, int, int, int], kappa: float
) -> None:
    people: list[list[Decision]] = [[], []]
    for number, pair in enumerate(pairs(*cells)):
        for person, decision in zip(people, pair, strict=True):
            person.append(Decision(citation_id=f"C{number:04d}", stage="title_abstract", decision=decision))
    chosen = selection(finished_review(tmp_path / "review"))
    object.__setattr__(chosen, "screening", settle(people))
    found = screening_agreement(chosen)["title_abstract"]
    assert (found.n, found.same) == (100, 85)
    assert found.kappa == pytest.approx(kappa, abs=0.005)
    assert found.adjusted_kappa == pytest.approx(0.70)
    # The same 2 x 2 table by hand, in full precision.
    a, b, c, d = cells
    chance = ((a + b) * (a + c) + (c + d) * (b + d)) / 100**2
    assert found.kappa == pytest.approx((0.85 - chance) / (1 - chance), rel=1e-12)
    assert found.kappa_interval is not None
    assert found.kappa_interval.lower < kappa < found.kappa_interval.upper


def command(*arguments: str | Path) -> int:
    return run(app, [str(argument) for argument in arguments])


@pytest.mark.lengthy
def test_the_whole_way_by_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    review = finished_review(tmp_path / "review")
    for path in sorted((review / "selection").rglob("*"), reverse=True):
        path.unlink() if path.is_file() else path.rmdir()
    (review / "selection").rmdir()
    for name, content in EXPORTS.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    exports = [tmp_path / name for name in EXPORTS]
    assert command("collect", *exports, "--into", review) == 0
    assert "register: 2 records, 1 repeat others" in capsys.readouterr().err
    assert command("check", review) == 0  # the records of the searches may be filled in later
    assert (
        "question: not finished: the search is not described: kind, date, strategy" in capsys.readouterr().err
    )
    for name, kind in (("database_a", "database"), ("register", "register"), ("lists", "citation_searching")):
        log = review / "selection" / "searches" / f"{name}.yaml"
        text = log.read_text(encoding="utf-8")
        for field, value in (("kind", kind), ("date", "2026-01-03"), ("strategy", '"thumb"')):
            assert f"\n{field}:\n" in text
            text = text.replace(f"\n{field}:\n", f"\n{field}: {value}\n")
        log.write_text(text, encoding="utf-8")
    lists = {}
    for person in ("AB", "CD"):
        lists[person] = tmp_path / f"{person}.xlsx"
        assert command("sheet", lists[person], "--screening", review, "--person", person) == 0
        fill(lists[person], TITLES | ({"C0004": ("include", "")} if person == "CD" else {}))
    capsys.readouterr()
    assert command("collect", *lists.values(), "--into", review, "--json") == 0
    assert [done["new"] for done in json.loads(capsys.readouterr().out)["screening"]] == [6, 6]
    assert command("check", review) == 0
    said = capsys.readouterr().err
    assert "on which two people disagree about title and abstract: C0004" in said
    assert "5 records without a decision on full text" in said


def test_commands_show_and_settle_disagreements(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    review = finished_review(tmp_path / "review")
    (review / "selection" / "screening_agreed.csv").unlink()
    assert command("reconcile", review) == 0
    said = capsys.readouterr()
    assert "the same decision on 5 of 6 (83.3 %) by title and abstract; kappa" in said.out
    assert "C0004 (title abstract): Invented splints for elbows" in said.out
    path = review / "reconcile" / "screening.csv"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(",,,,,,,\n", ",exclude,,,,,EF,2026-01-07\n"), encoding="utf-8")
    assert command("reconcile", review, "--decisions", path) == 0
    assert "1 screening decisions written" in capsys.readouterr().err
    assert command("reconcile", review, "--json") == 0
    found = json.loads(capsys.readouterr().out)["screening"]
    assert found["disagreements"] == []
    assert found["agreement"]["title_abstract"]["same"] == 5
    assert command("check", review) == 0


def test_errors_in_the_selection_do_not_stop_two_extractors(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "included.csv", "C0001,", "C0099,")
    assert command("reconcile", review) == 1  # only the screening could be meant
    for person in ("AB", "CD"):
        folder = review / "extractors" / person
        folder.mkdir(parents=True)
        text = (review / "records" / "test_02.yaml").read_text(encoding="utf-8")
        text = re.sub(r"extractor: \w+", f"extractor: {person}", text)
        (folder / "test_02.yaml").write_text(text, encoding="utf-8")
    capsys.readouterr()
    assert command("reconcile", review) == 0
    said = capsys.readouterr().err
    assert "no such citation in citations.csv; found: C0099" in said
    assert "values the same (100.0 %)" in said


def test_an_import_is_whole_or_nothing_and_never_replaces(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    before = {path: path.read_bytes() for path in review.rglob("*") if path.is_file()}
    other = tmp_path / "database_a.ris"
    other.write_text(EXPORTS["database_a.ris"] + "TY  - JOUR\nTI  - One more\nER  - \n", encoding="utf-8")
    with pytest.raises(DataError, match="another file was imported as the search database_a"):
        import_search(other, review)
    bad = tmp_path / "bad.ris"
    bad.write_text("TY  - JOUR\nAU  - Nobody\nER  - \n", encoding="utf-8")
    with pytest.raises(DataError, match="no title"):
        import_search(bad, review)
    same = tmp_path / "same" / "database_a.ris"
    same.parent.mkdir()
    same.write_text(EXPORTS["database_a.ris"], encoding="utf-8")
    assert import_search(same, review).written == ()
    after = {p: p.read_bytes() for p in review.rglob("*") if p.is_file() and p.name != ".metakit.lock"}
    assert after == before


def test_a_later_search_leaves_earlier_merges_alone(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "removed.csv", ",100,yes", ",100,no")
    new = tmp_path / "update 2027.csv"
    new.write_text("title,year\nDenervation of an invented joint,2018\nA new one,2026\n", encoding="utf-8")
    done = import_search(new, review)
    assert (done.search, done.records, done.duplicates) == ("update_2027", 2, 1)
    rows = table(review, "removed.csv")
    assert [(row["citation_id"], row["kept"], row["stands"]) for row in rows] == [
        ("C0006", "C0001", "no"),
        ("C0009", "C0002", "yes"),
    ]


def test_what_a_killed_import_left_is_completed_by_the_next(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    new = tmp_path / "update.csv"
    new.write_text("title,year\nDenervation of an invented joint,2018\n", encoding="utf-8")
    before = (review / "selection" / "citations.csv").read_bytes()
    import_search(new, review)
    (review / "selection" / "citations.csv").write_bytes(
        before
    )  # killed before the citations, which come last
    assert len(table(review, "removed.csv")) == 2
    import_search(new, review)
    assert [row["citation_id"] for row in table(review, "removed.csv")] == ["C0006", "C0009"]
    log = review / "selection" / "searches" / "update.yaml"
    text = log.read_text(encoding="utf-8").replace("\nkind:\n", "\nkind: database\n")
    text = text.replace("\ndate:\n", "\ndate: 2026-01-03\n").replace("\nstrategy:\n", "\nstrategy: x\n")
    log.write_text(text, encoding="utf-8")
    assert problems(review) == []


@pytest.mark.slow
def test_two_imports_at_once_lose_nothing_and_a_killed_one_leaves_whole_files(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    for name in ("one", "two"):
        rows = "".join(f"Invented {name} title {n} of {n * 7} thumbs,{2000 + n % 20}\n" for n in range(200))
        (tmp_path / f"{name}.csv").write_text(f"title,year\n{rows}", encoding="utf-8")
    code = "import sys; from pathlib import Path; from metakit.review.selection.importing import import_search; import_search(Path(sys.argv[1]), Path(sys.argv[2]))"
    start = [sys.executable, "-c", code]
    killed = subprocess.Popen([*start, tmp_path / "one.csv", review])
    try:
        killed.wait(timeout=0.45)
    except subprocess.TimeoutExpired:
        killed.send_signal(signal.SIGKILL)
        killed.wait()
    assert not [p for p in problems(review) if "citations.csv" in p.file and p.severity == "error"]
    both = [subprocess.Popen([*start, tmp_path / f"{name}.csv", review]) for name in ("one", "two")]
    assert [process.wait(timeout=60) for process in both] == [0, 0]
    rows = table(review, "citations.csv")
    assert len(rows) == 408
    assert len({row["citation_id"] for row in rows}) == 408


def test_a_list_of_disagreements_is_known_by_its_header(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    for head, known in (
        ("stage,citation_id,first_person,second_person\n", True),
        ("stage,citation_id,screener\n", False),
        ("stage,first_person\n", False),
        ("title\ncitation_id,first_person\n", False),
    ):
        path.write_text(head, encoding="utf-8-sig")
        assert is_conflict_list(path) == known
    path.unlink()
    assert not is_conflict_list(path) and not is_conflict_list(tmp_path)


def test_a_short_first_row_of_settled_disagreements_is_named(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "screening_agreed.csv", "C0004,title_abstract,exclude,,,,EF,2026-01-07\n", "")
    path = tmp_path / "settled.csv"
    for rows, lines in ((["C0004,title_abstract"], [2]), ([",".join("x" * len(COLUMNS)), "C0004"], [3])):
        path.write_text(",".join(COLUMNS) + "\n" + "".join(f"{row}\n" for row in rows), encoding="utf-8")
        with pytest.raises(UnreadableError, match="but the header has") as error:
            adjudicate(review, selection(review), path)
        assert [problem.line for problem in error.value.problems] == lines
