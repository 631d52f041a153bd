"""A review of the first MTP joint from an empty folder to a decision: nothing of the thumb anywhere on the way.

The review is invented here: three studies of spur removal against a joint implant, typed by two people into
workbooks. What a reader sees (command output, pages, Word, CSV, JSON, figures, workbooks, the desk) is searched.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import openpyxl
import pytest

from metakit.forms.library import use_forms_of
from tests.unit.desk.desks import visitor

pytestmark = pytest.mark.walk
OF_THUMBS = re.compile(
    r"thumb(?!nail)|trapezi|trapezo|scapho|metacarp|osteophyt|\bmp\b|\bmp_|(?-i:\bDASH\b)|quickdash|\blrti\b|pinch|\bst_|"
    r"hand surg|wrist|hyperext|mp joint|\bgrip\b|eaton",
    re.IGNORECASE,
)
PLAN = """form: protocol
form_version: 1
review:
  id: my_toes
  title: "Spur removal or implant for the big toe: invented for a test"
  question: "In adults with arthritis of the first MTP joint, does an implant lead to fewer reoperations than spur removal?"
  date: 2026-01-05
  invented: yes
population: "Adults with painful arthritis of the first MTP joint (invented)"
unit_of_analysis: toes
icc: 0.3
outcomes:
  - {outcome: foot_reoperation, importance: critical, window: 12_months, smallest_important_difference: 5, smallest_important_difference_source: "invented panel"}
  - {outcome: foot_score, importance: important, window: 12_months, smallest_important_difference: 10, smallest_important_difference_source: "invented panel"}
comparisons:
  - {id: implant_vs_spur, label: implant against spur removal, technique: [joint_implant], technique_label: joint implant, comparator: [spur_removal], comparator_label: spur removal}
analyses:
  - {id: again, outcome: foot_reoperation, comparison: implant_vs_spur, measure: risk_ratio}
  - {id: score, outcome: foot_score, comparison: implant_vs_spur, measure: mean_difference}
"""
STUDY = """form: study
form_version: 1
study: {{id: {id}, label: "{label} {year}", citation: "Invented report of {label}", year: {year}, report_type: full_report, cohort: {cohort}}}
extraction: {{extractor: AB, date: 2026-02-0{number}, status: single}}
design: {{type: randomised, allocation_unit: patient, within_person: no, blinding: assessors}}
arms:
  - {{id: A, label: Joint implant, technique: joint_implant, patients: {{analysed: {n1}}}, toes: {{analysed: {n1}}}, follow_up: {{mean: 13, minimum: 11, maximum: 16, unit: months}}}}
  - {{id: B, label: Spur removal, technique: spur_removal, patients: {{analysed: {n2}}}, toes: {{analysed: {n2}}}, follow_up: {{mean: 13, minimum: 11, maximum: 16, unit: months}}}}
outcomes:
  - {{arm: A, outcome: foot_reoperation, time: {{value: 12, unit: months}}, unit_of_analysis: toes, reporting: reported, definition: reoperation_as_reported, author_definition: any reoperation, events: {e1}, total: {n1}, counted: per_toe}}
  - {{arm: B, outcome: foot_reoperation, time: {{value: 12, unit: months}}, unit_of_analysis: toes, reporting: reported, definition: reoperation_as_reported, author_definition: any reoperation, events: {e2}, total: {n2}, counted: per_toe}}
  - {{arm: A, outcome: foot_score, time: {{value: 12, unit: months}}, unit_of_analysis: patients, reporting: reported, kind: final, n: {n1}, mean: 77.5, standard_deviation: 12.5}}
  - {{arm: B, outcome: foot_score, time: {{value: 12, unit: months}}, unit_of_analysis: patients, reporting: reported, kind: final, n: {n2}, mean: 74.5, standard_deviation: 13.5}}
returns:
  - {{arm: A, kind: operation, count: {e1}, total: {n1}, causes_overlap: no}}
return_causes:
  - {{arm: A, kind: operation, cause: implant_loose, count: {e1}, as_reported: loosening}}
funding: {{funder: none_declared, implant_company_tie: unclear, designer_author: unclear}}
"""
NUMBERS = (
    ("T-1", "Aldgrove", 4, 31, 7, 33),
    ("T-2", "Birchfold", 3, 40, 8, 41),
    ("T-3", "Cressmere", 6, 52, 9, 50),
)
UNIT = """form: unit
form_version: 1
unit: {name: "Invented foot unit", invented: yes}
volume: {toes_a_year: 60}
time: {years_followed: 2}
techniques:
  - {id: now, technique: spur_removal, label: spur removal, theatre_minutes: 40}
  - {id: implant, technique: joint_implant, label: joint implant, theatre_minutes: 60, learning: {toes: 10, extra_minutes: 15, source: invented log book}}
