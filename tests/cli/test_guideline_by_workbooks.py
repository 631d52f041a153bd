"""The guideline writer's way by workbooks, from an empty folder to a finished brief. All is invented."""

from __future__ import annotations

import json
import re
from pathlib import Path

import openpyxl
import pytest

from tests.typing import type_into

pytestmark = pytest.mark.walk

REVIEW = {
    "title": "Ligament reconstruction or none: a systematic review (invented)",
    "question": "Does LRTI lead to fewer complications than trapeziectomy alone?",
    "date": "2026-02-01",
    "invented": "yes",
}
GENERAL = {
    "population": "Adults with thumb-base arthritis (invented)",
    "unit of analysis": "thumbs",
    "icc": 0.3,
}
OUTCOMES = [
    {"outcome": "any_complication", "importance": "critical", "window": "12_months",
     "smallest important difference": 5, "smallest important difference source": "panel (invented)"},
    {"outcome": "pain_activity", "importance": "critical", "window": "12_months"},
]  # fmt: skip
COMPARISONS = [
    {"id": "lrti_t", "label": "LRTI against trapeziectomy alone", "technique": "LRTI", "technique label": "LRTI",
     "comparator": "simple trapeziectomy", "comparator label": "trapeziectomy alone"},
]  # fmt: skip
ANALYSES = [
    {"id": "complications", "outcome": "any_complication", "comparison": "lrti_t", "measure": "RR"},
    {"id": "pain", "outcome": "pain_activity", "comparison": "lrti_t", "measure": "MD"},
]
STUDIES = (
    ("alderwick", 2014, (4, 29, 1.6, 1.1), (6, 30, 1.9, 1.2)),
    ("bramhope", 2016, (3, 41, 1.5, 1.0), (9, 40, 2.1, 1.1)),
    ("dunmere", 2020, (11, 95, 1.8, 1.2), (17, 90, 2.0, 1.3)),
)


def arm(name: str, label: str, technique: str, thumbs: int, **more: object) -> dict[str, object]:
    people = {
        f"{who}: {when}": thumbs
        for who in ("patients", "thumbs")
        for when in ("allocated", "operated", "analysed")
    }
    return {
        "id": name, "label": label, "technique": technique, "MP option": "mp_none", "ST option": "st_none",
        **people, "follow up: mean": 12, "follow up: unit": "months", **more,
    }  # fmt: skip


def outcome(arm: str, name: str, **numbers: object) -> dict[str, object]:
    return {
        "arm": arm, "outcome": name, "time: value": 12, "time: unit": "months", "unit of analysis": "thumbs",
        "reporting": "reported", "source: page": "4", "source: table": "2", **numbers,
    }  # fmt: skip


def fill(path: Path, name: str, year: int, one: tuple[float, ...], two: tuple[float, ...]) -> None:
    """Type a study into its workbook."""
    rows = []
    for side, (events, total, mean, spread) in (("A", one), ("B", two)):
        counted = {"events": events, "total": total, "definition": "any_complication"}
        measured = {"kind": "final", "mean": mean, "standard deviation": spread, "n": total}
        rows += [outcome(side, "any_complication", **counted), outcome(side, "pain_activity", **measured)]
    type_into(
        path,
        {
            "study": {
                "id": name, "label": f"{name.capitalize()} {year}", "citation": f"Invented report of {name}",
                "year": year, "report type": "full_report", "cohort": f"{name}_cohort",
            },
            "extraction": {"extractor": "AB", "date": "2026-02-02", "status": "single"},
            "design": {"type": "randomised"},
            "funding": {"funder": "none_declared", "implant company tie": "no"},
        },
        {
            "arms": [
                arm("A", "LRTI", "lrti", int(one[1]), components="lr_fcr_slip; ti_fcr"),
                arm("B", "Trapeziectomy alone", "trapeziectomy", int(two[1])),
            ],
            "outcomes": rows,
        },
    )  # fmt: skip


def test_from_an_empty_folder_to_a_finished_brief(
    metakit_command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    commands = 0

    def run(*words: str) -> str:
        nonlocal commands
        commands += 1
        said = metakit_command(*words)
        assert said.status == 0, f"{words}\n{said.out}\n{said.err}"
        return f"{said.out}\n{said.err}"

    assert "my_review/protocol.xlsx" in run("new", "my_review")
    tables = {"outcomes": OUTCOMES, "comparisons": COMPARISONS, "analyses": ANALYSES}
    type_into(Path("my_review/protocol.xlsx"), {"review": REVIEW, "general": GENERAL}, tables)
    assert "read as risk_ratio" in run("collect", "my_review/protocol.xlsx", "--into", "my_review")
    for name, year, one, two in STUDIES:
        file = f"{name}_{year}.xlsx"
        run("sheet", file, "--review", "my_review")
        offered = openpyxl.load_workbook(file)
        assert {"study", "arms", "outcomes"} <= set(offered.sheetnames)
        fill(Path(file), name, year, one, two)
        run("collect", file, "--into", "my_review")
    assert "0 errors" not in run("check", "my_review")
    run("certainty", "my_review")
    run("report", "my_review", "--out", "my_report")
    assert commands == 11  # new, the protocol, two a study, check, certainty, report
    page = Path("my_report/brief.html").read_text("utf-8")
    text = re.sub(r"<[^>]+>", " ", page)
    assert "LRTI against trapeziectomy alone" in text and "Any complication" in text
    found = json.loads(Path("my_report/findings.json").read_text("utf-8"))
    by_id = {item["id"]: item["result"] for item in found["analyses"]}
    assert by_id["complications"]["k"] == by_id["pain"]["k"] == 3
    # by hand: 18 of 165 against 32 of 160 thumbs
    assert 0.4 < by_id["complications"]["back_transformed"]["estimate"] < 0.7
    assert "Starts high" in text and "proposed, unsigned" in text
    for name in ("report.html", "summary_of_findings.csv", "summary_of_findings.docx"):
        assert (Path("my_report") / name).stat().st_size > 0
