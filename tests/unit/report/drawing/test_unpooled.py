"""A synthesis without pooling in the report: named as such wherever the analysis is told. Invented studies."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from docx import Document

from metakit.decision.certainty import all_certainties
from metakit.decision.summary import summary_tables
from metakit.report.drawing.figures import draw_all
from metakit.report.drawing.unpooled import directions_content
from metakit.report.page import Page
from metakit.report.word_documents.word_report import report_documents
from metakit.report.write import write_report
from metakit.synthesis.run import synthesise
from metakit.telling.unpooled import unpooled_facts
from tests.unit.synthesis.invented import (
    Folder,
    counted,
    measured,
    plan,
    protocol,
    series,
    series_plan,
    study,
    trial,
)

WHY = "the procedures under <one> name differ too much"
STUDIES = (
    trial("a", 2, 8), trial("b", 3, 6, design="prospective_cohort", design_group="comparative"), trial("c", 5, 5),
    trial("d", 8, 4), series("s1", counted("A", 3)), series("s2", counted("A", 0)),
    study("m", measured("A", 20.0, 9.0), measured("B", 25.0, 8.0)), study("n", measured("A", 22.0, 9.0), measured("B", 21.0, 8.0)),
)  # fmt: skip


@pytest.fixture(scope="module")
def findings():
    analyses = (
        plan(without_pooling=WHY),
        series_plan(id="series", without_pooling=WHY),
        plan("risk_difference", id="difference", without_pooling=WHY),
        plan("mean_difference", "dash", id="scores", without_pooling=WHY),
    )
    return synthesise(Folder(protocol=protocol(*analyses), studies=STUDIES))


@pytest.mark.walk
def test_the_page_names_it_everywhere(findings, tmp_path: Path) -> None:
    page = write_report(findings, tmp_path).read_text(encoding="utf-8")
    assert (
        page.count("Not pooled: the procedures under &lt;one&gt; name differ too much.") >= 2
    )  # at a glance, result
    assert "What a synthesis without pooling cannot tell" in page
    assert "The synthesis without pooling in numbers" in page
    assert "no pooled answer (not pooled: the procedures" in page  # summary of findings
    assert "were put together without pooling" in page  # methods
    assert (tmp_path / "figures/directions-01-main.svg").is_file()
    assert not list((tmp_path / "figures").glob("directions-02*")), "a series has no direction"
    assert "<one>" not in page
    answer = json.loads((tmp_path / "findings.json").read_text(encoding="utf-8"))
    found = [item["without_pooling"] for item in answer["analyses"]]
    assert [item["method"] for item in found] == ["synthesis without pooling"] * 4
    assert found[0]["directions"]["below"] == 2 and found[1]["directions"] is None


@pytest.mark.walk
def test_word_says_the_same_and_shows_the_directions(findings) -> None:
    figures = draw_all(findings, kinds=(), progress=lambda text: None)
    written = report_documents(Page(findings=findings, figures=figures))  # the report and its appendix
    documents = [Document(io.BytesIO(content)) for content in written.values()]
    lines = [paragraph.text for document in documents for paragraph in document.paragraphs]
    tables = [table for document in documents for table in document.tables]
    lines += [cell.text for table in tables for row in table.rows for cell in row.cells]
    text = "\n".join(lines)
    assert "no pooled answer (not pooled: the procedures" in text  # summary of findings
    assert "no pooled answer: " in text  # table of answers
    assert "no answer" not in text.lower()
    assert sum("the side on which each study lies" in line for line in lines) == 3
    assert (
        sum(len(document.inline_shapes) for document in documents) >= 3
    )  # the directions are drawn in Word as well
    part = figures.results[0].directions
    assert part is not None
    (drawn,) = part.drawn(width_mm=85)
    assert 25.4 * drawn.get_size_inches()[0] == pytest.approx(85, abs=0.1)


def test_no_pooled_number_is_in_any_table(findings) -> None:
    table = summary_tables(findings, all_certainties(findings))[0]
    assert table.rows == () and len(table.unanswered) == 3
    assert "2 lie on the side of fewer complications after LRTI" in table.unanswered[0][1]


def test_numbers_of_the_table_are_those_of_the_synthesis(findings) -> None:
    facts = {fact.name: fact.value for fact in unpooled_facts(findings.analyses[0])}
    assert facts["Fewer complications after LRTI"] == "2" and facts["More complications after LRTI"] == "1"
    assert facts["Without a direction"] == "1"
    assert facts["Share of the first, 95 % interval"] == "67 % (9 to 99 %)"  # 2 of 3, Clopper-Pearson
    assert facts["Risk ratio: median"] == "0.71"  # geometric middle of 0.5 and 1
    series_facts = {fact.name: fact.value for fact in unpooled_facts(findings.analyses[1])}
    assert series_facts == {
        "Proportion, %: median": "3.8",
        "Proportion, %: lowest and highest": "0.0 and 7.5",
    }


def test_the_picture_shows_effects_in_the_units_of_the_measure(findings) -> None:
    difference = directions_content(findings.analyses[2], findings.analyses[2].unpooled)
    assert difference.axis == "percent" and difference.null == 0
    assert sorted(row.effect for row in difference.rows) == pytest.approx([-0.15, -0.075, 0.0, 0.1])
    assert difference.show(-0.15) == "−15.0"
    scores = directions_content(findings.analyses[3], findings.analyses[3].unpooled)
    assert sorted(row.effect for row in scores.rows) == pytest.approx([-5.0, 1.0])
    assert scores.share is not None and scores.share[0] == 0.5
