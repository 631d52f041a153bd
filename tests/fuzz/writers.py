"""Every command that writes, on a small invented review in the state that the command needs."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import openpyxl

from tests.short_plan import with_only

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_studies"
TWICE = ("DEMO-01_quillmere", "DEMO-02_brackenhythe")
"""Studies typed by both people and decided."""
AGREED = ("DEMO-03_velloway", "DEMO-05_marrowfen")
TYPED = "DEMO-04_pellaster"
"""A study that comes by workbook."""
TABLE = "study,events_1,total_1,events_2,total_2\nAlder,3,40,5,41\nBram,4,44,6,45\nCawd,2,60,7,61\n"
NETWORK = """study,technique,events,total
Alderwick,trapeziectomy,6,30
Alderwick,trapeziectomy+suspension,4,29
Bramhope,trapeziectomy,9,40
Bramhope,trapeziectomy+ball,8,41
Cawdale,trapeziectomy+suspension,5,52
Cawdale,trapeziectomy+ball,7,50
"""
RETURNS = "study,cause,thumbs,total\nAlderwick,residual bone,4,80\nBramhope,residual bone,3,60\n"
UNIT = """form: unit
form_version: 1
unit: {name: Invented hand unit, date: 2026-02-10, invented: yes}
volume: {thumbs_a_year: 120, lowest: 95, highest: 140}
time: {years_followed: 5, lowest: 2, highest: 8, years_operating: 10}
techniques:
  - {id: alone, technique: trapeziectomy, label: "trapeziectomy alone"}
  - {id: lrti, technique: lrti, label: LRTI}
current_technique: alone
outcomes:
  - outcome: any_complication
    weight: 2
    baseline: {events: 21, thumbs: 96, months: 12, kind: unit_audit, source: "audit of the unit (invented)"}
    effects:
      - {technique: lrti, analysis: complications_lrti}
