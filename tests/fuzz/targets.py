"""Every reader that takes a file: a sound file to damage, and how it is read, with what it says about values."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from metakit.errors import Problem
from metakit.forms.library import Library, shipped
from tests.fuzz.independent import csv_texts, differs, number_in, pairs, yaml_texts

ROOT = Path(__file__).resolve().parents[2]
DEMO, FORMS = ROOT / "demo_studies", ROOT / "extraction_forms"
TABLE = (
    "study,year,events_1,total_1,events_2,total_2\nA,2001,3,40,5,41\nB,2003,0,22,2,20\n"
    'C,2004,12,110,19,108\n"D, E",2010,7,61,9,64\nF,2011,1,35,4,33\n'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """`read` returns the problems told and every value that differs from its text without a word."""

    name: str
    file: str
    content: Callable[[], bytes]
    read: Callable[[Path], tuple[Iterable[Problem], list[str]]]


def _table(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.forms.sheets.tables import numeric_columns
    from metakit.measures.converting.printed import table_of_file

    table = table_of_file(path, "risk_ratio")
    names = [name for name in ("events_1", "total_1", "events_2", "total_2") if name in table.columns]
    numbers = numeric_columns(table, names)
    if table.told:  # not read literally, and said so
        return (), []
    typed = csv_texts(path.read_bytes())
    silent = [
        f"{name} row {row}: {typed[row].get(name)!r} read as {value}"
        for name, values in numbers.items()
        for row, value in enumerate(values)
        if number_in(typed[row].get(name, "").replace("\u2212", "-").replace("\u2013", "-")) != value
    ]
    return (), silent


def _record(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.forms.records import read_record

    reading = read_record(path, shipped())
    silent: list[str] = []
    if reading.sound and reading.group is not None:
        told = {problem.line for problem in reading.problems}
        for place, read, typed in pairs(reading.group.plain(), yaml_texts(path.read_bytes())):
            name = place.rpartition(".")[2].partition("[")[0]
            if differs(read, typed) and not any(name in problem.field for problem in reading.problems):
                silent.append(f"{place}: {typed!r} read as {read!r}, lines told {sorted(filter(None, told))}")
    return reading.problems, silent


def _unit(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.decision.one_unit.unit_reading import read_unit

    return read_unit(path).questions, []


def _decisions(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.review.reconciling.reconcile_decisions import read_rows

    read_rows(path)
    return (), []


def _rows(kind: str) -> Callable[[Path], tuple[Iterable[Problem], list[str]]]:
    def read(path: Path) -> tuple[Iterable[Problem], list[str]]:
        from metakit.review.selection.tables import read_table_rows

        rows = read_table_rows(path, kind)
        return rows.problems, []

    return read


def _citations(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.review.selection.citations import read_citations

    read_citations(path, search="x")
    return (), []


def _history(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.review.history import read_history

    return read_history(path.parent)[1], []


def _bundle(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.report.folders.bundle import read_bundle

    return read_bundle(path).damage, []


def _earlier(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.report.folders.changes_reading import read_earlier_report

    read_earlier_report(path)
    return (), []


def _form(path: Path) -> tuple[Iterable[Problem], list[str]]:
    Library(path.parent).load_form(path)
    return (), []


def _vocabulary(path: Path) -> tuple[Iterable[Problem], list[str]]:
    Library(path.parent.parent).vocabulary(path.stem)
    return (), []


def _workbook(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.forms.record_workbooks.assembling import assemble
    from metakit.forms.record_workbooks.layout import layout_of
    from metakit.forms.record_workbooks.reading import read_book

    return assemble(read_book(path), layout_of(shipped().form("certainty"))).problems, []


def _answers(path: Path) -> tuple[Iterable[Problem], list[str]]:
    from metakit.review.workbooks.answering import read_answers

    return read_answers(path, shipped())[1], []


@cache
def _book() -> bytes:
    from metakit.forms.record_workbooks.layout import layout_of
    from metakit.forms.record_workbooks.writing import workbook_bytes
    from metakit.forms.yaml_nodes import read_document

    root = read_document(DEMO / "certainty.yaml").root
    return workbook_bytes(layout_of(shipped().form("certainty")), {"certainty": root}, batch=False)


@cache
def _packed() -> bytes:
    import hashlib

    from metakit.report.folders.bundle import MANIFEST
    from metakit.report.folders.bundle_files import pack

    files = {
        "review/protocol.yaml": (DEMO / "protocol.yaml").read_bytes()[:2_000],
        "report/findings.json": b"{}\n",
    }
    listed = {name: {"size": len(c), "sha256": hashlib.sha256(c).hexdigest()} for name, c in files.items()}
    manifest = {
        "format": "metakit review bundle",
        "format_version": 1,
        "versions": {"metakit": "0"},
        "files": listed,
    }
    return pack({**files, MANIFEST: json.dumps(manifest).encode()})


def _of(path: Path, lines: int | None = None) -> Callable[[], bytes]:
    """Give the file, or its first lines: a few rows hold all that can be damaged, and are read faster."""
    return lambda: b"".join(path.read_bytes().splitlines(keepends=True)[:lines])


def _found() -> bytes:
    study = {"id": "S", "sha256": "0", "arms": [{"id": "A", "thumbs": 40}]}
    analysis = {"analysis": "a", "result": {"estimate": -0.2, "interval": [-0.4, 0.1], "k": 3}}
    return json.dumps({"analyses": [analysis], "studies": [study], "versions": {}}, indent=1).encode()


ANSWERS = """# my_review/records/a.yaml
answered_questions:
  # 4 of 30 = 13.33 %
  - rule: percent_matches_events
    field: "outcomes[A/any_complication/12/months].percent"
    values: "15; 4; 30; 13.33"
    answer: "page 5, so printed"
    answered_by: AB
    answered_on: 2026-05-06
