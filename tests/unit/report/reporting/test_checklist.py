"""Reporting checklists: every item of the statements is there once, and its state follows from what the review holds."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
from docx import Document

from metakit.core.bibliography import reference
from metakit.report.drawing.figures import ReportFigures
from metakit.report.page import Page
from metakit.report.registry import SECTIONS
from metakit.report.reporting.checklist import (
    CHECKS,
    STATE_WORDS,
    Checklist,
    blanks,
    checklists,
    items_of,
    prisma_2020,
)
from metakit.report.reporting.checklist_files import checklist_csv, checklist_document, state_counts
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise
from tests.unit.synthesis.invented import Folder, plan, protocol, trial

# Page and others 2021, BMJ 372:n71, table 1: 27 items, seven of them in parts (42 lines). Numbers from memory.
PRISMA_2020 = [
    "1",
    "2",
    "3",
    "4",
    "5",
    "6",
    "7",
    "8",
    "9",
    "10a",
    "10b",
    "11",
    "12",
    "13a",
    "13b",
    "13c",
    "13d",
    "13e",
    "13f",
    "14",
    "15",
    "16a",
    "16b",
    "17",
    "18",
    "19",
    "20a",
    "20b",
    "20c",
    "20d",
    "21",
    "22",
    "23a",
    "23b",
    "23c",
    "23d",
    "24a",
    "24b",
    "24c",
    "25",
    "26",
    "27",
]
# Hutton and others 2015, Ann Intern Med 162:777, table: the 27 items of 2009 and S1 to S5 (32 lines). Numbers from memory.
NETWORK = [
    "1",
    "2",
    "3",
    "4",
    "5",
    "6",
    "7",
    "8",
    "9",
    "10",
    "11",
    "S1",
    "12",
    "13",
    "14",
    "S2",
    "15",
    "16",
    "17",
    "S3",
    "S4",
    "18",
    "19",
    "20",
    "21",
    "S5",
    "22",
    "23",
    "24",
    "25",
    "26",
    "27",
]


def page_of(findings: Findings) -> Page:
    return Page(findings=findings, figures=ReportFigures(overview=None, overview_parts=(), results=()))


def carried_out(**facts) -> Findings:
    studies = tuple(trial(str(n), 4 + n, 7) for n in range(4))
    return synthesise(Folder(protocol=protocol(plan(), **facts), studies=studies))


def states(findings: Findings) -> dict[str, str]:
    return {item.number: item.found.state for item in prisma_2020(page_of(findings)).items}


@pytest.mark.parametrize(("name", "numbers"), [("prisma_2020", PRISMA_2020), ("prisma_network", NETWORK)])
def test_every_item_of_the_statement_is_there_once(name: str, numbers: list[str]) -> None:
    head, items = items_of(name)
    assert [item["number"] for item in items] == numbers
    assert reference(head["reference"]).title
    for item in items:
        assert item["check"] in CHECKS
        assert set(item) == {"number", "section", "topic", "words", "check"}
        assert len(item["words"]) < 110, "our own short words"


def test_every_check_is_used_and_none_is_missing() -> None:
    used = {item["check"] for name in ("prisma_2020", "prisma_network") for item in items_of(name)[1]}
    assert used == set(CHECKS.names())


def test_what_only_people_can_write_is_blank_and_never_passed() -> None:
    found = states(carried_out())
    for number in ("2", "3", "23a", "23b", "23c", "23d", "25", "26"):
        assert found[number] == "blank"
    for number in ("4", "5"):  # typed texts: a person judges whether they say enough
        assert found[number] in {"typed", "in_part"}


def test_states_follow_from_the_review() -> None:
    found = carried_out()
    bare = states(found)
    assert bare["6"] == bare["7"] == bare["16a"] == "blank", "no selection is documented"
    assert bare["20b"] == bare["12"] == bare["19"] == "answered"
    assert bare["11"] == bare["18"] == "blank", "no study was appraised"
    assert bare["24a"] == "blank"
    assert bare["1"] == "in_part"
    fields = {
        "review": {"registration": "register, number 12"},
        "eligibility": {"designs": ["a"], "excluded": "b"},
    }
    told = states(carried_out(title="A systematic review", fields=fields))
    assert told["24a"] == told["1"] == told["5"] == "typed"
    empty = states(replace(found, studies=(), analyses=()))
    assert empty["17"] == empty["12"] == empty["20b"] == empty["22"] == "blank"


# Page and others 2021, items 24b and 25 to 27 (from memory): where the protocol is, support, interests, data and code.
@pytest.mark.lengthy
def test_openness_is_answered_by_what_the_authors_state() -> None:
    bare = states(carried_out())
    assert (bare["24b"], bare["25"], bare["26"], bare["27"]) == ("in_part", "blank", "blank", "in_part")
    told = {
        "protocol_available": "a register",
        "funding": "none",
        "competing_interests": "none",
        "data_available": "on request",
    }
    some = states(carried_out(fields={"review": told}))
    assert (some["24b"], some["25"], some["26"], some["27"]) == ("typed", "typed", "typed", "in_part")
    told["code_available"] = "with the data"
    assert states(carried_out(fields={"review": told}))["27"] == "typed"


def test_not_reported_in_the_protocol_is_no_answer() -> None:
    assert states(carried_out(fields={"review": {"registration": "not_reported"}}))["24a"] == "blank"


def test_places_are_titles_of_the_report(demo: tuple[Checklist, ...]) -> None:
    titles = {section.title for section in SECTIONS}
    for found in demo:
        for item in found.items:
            assert (item.found.state == "blank") is (not item.found.where) or item.found.remark
            for place in item.found.where:
                if place.startswith("report: ") and place != "report: title":
                    assert place.removeprefix("report: ").split(", ")[0] in titles, place


@pytest.fixture(scope="module")
def demo() -> tuple[Checklist, ...]:
    return checklists(page_of(carried_out(fields={"amendments": [{"what": "x"}]})))


def test_csv_has_every_item_and_no_formula(demo: tuple[Checklist, ...]) -> None:
    rows = list(csv.DictReader(io.StringIO(checklist_csv(demo, invented=True))))
    assert [row["item"] for row in rows] == PRISMA_2020
    assert {row["state"] for row in rows} <= set(STATE_WORDS.values())
    assert all("INVENTED" in row["note"] for row in rows)
    assert "note" not in checklist_csv(demo, invented=False).splitlines()[0]


def test_word_document_has_a_row_an_item_and_flags_blanks(demo: tuple[Checklist, ...]) -> None:
    content = checklist_document(demo, title="Any", invented=True)
    assert content == checklist_document(demo, title="Any", invented=True)
    document = Document(io.BytesIO(content))
    (table,) = document.tables
    numbers = [row.cells[0].text for row in table.rows]
    assert [number for number in numbers if number in PRISMA_2020] == PRISMA_2020
    assert sum(row.cells[2].text == "BLANK" for row in table.rows) == len(blanks(demo[0]))
    assert "42 items" in state_counts(demo[0])


def test_network_extension_comes_with_a_planned_network_only(demo: tuple[Checklist, ...]) -> None:
    assert [found.name for found in demo] == ["prisma_2020"]
