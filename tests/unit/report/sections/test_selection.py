"""What the report tells of the selection: everything, only a part, or plainly nothing. Invented studies."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import html5lib
import pytest

from metakit.workbench import open_review
from tests.unit.review.selection.stored import change, finished_review

HTML = "{http://www.w3.org/1999/xhtml}"


def page_of(review: Path, out: Path) -> str:
    return open_review(review).synthesise().write_report(out).read_text(encoding="utf-8")


def section(page: str) -> str:
    text = page[page.index(' id="selection"') :]
    return text[: text.index("</section>")]


def words(html: str) -> str:
    text = re.sub(r"<(style|svg)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


@pytest.fixture
def review(tmp_path: Path) -> Path:
    return finished_review(tmp_path / "review")


@pytest.mark.lengthy
def test_a_documented_selection_is_told_whole(review: Path, tmp_path: Path) -> None:
    # Kappa by hand: both include 4 and exclude 1 of 6, so (5/6 - 22/36) / (1 - 22/36) = 0.571.
    html = section(page_of(review, tmp_path / "out"))
    text = words(html)
    assert (
        "7 records from databases and registers and 1 by other methods led to 2 reports of 2 studies." in text
    )
    assert "the same decision on 5 of 6 (83.3 %) by title and abstract; kappa 0.57" in text.replace(
        "The", "the"
    )
    assert "1 disagreement was settled by EF" in text
    assert "1 record repeated another one: 0 by a shared identifier, 1 by title" in text
    assert "A cadaver study of the invented trapezium" in text
    assert "cadaver; page 2" in text
    assert "Lost invented results of a trial (asked twice)" in text
    assert "1 thumb\n2 trapez*" in html  # the strategy, line by line
    assert html.count("<svg") == 2
    for name in ("flow.svg", "flow-narrow.svg"):
        assert (tmp_path / "out" / "figures" / name).stat().st_size > 0
    found = json.loads((tmp_path / "out" / "findings.json").read_text(encoding="utf-8"))["selection"]
    assert found["flow"]["databases_and_registers"]["screened"] == 6
    assert found["flow"]["included"] == {"studies": 2, "reports": 2}
    excluded = sum(
        sum(side["excluded_by_reason"].values())
        for side in (found["flow"]["databases_and_registers"], found["flow"]["other_methods"])
    )
    assert len(found["excluded_on_full_text"]) == excluded == html.count("10 thumbs") + html.count("cadaver;")


def test_a_review_without_a_selection_says_so(review: Path, tmp_path: Path) -> None:
    shutil.rmtree(review / "selection")
    page = page_of(review, tmp_path / "out")
    assert "is not documented in its folder" in words(section(page))
    assert "<svg" not in section(page)
    assert not (tmp_path / "out" / "figures" / "flow.svg").exists()
    assert json.loads((tmp_path / "out" / "findings.json").read_text(encoding="utf-8"))["selection"] is None


@pytest.mark.lengthy
def test_an_unfinished_selection_shows_no_flow(review: Path, tmp_path: Path) -> None:
    (review / "selection" / "screening_agreed.csv").unlink()
    html = section(page_of(review, tmp_path / "out"))
    assert "the selection is not finished" in words(html)
    assert "1 record on which two people disagree about title and abstract: C0004. No flow diagram" in words(
        html
    )
    assert "<svg" not in html


@pytest.mark.walk
def test_one_screener_is_a_warning(review: Path, tmp_path: Path) -> None:
    (review / "selection" / "screening_CD.csv").unlink()
    assert "One person (AB) screened alone" in words(section(page_of(review, tmp_path / "out")))


@pytest.mark.walk
def test_hostile_titles_and_strategies_stay_text(review: Path, tmp_path: Path) -> None:
    evil = "<script>alert(1)</script><img src=x onerror=alert(1)>"
    change(review, "citations.csv", "A cadaver study of the invented trapezium", evil)
    change(review, "searches/database_a.yaml", "  1 thumb\n", f"  1 {evil}\n")
    change(review, "searches/database_a.yaml", "name: database_a.ris", f'name: "{evil}"')
    page = page_of(review, tmp_path / "out")
    tree = html5lib.parse(section(page))
    assert not list(tree.iter(f"{HTML}script"))
    assert not [image for image in tree.iter(f"{HTML}img") if image.get("src") == "x"]
    assert "<script>alert(1)" in "".join(tree.itertext())