current_technique: now
outcomes:
  - outcome: foot_reoperation
    baseline: {events: 11, toes: 58, months: 12, kind: unit_audit, source: "audit of the invented unit"}
    effects: [{technique: implant, analysis: again}]
returns_by_cause:
  - {cause: too_stiff, toes: 4, toe_years: 110}
case_mix:
  - {id: workers, label: Heavy work standing, kind: demand, share: 30, effects: [{outcome: foot_reoperation, rate_ratio: 1.4, source: assumption of the unit's surgeons}]}
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.chdir(tmp_path)
    yield tmp_path
    use_forms_of(tmp_path)


def read_by_people(path: Path) -> str:
    """Return what a reader of a file sees: texts of pages, of Word, of cells, their comments and messages."""
    if path.suffix in (".docx", ".xlsx"):
        with zipfile.ZipFile(path) as package:
            parts = [package.read(name).decode() for name in package.namelist() if name.endswith(".xml")]
        text = " ".join(parts)
        if path.suffix == ".xlsx":  # names of styles and parts are not read, messages in attributes are
            shown = re.findall(r'(?:prompt|promptTitle|error|errorTitle)="([^"]*)"', text)
            return unescape(" ".join((*shown, re.sub("<[^>]*>", " ", text))))
    else:
        text = path.read_text(encoding="utf-8")
    if path.suffix in (".html", ".docx", ".svg"):
        text = re.sub(r"<(script|style)\b.*?</\1>", " ", text, flags=re.DOTALL)
        titles = re.findall(r'(?:title|aria-label|alt)="([^"]*)"', text)
        text = unescape(" ".join((*titles, re.sub(r"<[^>]*>", " ", text))))
    return text


def of_thumbs(text: str) -> list[str]:
    return [text[max(0, found.start() - 40) : found.end() + 40] for found in OF_THUMBS.finditer(text)]


def changed(path: Path, sheet: str, old: object, new: object) -> None:
    """Type another value into the first cell of a sheet that holds one, as a person would."""
    book = openpyxl.load_workbook(path)
    cell = next(cell for row in book[sheet].iter_rows() for cell in row if cell.value == old)
    cell.value = new
    book.save(path)


def retyped(path: Path, sheet: str, field: str, old: object, new: object) -> None:
    """Type another value beside a field."""
    book = openpyxl.load_workbook(path)
    line = next(row for row in book[sheet].iter_rows() if str(row[0].value).startswith(field))
    next(cell for cell in line if cell.value == old).value = new
    book.save(path)


def test_toes_go_the_whole_way(metakit_command, home: Path) -> None:
    heard: list[str] = []

    def told(*arguments: str | Path, status: int = 0) -> str:
        said = metakit_command(*arguments)
        assert said.status == status, (arguments, said.err)
        heard.append(f"{arguments}: {said.out} {said.err}")
        return said.out + said.err

    # An empty review, its plan by workbook, a sheet a study.
    told("new", "my_toes", "--forms", "first_mtp")
    told("check", "my_toes", status=1)
    (home / "my_toes" / "records" / "study_01.yaml").unlink()
    (home / "my_toes" / "protocol.yaml").write_text(PLAN, encoding="utf-8")
    told("sheet", "plan.xlsx", "--protocol", "my_toes")
    changed(home / "plan.xlsx", "general", 0.3, 0.2)
    told("collect", "plan.xlsx", "--into", "my_toes")
    planned = (home / "my_toes" / "protocol.yaml").read_text(encoding="utf-8")
    assert "icc: 0.2" in planned and "  id: my_toes\n" in planned and "unit_of_analysis: toes" in planned
    told("sheet", "blank.xlsx", "--review", "my_toes")

    # Two people type three studies; they differ in one number.
    for number, (study, label, e1, n1, e2, n2) in enumerate(NUMBERS, 1):
        words = STUDY.format(
            id=study, label=label, cohort=label.lower(), year=2016 + number, number=number,
            e1=e1, n1=n1, e2=e2, n2=n2,
        )  # fmt: skip
        for person in ("AB", "CD"):
            draft = home / "drafts" / person / f"{study}.yaml"
            draft.parent.mkdir(parents=True, exist_ok=True)
            draft.write_text(words.replace("extractor: AB", f"extractor: {person}"), encoding="utf-8")
            told("sheet", f"{person}/{study}.xlsx", "--record", draft, "--review", "my_toes")
    changed(home / "CD" / "T-2.xlsx", "outcomes", 77.5, 75.7)
    retyped(home / "CD" / "T-3.xlsx", "arms", "toes: analysed", 52, 53)
    for person in ("AB", "CD"):
        books = sorted((home / person).glob("*.xlsx"))
        told("collect", *books, "--into", "my_toes", "--extractor", person)
    assert "toes" in (home / "my_toes" / "extractors" / "CD" / "T-2.yaml").read_text(encoding="utf-8")
    told("reconcile", "my_toes")
    decisions = home / "my_toes" / "reconcile" / "decisions.xlsx"
    book = openpyxl.load_workbook(decisions)
    rows = book["decisions"]
    heads = [cell.value for cell in rows[1]]
    fields = [rows.cell(line, heads.index("field") + 1).value for line in range(2, rows.max_row + 1)]
    assert {"arms[A].toes.analysed", "outcomes[A/foot_score/final/12/months].mean"} == set(fields)
    filled = {"decision": "AB", "decided by": "EF", "decided on": "2026-02-20", "reason": "table 2"}
    for line in range(2, rows.max_row + 1):
        for head, value in filled.items():
            rows.cell(line, heads.index(head) + 1).value = value
    book.save(decisions)
    told("reconcile", "my_toes", "--decisions", decisions)
    assert len(list((home / "my_toes" / "records").glob("*.yaml"))) == 3
    assert "changed by hand" not in told("check", "my_toes")
    told("plan", "my_toes")

    # The answers.
    told("certainty", "my_toes")
    told("report", "my_toes", "--out", "report", "--word")
    told("trace", "my_toes", "--study", "T-2", "--outcome", "foot_score")
    (home / "why.csv").write_text(
        "study,cause,toes,total\nA,too_stiff,3,40\nA,not_stated,1,40\nB,implant_loose,2,50\n",
        encoding="utf-8",
    )
    assert "toes" in told("causes", "why.csv", "--review", "my_toes")
    told("sheet", "unit.xlsx", "--unit", "--review", "my_toes")
    told("decide", "my_toes", "empty.yaml", "--empty")
    (home / "unit.yaml").write_text(UNIT, encoding="utf-8")
    assert "of a year's 60 toes, plan for" in told("decide", "my_toes", "unit.yaml", "--out", "page")
    told("sheet", "filled.xlsx", "--form", "unit", "--record", "unit.yaml", "--review", "my_toes")
    assert "60 toes" in told("decide", "my_toes", "filled.xlsx", "--out", "page2")

    # Wrong input is told in its own words.
    record = home / "my_toes" / "records" / "T-1.yaml"
    right = record.read_text(encoding="utf-8")
    assert "toes: {analysed: 31}" in right or "toes:\n" in right
    record.write_text(re.sub(r"(toes:\s*\{?\s*analysed: )31", r"\g<1>-31", right), encoding="utf-8")
    assert "toes" in told("check", "my_toes", status=1)
    record.write_text(right, encoding="utf-8")

    # The desk shows the same.
    (home / "my_toes" / "unit.yaml").write_text(UNIT, encoding="utf-8")
    desk = visitor(home / "my_toes")
    ways = {"/"}
    seen: set[str] = set()
    while ways - seen and len(seen) < 90:
        way = min(ways - seen)
        seen.add(way)
        answer = desk.get(way)
        if answer.status_code == 200 and "text/html" in answer.headers["content-type"]:
            page = home / "desk" / f"{len(seen)}.html"
            page.parent.mkdir(exist_ok=True)
            page.write_text(f"<title>{way}</title>{answer.text}", encoding="utf-8")
            ways |= {link for link in re.findall(r'href="(/[^"#?]*)"', answer.text) if "/static/" not in link}
        else:
            assert answer.status_code in (200, 303), (way, answer.text[:300])
    assert len(seen) > 50

    # Nothing of the thumb in what anybody hears or reads.
    assert [leak for words in heard for leak in of_thumbs(words)] == []
    kinds = {".html", ".docx", ".xlsx", ".svg", ".csv", ".json", ".md", ".txt", ".yaml"}
    read = [path for path in sorted(home.rglob("*")) if path.suffix in kinds and "forms" not in path.parts]
    assert {path.suffix for path in read} >= {".html", ".docx", ".xlsx", ".svg", ".csv", ".json", ".yaml"}
    leaks = {
        path.relative_to(home).as_posix(): found
        for path in read
        if (found := of_thumbs(read_by_people(path)))
    }
    assert leaks == {}
    assert not [path for path in home.rglob("*") if "thumb" in path.name]
    assert "toes" in read_by_people(home / "report" / "report.html")