seed: 20260210
"""
TITLES = (
    "Ligament sling after removal of the trapezium", "Ball and socket prosthesis of the thumb base",
    "Fusion of the thumb base in manual workers", "Hand therapy after operations of the thumb",
    "Pyrocarbon between metacarpal and scaphoid", "Suture button in place of a tendon",
)  # fmt: skip
Run = Callable[..., object]
"""Carry a command out; its arguments, then the folder to stand in."""


@dataclass(frozen=True, slots=True)
class Writer:
    """A command within the working folder, the state it starts from, and whether it is asked for once only."""

    name: str
    arguments: tuple[str, ...]
    state: str = "typed"
    once: bool = False
    """Whether a second run is refused because the first has done it (`new`, `sheet`)."""


WRITERS = (
    Writer("new", ("new", "other"), once=True),
    Writer("new_invented", ("new", "other", "--invented"), once=True),
    Writer("sheet", ("sheet", "one.xlsx", "--review", "rev"), once=True),
    Writer("sheet_folder", ("sheet", "many", "--csv", "--record", "given/records/typed.yaml"), once=True),
    Writer("sheet_protocol", ("sheet", "plan.xlsx", "--protocol", "rev"), once=True),
    Writer("sheet_screening", ("sheet", "lists", "--screening", "rev", "--person", "AB", "--person", "CD"), "searched", once=True),
    Writer("collect", ("collect", "given/typed.xlsx", "--into", "rev")),
    Writer("collect_extractor", ("collect", "given/alone.xlsx", "--into", "rev", "--extractor", "AB")),
    Writer("collect_bad", ("collect", "given/bad.xlsx", "--into", "rev")),
    Writer("collect_protocol", ("collect", "given/plan.xlsx", "--into", "rev", "--replace")),
    Writer("collect_search", ("collect", "given/both.csv", "--into", "rev")),
    Writer("collect_repeats", ("collect", "given/perhaps_the_same.xlsx", "--into", "rev"), "searched"),
    Writer("collect_screening", ("collect", "given/AB.csv", "given/CD.csv", "--into", "rev"), "searched"),
    Writer("reconcile", ("reconcile", "rev")),
    Writer("reconcile_decisions", ("reconcile", "rev", "--decisions", "given/decisions.csv")),
    Writer("reconcile_screening", ("reconcile", "rev", "--decisions", "given/screening.csv"), "screened"),
    Writer("plan", ("plan", "rev", "--record")),
    Writer("certainty", ("certainty", "rev")),
    Writer("report", ("report", "rev", "--word", "--bundle")),
    Writer("decide", ("decide", "rev", "given/unit.yaml", "--out", "unit")),
    Writer("decide_empty", ("decide", "rev", "unit.yaml", "--empty"), once=True),
    Writer("draw", ("draw", "given/table.csv", "--measure", "risk_ratio", "--to", "forest.svg")),
    Writer("pool", ("pool", "given/table.csv", "--measure", "risk_ratio", "--save", "answer.xlsx")),
    Writer("explore", ("explore", "given/table.csv", "--measure", "risk_ratio", "--leave-one-out", "--save", "explored.docx")),
    Writer("network", ("network", "given/network.csv", "--measure", "risk_ratio", "--save", "network.csv")),
    Writer("network_figure", ("network", "given/network.csv", "--measure", "risk_ratio", "--figure", "geometry", "--to", "network.pdf")),
    Writer("causes", ("causes", "given/returns.csv", "--save", "causes.xlsx")),
    Writer("check", ("check", "--form", "study", "--json-schema", "study.json")),
)  # fmt: skip


def _typed(home: Path) -> None:
    """Make a review with records, two people's records, and everything that can be given to a command."""
    given, review = home / "given", home / "rev"
    for name in ("records", *(f"extractors/{who}" for who in ("AB", "CD"))):
        (review / name).mkdir(parents=True)
    (given / "records").mkdir(parents=True)
    plan = with_only((DEMO / "protocol.yaml").read_text(encoding="utf-8"), {"complications_lrti"})
    (review / "protocol.yaml").write_text(plan, encoding="utf-8")
    for name in AGREED:
        shutil.copy(DEMO / "records" / f"{name}.yaml", review / "records")
    for who in ("AB", "CD"):
        for name in TWICE:
            shutil.copy(DEMO / "extractors" / who / f"{name}.yaml", review / "extractors" / who)
    shutil.copy(DEMO / "records" / f"{TYPED}.yaml", given / "records" / "typed.yaml")
    shutil.copy(DEMO / "extractors" / "AB" / f"{TYPED}.yaml", given / "records" / "alone.yaml")
    (given / "unit.yaml").write_text(UNIT, encoding="utf-8")
    rows = (DEMO / "reconcile" / "decisions.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in rows if line.startswith(("study,", "DEMO-01,", "DEMO-02,"))]
    (given / "decisions.csv").write_text("".join(kept), encoding="utf-8")
    for name, text in (("table", TABLE), ("network", NETWORK), ("returns", RETURNS)):
        (given / f"{name}.csv").write_text(text, encoding="utf-8")
    head = "title,authors,year,journal\n"
    lines = [f'{title},"Quillmere, A",{2000 + n},Invented Journal\n' for n, title in enumerate(TITLES)]
    (given / "one.csv").write_text(head + "".join(lines[:4]), encoding="utf-8")
    near = f'{TITLES[0]} of the hand,"Quillmere, A",2000,Invented Journal\n'
    (given / "two.csv").write_text(head + near + "".join(lines[3:]), encoding="utf-8")
    (given / "both.csv").write_text(head + near + "".join(lines), encoding="utf-8")


def _books(home: Path, run: Run) -> None:
    """Make the workbooks that are given back."""
    given = home / "given"
    for name in ("typed", "alone"):
        run("sheet", f"given/{name}.xlsx", "--record", f"given/records/{name}.yaml")
    book = openpyxl.load_workbook(given / "typed.xlsx")
    for row in book["study"].iter_rows():
        for cell in row:
            if cell.value == "year *" or cell.value == "year":
                row[cell.column].value = "twenty"
    book.save(given / "bad.xlsx")
    run("sheet", "given/plan.xlsx", "--protocol", "rev")
    book = openpyxl.load_workbook(given / "plan.xlsx")
    changed = False
    for row in book["review"].iter_rows():
        for cell in row:
            if str(cell.value).rstrip(" *") in ("title", "review title"):
                row[cell.column].value = "Another title of an invented review"
                changed = True
    assert changed
    book.save(given / "plan.xlsx")


def _decide(path: Path, into: Path, answer: Callable[[dict[str, str]], dict[str, str]]) -> None:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert rows, path
    with into.open("w", encoding="utf-8", newline="") as stream:
        out = csv.DictWriter(stream, rows[0], lineterminator="\n")
        out.writeheader()
        out.writerows([row | answer(row) for row in rows])


def _searched(home: Path, run: Run) -> None:
    run("collect", "given/one.csv", "given/two.csv", "--into", "rev")
    book = openpyxl.load_workbook(home / "rev" / "reconcile" / "perhaps_the_same.xlsx")
    sheet = book.active
    assert sheet is not None
    head = [str(cell.value) for cell in sheet[1]]
    for row in range(2, sheet.max_row + 1):
        sheet.cell(row, head.index("same") + 1).value = "n"
    book.save(home / "given" / "perhaps_the_same.xlsx")
    for who, kept in (("AB", "13"), ("CD", "137")):
        run("sheet", f"given/{who}_list.csv", "--screening", "rev", "--person", who)
        _decide(
            home / "given" / f"{who}_list.csv",
            home / "given" / f"{who}.csv",
            lambda row, kept=kept: {"decision": "include" if row["citation_id"][-1] in kept else "exclude"},
        )
        (home / "given" / f"{who}_list.csv").unlink()


def _screened(home: Path, run: Run) -> None:
    run("collect", "given/AB.csv", "given/CD.csv", "--into", "rev")
    more = {"decision": "include", "decided_by": "EF", "decided_on": "2026-01-09"}
    _decide(home / "rev/reconcile/screening.csv", home / "given/screening.csv", lambda row: more)


def make_states(home: Path, run: Run) -> dict[str, Path]:
    """Return a folder for each state that a writer starts from; `run` carries a command out in a folder."""
    states = {name: home / name for name in ("typed", "searched", "screened")}

    def within(folder: Path) -> Run:
        return lambda *arguments: run(list(arguments), folder)

    _typed(states["typed"])
    _books(states["typed"], within(states["typed"]))
    shutil.copytree(states["typed"], states["searched"])
    _searched(states["searched"], within(states["searched"]))
    shutil.copytree(states["searched"], states["screened"])
    _screened(states["screened"], within(states["screened"]))
    return states
