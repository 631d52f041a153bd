"""`metakit decide` on the demonstration review: the page, the plain answer, JSON, and what is refused how."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest

from metakit.forms.bundled import demo_studies
from tests.unit.decision.units import REVISIONS, review
from tests.unit.decision.units import text as unit_text

DEMO_UNIT = demo_studies() / "unit.yaml"


def changed(tmp_path: Path, *pairs: tuple[str, str]) -> Path:
    text = DEMO_UNIT.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "unit.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.walk
def test_the_demonstration_unit_gets_its_page_and_answer(metakit_command, tmp_path: Path) -> None:
    said = metakit_command("decide", demo_studies(), DEMO_UNIT, "--out", tmp_path / "page")
    assert said.status == 0, said.err
    assert said.out.startswith("INVENTED DATA")
    assert "with 120 thumbs a year" in said.out
    assert "Should we change our standard technique?" in said.out
    # 120 (1 - (640 / 645)^8.5): the mean after Jeffreys' prior, at a constant rate.
    assert "expect 7.7 thumbs (middle value 7; range 2 to 16) with trapeziectomy alone, as now" in said.out
    assert "certainty very low" in said.out
    assert "it recommends nothing" in said.out
    assert "hazards are not constant" in said.out
    assert said.out.strip().endswith("unit.html")
    answer = json.loads((tmp_path / "page/unit.json").read_text(encoding="utf-8"))
    assert len(answer["expected"]) == 9
    assert answer["simulation"]["largest_move_of_a_limit_between_halves"] <= 2
    assert {path.suffix for path in (tmp_path / "page/figures").iterdir()} == {".svg"}
    assert not [path for path in (tmp_path / "page").rglob("*") if path.name.startswith(".")]


@pytest.mark.walk
def test_json_alone_writes_no_page(metakit_command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("metakit.workbench.open_review", lambda folder: SimpleNamespace(folder=review()))
    path = tmp_path / "unit.yaml"
    path.write_text(unit_text(REVISIONS), encoding="utf-8")
    said = metakit_command("decide", "any", path, "--json")
    assert said.status == 0, said.err
    revisions = said.answer["expected"][0]
    assert revisions["outcome"] == "revision_index"
    # 120 (1 - (640 / 645)^8.5): the mean after Jeffreys' prior, at a constant rate.
    assert revisions["events_of_one_years_thumbs"]["mean"] == pytest.approx(7.6809, rel=1e-3)
    assert [item.name for item in tmp_path.iterdir()] == ["unit.yaml"]
    monkeypatch.setattr(
        "metakit.workbench.open_review", lambda folder: SimpleNamespace(folder=review(studies=0))
    )
    nothing = metakit_command("decide", "any", path)
    assert nothing.status == 3
    assert "none of the analyses" in nothing.err
    assert [item.name for item in tmp_path.iterdir()] == ["unit.yaml"]


@pytest.mark.lengthy
@pytest.mark.parametrize(
    ("old", "new", "status", "words"),
    [
        ("events: 8,", "events: -8,", 1, "events"),
        ("analysis: revision_lrti}", "analysis: revision_lrtj}", 1, "did you mean revision_lrti"),
        ("analysis: dash_lrti}", "analysis: pinch_lrti}", 1, "another outcome"),
        ("form: unit", "form: study", 1, "another form"),
        ("volume: {", "volume: [", 2, "unit.yaml:"),
    ],
)
def test_problems_of_the_file_have_places_and_statuses(
    metakit_command, tmp_path: Path, old: str, new: str, status: int, words: str
) -> None:
    said = metakit_command("decide", demo_studies(), changed(tmp_path, (old, new)), "--json")
    assert said.status == status
    assert words in said.err
    assert "unit.yaml:" in said.err
    assert said.out == ""


def test_wrong_use(metakit_command, tmp_path: Path) -> None:
    assert metakit_command("decide", demo_studies(), tmp_path / "none.yaml").status == 2
    assert metakit_command("decide", tmp_path / "nowhere", DEMO_UNIT).status == 2
    assert metakit_command("decide", demo_studies()).status == 2


def test_an_empty_unit_is_written_once_and_says_what_is_missing(metakit_command, tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    said = metakit_command("decide", demo_studies(), path, "--empty")
    assert said.status == 0
    assert "never data of identifiable patients" in said.err
    before = path.read_bytes()
    assert metakit_command("decide", demo_studies(), path, "--empty").status == 2
    assert path.read_bytes() == before
    filled = metakit_command("decide", demo_studies(), path)
    assert filled.status == 1
    assert "thumbs_a_year" in filled.err and "required" in filled.err