# my_review/records/b.yaml
answered_questions:
  - rule: wide_follow_up
    field: "arms[A].follow_up.maximum"
    answer:
    answered_by:
    answered_on:
"""

TARGETS = (
    Target(name="table", file="t.csv", content=TABLE.encode, read=_table),
    Target(name="record", file="r.yaml", content=_of(DEMO / "records" / "DEMO-13_lanternby.yaml"), read=_record),
    Target(name="protocol", file="protocol.yaml", content=_of(DEMO / "protocol.yaml"), read=_record),
    Target(name="certainty", file="certainty.yaml", content=_of(DEMO / "certainty.yaml"), read=_record),
    Target(name="unit", file="unit.yaml", content=_of(DEMO / "unit.yaml"), read=_unit),
    Target(name="search", file="s.yaml", content=_of(DEMO / "selection/searches/trial_register.yaml"), read=_record),
    Target(name="decisions", file="d.csv", content=_of(DEMO / "reconcile" / "decisions.csv"), read=_decisions),
    Target(name="screening", file="s.csv", content=_of(DEMO / "selection" / "screening_AB.csv", 40), read=_rows("decision")),
    Target(name="removals", file="r.csv", content=_of(DEMO / "selection" / "removed.csv", 40), read=_rows("removal")),
    Target(name="ris", file="a.ris", content=_of(DEMO / "selection/searches/bibliographic_database_a.ris", 300), read=_citations),
    Target(name="bib", file="b.bib", content=_of(DEMO / "selection/searches/bibliographic_database_b.bib"), read=_citations),
    Target(name="export", file="c.csv", content=_of(DEMO / "selection/searches/trial_register.csv", 40), read=_citations),
    Target(name="history", file="history.jsonl", content=_of(DEMO / "history.jsonl"), read=_history),
    Target(name="bundle", file="b.zip", content=_packed, read=_bundle),
    Target(name="earlier", file="findings.json", content=_found, read=_earlier),
    Target(name="form", file="own.yaml", content=_of(FORMS / "certainty.yaml"), read=_form),
    Target(name="vocabulary", file="vocabularies/own.yaml", content=_of(FORMS / "vocabularies" / "units.yaml"), read=_vocabulary),
    Target(name="answers", file="a.yaml", content=ANSWERS.encode, read=_answers),
    Target(name="workbook", file="w.xlsx", content=_book, read=_workbook),
)  # fmt: skip
