"""Slips in what a record says about returns, first findings, bands and parts of arms: never silent, never a traceback.

A changed value either is reported, or only its own field differs and holds what was typed, read here by other means.
"""

from __future__ import annotations

import io
import random
import re
from collections import Counter
from pathlib import Path

import openpyxl
import pytest

from metakit.errors import Problem, ProblemsError
from metakit.forms.library import shipped
from metakit.forms.reading import read_fields
from metakit.forms.record_workbooks.assembling import assemble
from metakit.forms.record_workbooks.layout import layout_of
from metakit.forms.record_workbooks.reading import read_book
from metakit.forms.record_workbooks.writing import workbook_bytes
from metakit.forms.rules.registry import run_rules
from metakit.forms.yaml_nodes import ListNode, MapNode, Node, ScalarNode, read_bytes, read_document
from metakit.review.typed import study_record
from tests.unit.forms.rules.returns_cases import SECTIONS

ROOT = Path(__file__).resolve().parents[2]
RECORD = ROOT / "tests" / "reference" / "forms" / "review" / "records" / "test_01.yaml"
SOUND = RECORD.read_text(encoding="utf-8") + SECTIONS
START = SOUND.index(SECTIONS)
FORM = shipped().form("study")
NEW = {section.split(":")[0] for section in SECTIONS.splitlines() if not section.startswith(" ")}
VALUE = re.compile(r"(?<=: )(-?\d+(?:\.\d+)?|[A-Za-z_]+)(?=[,}\n])")
SLIPS = (
    "99", "-7", "3,2", "03", "4/30", "2.5", "yes", "no", "not_reported", "other", "''", "[1]", "{a: 1}", "~", "4 (13 %)", "vier",
    "residual_bone", "mp_none", "2\u00b9", "\uff13", "1e2", "A", "B", "1", "2", "3", "months", "before_surgery",
)  # fmt: skip


def leaves(node: Node, path: str = "") -> dict[str, str]:
    if isinstance(node, ScalarNode):
        return {path: node.text}
    if isinstance(node, ListNode):
        found = {f"{path}#": str(len(node.items))}
        for number, item in enumerate(node.items):
            found |= leaves(item, f"{path}[{number}]")
        return found
    assert isinstance(node, MapNode)
    return {p: t for key, value in node.entries for p, t in leaves(value, f"{path}.{key.text}").items()}


def plain(value: object, path: str = "") -> dict[str, object]:
    if isinstance(value, dict):
        return {p: v for name, part in value.items() for p, v in plain(part, f"{path}.{name}").items()}
    if isinstance(value, list):
        found: dict[str, object] = {f"{path}#": len(value)}
        for number, part in enumerate(value):
            found |= plain(part, f"{path}[{number}]")
        return found
    return {path: value}


def read(text: str) -> tuple[dict[str, object], list[Problem]]:
    document = read_bytes(text.encode(), "record.yaml")
    if document.root is None:
        assert document.problems
        return {}, list(document.problems)
    group, problems = read_fields(document.root, FORM)
    problems = [*document.problems, *problems, *run_rules(group, FORM)]
    assert all(problem.line and problem.column for problem in problems)
    if not any(problem.severity == "error" for problem in problems):
        study_record(group, FORM, file="record.yaml", sha256="")
    return plain(group.plain()), problems


BEFORE = read(SOUND)[0]


def means(typed: str, value: object) -> bool:
    """Say whether a value is what was typed: the number, yes or no, or the word itself."""
    if isinstance(value, bool):
        return typed == ("yes" if value else "no")
    if isinstance(value, (int, float)):
        return re.fullmatch(r"-?\d+(\.\d+)?(e\d+)?", typed) is not None and float(typed) == value
    return str(value) == typed.strip("'")


