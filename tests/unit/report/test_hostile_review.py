"""Whole reviews that nobody would like to get: hostile words everywhere, a single study, 150 studies."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import html5lib
import pytest
from docx import Document

from metakit.core.plans import ExplorationPlan, NetworkPlan, Protocol, SpecificationPlan
from metakit.decision.one_unit.unit_decision import decide
from metakit.decision.one_unit.unit_reading import read_unit
from metakit.report.unit_page import write_unit_page
from metakit.report.write import write_report
from metakit.review.folder import open_folder
from metakit.synthesis.run import synthesise
from tests.unit.report.hostile_review import write_hostile_review
from tests.unit.report.many_studies import many_studies
from tests.unit.report.test_page import HTML, OURS
from tests.unit.synthesis.invented import Folder, counted, measured, plan, protocol, series_plan, study

LARGEST_PAGE = 4_500_000
"""Bytes of the page with 150 studies in each of three answers: 4.0 MB when written, of them 2.6 MB figures in which
each study has its mark (forest, influence, left out, added by year) and 0.85 MB traces, one a study and answer."""


def judge_page(path: Path) -> ElementTree.Element:
    """Check that a page is ours alone, that its figures are well formed and its anchors lead somewhere."""
    page = path.read_text(encoding="utf-8")
    tree = html5lib.parse(page)
    html = [element for element in tree.iter() if str(element.tag).startswith(HTML)]
    assert {element.tag.removeprefix(HTML) for element in html} <= OURS | {"br"}
    for element in tree.iter():
        assert not [name for name in element.attrib if name.lower().startswith("on")]
        assert not element.get("href", "").lower().startswith(("javascript", "http", "//"))
    anchors = [element.get("id") for element in html if element.get("id")]
    assert len(anchors) == len(set(anchors))
    for link in re.findall(r'href="#([^"]+)"', page):
        assert f'id="{link}"' in page, link
    figures = sorted((path.parent / "figures").glob("*.svg"))
    assert figures
    for figure in figures:
        root = ElementTree.fromstring(figure.read_bytes())  # noqa: S314 - written by this test
        names = {element.tag.split("}")[-1] for element in root.iter() if isinstance(element.tag, str)}
        assert not names & {"script", "foreignObject", "image"}, figure.name
    return tree


def judge_rest(out: Path) -> str:
    """Check findings and Word report; return the words of the latter."""
    refused: Callable[[str], None] = pytest.fail  # NaN and Infinity are no JSON
    json.loads((out / "findings.json").read_text(encoding="utf-8"), parse_constant=refused)
    document = Document(io.BytesIO((out / "report.docx").read_bytes()))
    assert len(document.inline_shapes) > 0
    assert all(shape.width.mm <= 174.1 and shape.height.mm <= 228.1 for shape in document.inline_shapes)
    cells = [cell for table in document.tables for row in table.rows for cell in row._tr.tc_lst]
    texts = ["".join(node.text or "" for node in cell.iter() if node.tag.endswith("}t")) for cell in cells]
    return " ".join([*(paragraph.text for paragraph in document.paragraphs), *texts])


def few_answers(whole: Protocol) -> Protocol:
    """Leave answers by counts, by means and with a heading of 200 characters, and the network."""
    kept = {"complications_lrti", "dash_lrti", "complications_pyrocarbon"}
    return replace(
        whole,
        analyses=tuple(item for item in whole.analyses if item.id in kept),
        explorations=tuple(item for item in whole.explorations if set(item.analyses) & kept)[:1],
        networks=tuple(replace(item, components=False) for item in whole.networks),
        specifications=None,
    )


@pytest.mark.walk
def test_a_hostile_review_is_a_page_and_a_word_report(tmp_path: Path) -> None:
    folder = open_folder(write_hostile_review(tmp_path / "review"))
    found = synthesise(replace(folder, protocol=few_answers(folder.protocol)))
    page = write_report(found, tmp_path / "out", word=True)
    words = " ".join("".join(judge_page(page).itertext()).split())
    told = judge_rest(tmp_path / "out")
    for part in (
        "<script>alert(1)</script>",
        "שלום מרחבא",
        "👍🏽 thumbs",
        "{{ 7*7 }}",
        "US$5 vs US$6",
        "x" * 200,
    ):
        assert part in words and part in told, part
    assert [finding.result is not None for finding in found.analyses].count(True) == 3


@pytest.mark.walk
def test_one_study_is_a_page_and_a_word_report(tmp_path: Path) -> None:
    alone = study("1", counted("A", 3), counted("B", 0), measured("A", 20, 10), measured("B", 25, 12))
    network = NetworkPlan(
        id="network", label="all", outcome="any_complication", measure="risk_ratio", reference="trapeziectomy",
        components=True, characteristics=("year", "age"), order=("trapeziectomy", "lrti"),
    )  # fmt: skip
    asked = protocol(
        plan(),
        plan("mean_difference", "dash", id="means"),
        plan("mean_difference", "key_pinch", id="missing_outcome"),
        series_plan(id="series"),
        networks=(network,),
        explorations=(
            ExplorationPlan(id="line", kind="meta_regression", moderators=("year",)),
            ExplorationPlan(id="groups", kind="subgroups", moderators=("design_group",)),
        ),
        specifications=SpecificationPlan(analyses=("main",)),
    )
    found = synthesise(Folder(protocol=asked, studies=(alone,)))
    page = write_report(found, tmp_path, word=True)
    assert "Study 1" in "".join(judge_page(page).itertext())
    assert "Study 1" in judge_rest(tmp_path)


@pytest.mark.slow
def test_a_hostile_review_with_every_answer_and_its_unit(tmp_path: Path) -> None:
    review = write_hostile_review(tmp_path / "review")
    folder = open_folder(review)
    judge_page(write_report(synthesise(folder), tmp_path / "out", word=True, figure_kinds=(".svg", ".png")))
    judge_rest(tmp_path / "out")
    answer = decide(folder, read_unit(review / "unit.yaml"))
    tree = judge_page(write_unit_page(answer, tmp_path / "unit"))
    assert "<script>alert(1)</script>" in "".join(tree.itertext())


@pytest.mark.slow
def test_a_hundred_and_fifty_studies_are_all_in_every_answer(tmp_path: Path) -> None:
    found = synthesise(many_studies(150))
    page = write_report(found, tmp_path, word=True)
    assert page.stat().st_size < LARGEST_PAGE
    assert len(list(judge_page(page).iter())) > 10_000
    told = judge_rest(tmp_path)
    for number in range(150):
        assert f"Study {number:03d}" in told
    answers = json.loads((tmp_path / "findings.json").read_text(encoding="utf-8"))
    assert [answer["result"]["k"] for answer in answers["analyses"]] == [150, 150, 150]
    (network,) = answers["networks"]
    assert len(network["nodes"]) == 10
