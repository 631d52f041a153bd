"""From exports to the flow diagram in eight commands, each named by the one before. All of it is invented."""

from __future__ import annotations

import csv
import re
import shlex
from pathlib import Path

import openpyxl
import pytest

from metakit.cli.app import app
from metakit.cli.support.running import run
from metakit.review.history import read_history
from metakit.review.new import new_review
from metakit.review.selection.next_step import next_step
from tests.unit.review.selection.planted import planted
from tests.unit.review.selection.stored import change, finished_review
from tests.unit.review.selection.test_flow import problems, selection


def said_next(text: str) -> str:
    (line,) = [line for line in text.splitlines() if "next: " in line]
    return line


def commands_in(text: str) -> list[list[str]]:
    return [shlex.split(found)[1:] for found in re.findall(r"'(metakit [^']*)'", text)]


def type_into(path: Path, cells) -> None:
    book = openpyxl.load_workbook(path)
    sheet = book.active
    head = [str(cell.value) for cell in sheet[1]]
    for row in range(2, sheet.max_row + 1):
        known = {name: sheet.cell(row, at).value for at, name in enumerate(head, start=1)}
        for name, value in cells(known).items():
            sheet.cell(row, head.index(name) + 1).value = value
    book.save(path)


@pytest.mark.lengthy
def test_eight_commands_each_named_by_the_one_before(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    new_review(Path("rev"))
    given = planted(5, papers=30, records=48).citations
    for name, part in (("one", given[:30]), ("two", given[30:])):
        with Path(f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
            out = csv.writer(stream)
            columns = ["title", "authors", "year", "journal", "doi", "volume", "pages"]
            out.writerow(columns)
            out.writerows([[getattr(citation, field) for field in columns] for citation in part])
    steps = 0

    def step(arguments: list[str]) -> str:
        nonlocal steps
        steps += 1
        assert run(app, arguments) == 0, (arguments, capsys.readouterr().err)
        return said_next(capsys.readouterr().err)

    told = step(["collect", "one.csv", "two.csv", "--into", "rev"])
    asked = Path("rev/reconcile/perhaps_the_same.xlsx")
    type_into(asked, lambda row: {"same": "y" if row["likeness"] == "0" else "n"})
    for log in Path("rev/selection/searches").glob("*.yaml"):  # described meanwhile
        text = log.read_text(encoding="utf-8")
        for field, value in (("kind", "database"), ("date", "2026-01-03"), ("strategy", '"thumb"')):
            text = text.replace(f"\n{field}:\n", f"\n{field}: {value}\n")
        log.write_text(text, encoding="utf-8")
    (command,) = commands_in(told)
    lists, collect = commands_in(step(command))
    assert collect in commands_in(step(lists))

    def title(row: dict[str, str], person: str) -> dict[str, str]:
        number = int(row["citation_id"][1:])
        said = "include" if number % 3 == 0 else "exclude"
        if number % 10 == 0 and person == "AB":
            said = "unsure"
        if number % 11 == 0 and person == "CD":
            said = "include"
        return {"decision": said}

    for person in ("AB", "CD"):
        type_into(Path(f"lists/{person}_title_abstract.xlsx"), lambda row, person=person: title(row, person))
    (settle,) = commands_in(step(collect))

    def decide() -> None:
        path = Path("rev/reconcile/screening.csv")
        rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
        assert rows and not any("unsure" == row["first_decision"] != row["second_decision"] for row in rows)
        with path.open("w", encoding="utf-8", newline="") as stream:
            out = csv.DictWriter(stream, rows[0])
            out.writeheader()
            more = {"decision": "include", "decided_by": "EF", "decided_on": "2026-01-09"}
            out.writerows([row | more for row in rows])

    decide()
    lists, collect = commands_in(step(settle))
    step(lists)

    def text(row: dict[str, str], person: str) -> dict[str, str]:
        number = int(row["citation_id"][1:])
        if number == 12 or (number % 2 and person == "CD" and number == 33):
            return {
                "decision": "include" if person == "AB" else "exclude",
                "reason": "" if person == "AB" else "language",
            }
        said = {9: "one_study", 15: "one_study", 21: "first; second"}.get(number, "")
        if number in (9, 15, 21, 3):
            return {"decision": "include", "study": said}
        return {"decision": "exclude", "reason": "other_design"}

    for person in ("AB", "CD"):
        type_into(Path(f"lists/{person}_full_text.xlsx"), lambda row, person=person: text(row, person))
    (settle,) = commands_in(step(collect))
    decide()
    step(settle)
    assert steps == 8
    assert Path("rev/selection/flow_diagram.svg").read_text(encoding="utf-8").startswith("<?xml")
    chosen = selection(Path("rev"))
    assert chosen.flow is not None
    included = chosen.records_of_citation
    named = {name: found for name, found in included.items() if name in ("C0009", "C0015", "C0021")}
    assert (
        named
        == {
            name: found
            for name, found in {
                "C0009": ("one_study",),
                "C0015": ("one_study",),
                "C0021": ("first", "second"),
            }.items()
            if name in included
        }
        and named
    )
    assert chosen.flow.included_reports == len(included)
    assert chosen.flow.included_studies == len({study for found in included.values() for study in found})
    assert not [p for p in problems(Path("rev")) if p.severity == "error"]
    events = {event["event"] for event in read_history(Path("rev"))[0]}
    assert {
        "search_imported",
        "repeats_decided",
        "screening_collected",
        "screening_adjudicated",
        "included_named",
    } == events


@pytest.mark.parametrize(
    "field", ["kind: database", "date: 2026-01-03", "strategy: |\n  1 thumb\n  2 trapez*"]
)
def test_a_search_that_lacks_any_of_its_description_is_asked_for_it(tmp_path: Path, field: str) -> None:
    review = finished_review(tmp_path / "review")
    assert "one record for each study" in next_step(review, selection(review))
    change(review, "searches/database_a.yaml", field, f"{field.split(':')[0]}:")
    assert "fill in kind, date and strategy" in next_step(review, selection(review))


def test_what_comes_next_after_the_lists_is_to_settle_disagreements(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "screening_agreed.csv", "C0004,title_abstract,exclude,,,,EF,2026-01-07\n", "")
    assert "settle the disagreements in" in next_step(review, selection(review))
    change(review, "screening_CD.csv", "C0003,title_abstract,exclude,,,,,2026-01-05\n", "")
    said = next_step(review, selection(review))
    assert "--person CD'" in said and "lists of title and abstract" in said
    (review / "selection" / "screening_CD.csv").unlink()
    change(review, "screening_AB.csv", "C0003,title_abstract,exclude,,,,,2026-01-05\n", "")
    said = next_step(review, selection(review))
    assert "--person AB'" in said and "a second person screens too: --person INITIALS in place of AB" in said


def test_open_questions_about_repeats_come_first(tmp_path: Path) -> None:
    review = finished_review(tmp_path / "review")
    change(review, "removed.csv", "C0006,duplicate,C0001", "C0006,perhaps_duplicate,C0001")
    change(review, "removed.csv", ",100,yes", ",100,")
    path = review / "reconcile" / "perhaps_the_same.xlsx"
    assert next_step(review, selection(review)) == (
        f"next: answer y or n in {path}, then 'metakit collect {path} --into {review}'"
    )