def slip(seed: int) -> str:
    source = random.Random(seed)
    at = source.choice([found for found in VALUE.finditer(SOUND) if found.start() > START])
    typed = source.choice((*SLIPS, at[0][::-1], f"{at[0]}0", at[0].upper(), f"{at[0]} "))
    after, problems = read(SOUND[: at.start()] + typed + SOUND[at.end() :])
    if any(problem.severity == "error" for problem in problems):
        return "reported"
    differing = {path for path in BEFORE.keys() | after.keys() if BEFORE.get(path) != after.get(path)}
    assert len(differing) <= 1, (typed, differing)
    for path in differing:
        assert path not in after or means(typed, after[path]), (typed, path, after[path])
        assert path in after or problems or typed in ("''", "~"), (typed, path)
    return "asked" if problems else "read" if differing else "same"


@pytest.mark.lengthy
def test_slips_in_the_file() -> None:
    assert {"reported", "read"} <= {slip(seed) for seed in range(40)}


@pytest.mark.slow
def test_five_hundred_slips_in_the_file() -> None:
    counts = Counter(slip(seed) for seed in range(1_000, 1_500))
    print(dict(counts))
    assert counts.total() == 500 and counts["reported"] > 150 and counts["asked"] and counts["read"] > 10


LAYOUT = layout_of(FORM)
ROOT_NODE = read_document(ROOT / "demo_studies" / "records" / "DEMO-28_pendlewick.yaml").root
CELL = re.compile(r"book\.xlsx > .+![A-Z]+\d+$")
CELLS = (
    "junk",
    "3,2",
    "4/96",
    "4 (4 %)",
    "−4",
    "",
    "=1+1",
    "NA",
    "residual bone",
    "spur",
    7,
    -7,
    2.5,
    True,
    None,
    "2\u00b9",
)


def filled() -> bytes:
    assert ROOT_NODE is not None
    return workbook_bytes(LAYOUT, {"one": ROOT_NODE}, batch=False)


def attack(seed: int, content: bytes, folder: Path) -> str:
    chance = random.Random(seed)
    book = openpyxl.load_workbook(io.BytesIO(content))
    # Cells of the new sheets that hold what the record holds: texts and numbers under or beside a field's name.
    assert ROOT_NODE is not None
    known = {text for path, text in leaves(ROOT_NODE).items() if path.split("[")[0].strip(".") in NEW}
    sheets = [sheet for sheet in book.worksheets if sheet.title in NEW]
    assert len(sheets) == len(NEW)
    homes = [
        cell
        for sheet in sheets
        for row in sheet.iter_rows(min_row=5)
        for cell in row
        if cell.value is not None and str(cell.value) in known
    ]
    cell = chance.choice(homes)
    new = chance.choice((*CELLS, f"{cell.value} ", str(cell.value)[::-1]))
    cell.value = new
    path = folder / "book.xlsx"
    book.save(path)
    try:
        collected = assemble(read_book(path), LAYOUT)
    except ProblemsError as error:
        assert all("book.xlsx" in str(problem) for problem in error.problems)
        return "refused"
    assert all(CELL.search(problem.file) for problem in collected.problems)
    if not collected.sound:
        return "reported"
    before, after = leaves(ROOT_NODE), leaves(collected.records[""])
    differing = {p for p in before.keys() | after.keys() if before.get(p) != after.get(p)}
    fields = {re.sub(r"\[\d+\]", "", p) for p in differing}
    split = sum("total of" in problem.what for problem in collected.problems)
    assert len(fields) <= 1 + split or any(p.endswith("#") for p in differing), differing
    return "read" if differing else "same"


@pytest.mark.walk
def test_slips_in_a_workbook(tmp_path: Path) -> None:
    content = filled()
    assert "reported" in {attack(seed, content, tmp_path) for seed in range(10)}


@pytest.mark.slow
def test_five_hundred_slips_in_a_workbook(tmp_path: Path) -> None:
    content = filled()
    counts = Counter(attack(seed, content, tmp_path) for seed in range(1_000, 1_500))
    print(dict(counts))
    assert counts.total() == 500 and counts["reported"] > 100 and counts["read"] > 50
