"""A page made of hostile text everywhere, of many studies, and of nothing at all."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import html5lib
import pytest

from metakit.errors import Problem
from metakit.report.render import SCRIPTS
from metakit.report.write import write_report
from metakit.synthesis.run import synthesise
from tests.unit.synthesis.invented import (
    COMPARISON,
    Folder,
    arm,
    counted,
    plan,
    protocol,
    series_plan,
    trial,
)

HTML = "{http://www.w3.org/1999/xhtml}"
TEMPLATES = Path(__file__).parents[3] / "metakit/report/templates"
OUR_SCRIPT = "\n".join((TEMPLATES / name).read_text(encoding="utf-8") for name in SCRIPTS)
OURS = {
    "html", "head", "meta", "title", "style", "body", "a", "header", "div", "p", "strong", "h1", "h2", "h3", "h4", "nav", "ol",
    "ul", "li", "main", "section", "details", "summary", "dl", "dt", "dd", "span", "figure", "figcaption", "table", "caption",
    "thead", "tbody", "tr", "th", "td", "article", "footer", "code", "sup", "script", "button", "label", "input",
}  # fmt: skip
HOSTILE = {
    "script": "<script>alert(1)</script>",
    "image": "<img src=x onerror=alert(1)>",
    "attribute": '" onmouseover="alert(1)" x=\'',
    "breaking_out": "</style></script></svg></title><svg onload=alert(1)>",
    "template": "{{ 7*7 }}{% raw %}${7*7}",
    "mathematics": "US$5 vs US$6 $\\frac{a}{b}$",
    "emoji": "👍🏽 thumbs ✌️",
    "right_to_left": "\u202egnol\u202c שלום مرحبا",
    "control": "bell\x07 null\x00 escape\x1b",
    "long": "A title that never ends and never ends " * 6,
    "unbroken": "x" * 200,
}


def hostile_folder(text: str, studies: int = 2) -> Folder:
    """Put the text wherever a person may type."""
    comparison = replace(COMPARISON, label=text, technique_label=text, comparator_label=text)
    records = tuple(
        replace(
            trial(
                str(n),
                3 + n % 5,
                5,
                arms=(arm("A", label=text, thumbs=40, patients=38), arm("B", "trapeziectomy", label=text)),
            ),
            label=f"{text}",
            citation=text,
            cohort=text if n < 2 else f"{text}{n}",
            outcomes=(
                counted("A", 3 + n % 5, author_definition=text, source=text, conversion=text),
                counted("B", 5),
            ),
        )
        for n in range(studies)
    )
    amendments = [{"date": text, "what": text, "why": text, "data_seen": False}]
    review = protocol(
        plan(),
        series_plan(id="other"),
        title=text,
        question=text,
        population=text,
        comparisons=(comparison,),
        fields={"amendments": amendments},
    )
    question = Problem(
        file=text, what=text, field=text, found=text, allowed=text, hint=text, line=3, severity="question"
    )
    return Folder(protocol=review, studies=records, questions=(question,), inputs=((text, "0" * 64),))


def parsed(folder: Folder, out: Path) -> tuple[str, ElementTree.Element]:
    page = write_report(synthesise(folder), out).read_text(encoding="utf-8")
    return page, html5lib.parse(page)


@pytest.mark.lengthy
@pytest.mark.grid
@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_text_stays_text_wherever_it_is_typed(tmp_path: Path, text: str) -> None:
    page, tree = parsed(hostile_folder(text), tmp_path)
    outside_figures = [element for element in tree.iter() if str(element.tag).startswith(HTML)]
    assert {element.tag.removeprefix(HTML) for element in outside_figures} <= OURS
    scripts = [element for element in tree.iter() if str(element.tag).endswith("}script")]
    assert [script.text for script in scripts] == [OUR_SCRIPT]
    for element in tree.iter():
        assert not [name for name in element.attrib if name.lower().startswith("on")]
        href = element.get("href", "")
        assert not href or href.startswith(("#", "figures/", "findings.json", "reporting_checklist.")), href
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b\x0c\x0e-\x1f]", page)
    heading = next(tree.iter(f"{HTML}h1"))
    visible = re.sub("[\u202a-\u202e\x00-\x1f]", "", text)
    assert " ".join("".join(heading.itertext()).split()) == " ".join(visible.split())
    for figure in (tmp_path / "figures").glob("*.svg"):
        root = ElementTree.fromstring(figure.read_text(encoding="utf-8"))  # noqa: S314 - written by this test
        assert not [element for element in root.iter() if element.tag.endswith("}script")]


@pytest.mark.walk
def test_eighty_studies_are_all_there_with_weights_that_add_up(tmp_path: Path) -> None:
    records = tuple(trial(f"{n:02d}", 2 + n % 7, 4 + n % 3) for n in range(80))
    page, tree = parsed(Folder(protocol=protocol(plan()), studies=records), tmp_path)
    text = " ".join("".join(tree.itertext()).split())
    for n in range(80):
        assert f"Study {n:02d}" in text
    weights = [float(value) for value in re.findall(r'<td class="number" rowspan="2">(\d+\.\d) %</td>', page)]
    assert len(weights) == 80
    assert sum(weights) == pytest.approx(100.0, abs=1e-9)
    assert len(page) < 3_000_000


@pytest.mark.walk
def test_a_review_without_studies_or_without_a_plan_is_still_a_page(tmp_path: Path) -> None:
    for name, folder in {
        "no studies": Folder(protocol=protocol(plan(), series_plan(id="two")), studies=()),
        "no plan": Folder(protocol=protocol(), studies=(trial("1", 3, 5),)),
        "nothing": Folder(protocol=protocol(outcomes=(), comparisons=()), studies=()),
    }.items():
        page, tree = parsed(folder, tmp_path / name)
        assert "INVENTED DEMONSTRATION DATA" in page
        assert len(list(tree.iter(f"{HTML}section"))) >= 4
        assert (tmp_path / name / "findings.json").is_file()


@pytest.mark.walk
def test_a_real_review_carries_no_banner_of_invented_data(tmp_path: Path) -> None:
    for invented in (True, False):
        page, tree = parsed(
            Folder(protocol=protocol(plan(), invented=invented), studies=(trial("1", 3, 5),)), tmp_path
        )
        banners = [element for element in tree.iter(f"{HTML}p") if element.get("class") == "invented"]
        assert len(banners) == invented
        assert ("INVENTED" in page) == invented
