"""The section on trust: pictures, reasons with pages, and the answers with and without high concern."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import html5lib
import pytest

from metakit.report.citations import Citations
from metakit.report.drawing.figures import draw_all
from metakit.report.methods_text import methods_paragraphs
from metakit.report.page import Page
from metakit.report.sections.appraisal import build, overall_sentence
from metakit.report.write import write_report
from metakit.review.appraisal import ALL, overall_of
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise
from metakit.workbench import ReviewFindings
from tests.unit.synthesis.appraised import TRIAL, appraised, judged
from tests.unit.synthesis.invented import Folder, plan, protocol, trial

HTML = "{http://www.w3.org/1999/xhtml}"


def carried_out(*fields: dict[str, Any]) -> Findings:
    studies = tuple(trial(str(n), 2 + n, 7, total=40 + n, fields=one) for n, one in enumerate(fields, 1))
    return synthesise(Folder(protocol=protocol(plan()), studies=studies))


def page_of(findings: Findings) -> Page:
    return Page(findings=findings, figures=draw_all(findings, kinds=(".svg",), progress=lambda text: None))


def with_overall(letters: str, level: str, **facts: Any) -> dict[str, Any]:
    fields = appraised(letters, assessor="x")
    fields["appraisal"]["judgements"].append(judged("overall", level, **facts))
    return fields


@pytest.mark.lengthy
def test_the_section_has_pictures_tables_and_answers() -> None:
    page = page_of(carried_out(appraised("LLLLL"), appraised("LLHLL"), {}))
    content = build(page)
    assert content is not None
    assert [part.name for part in page.figures.appraisal.all] == ["appraisal", "concerns"]
    assert {"appraisal", "concerns"} <= {part.name for part in page.figures.all}
    assert content["without"] == ["Study 3"]
    assert content["summary"] == (
        "1 report of low concern, 1 report of high concern and 1 report not appraised"
    )
    first, second = content["tables"]  # type: ignore[misc]
    assert [row.reason for row in first.rows][:2] == ["seen in randomisation", "seen in deviations"]
    assert {row.page for row in first.rows} == {"2"}
    assert "nobody has confirmed it" in second.headline
    (answer,) = content["answers"]  # type: ignore[misc]
    assert answer.without.what == "without the study of high concern about bias (Study 2)"
    assert (answer.planned.studies, answer.without.studies) == ("3", "2")
    assert answer.rests_on.startswith("It rests on 1 study of low concern with ")


def test_nothing_is_said_where_nothing_was_appraised() -> None:
    page = page_of(carried_out({}, {}))
    assert build(page) is None
    assert page.figures.appraisal.all == ()


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (with_overall("LLLSL", "some_concerns"), "Overall some concerns: seen in overall (page 2)."),
        (
            with_overall("LLHLL", "low", changed_because="losses were alike"),
            "Overall low: seen in overall (page 2). The rule proposes high (high in missing results); changed "
            "because losses were alike.",
        ),
        (
            appraised("LLHLL"),
            "Overall high, as the instrument's rule proposes (high in missing results); nobody has confirmed it.",
        ),
    ],
)
def test_the_overall_level_is_told_with_the_rule_beside_it(fields: dict[str, Any], said: str) -> None:
    overall = overall_of(trial("1", 1, 1, fields=fields), ALL)
    assert overall is not None
    assert overall_sentence(overall) == said


@pytest.mark.walk
def test_what_people_typed_stays_text_and_silence_is_a_dash(tmp_path: Path) -> None:
    rows = [judged(row["domain"], row["judgement"]) for row in appraised("LLLLL")["appraisal"]["judgements"]]
    rows[0] |= {"reason": "<img src=x onerror=alert(1)>", "page": "<b>3</b>"}
    rows[1] |= {"page": "not_reported"}
    fields = {"appraisal": {"instrument": TRIAL, "assessor": "<i>AB</i>", "judgements": rows}}
    page = write_report(carried_out(fields, appraised("HLLLL")), tmp_path).read_text(encoding="utf-8")
    tree = html5lib.parse(page)
    (section,) = (
        part
        for part in tree.iter(f"{HTML}section")
        if any(inner.get("id") == "appraisal" for inner in part.iter())
    )
    assert not list(section.iter(f"{HTML}img")) and not list(section.iter(f"{HTML}i"))
    text = " ".join("".join(section.itertext()).split())
    assert "<img src=x onerror=alert(1)>" in text and "Judged by <i>AB</i>." in text
    cells = ["".join(cell.itertext()) for cell in section.iter(f"{HTML}td")]
    assert "–" in cells and "not_reported" not in cells
    assert "does not say that a result is wrong" in text


def test_the_methods_name_the_instruments_that_were_used_and_no_other() -> None:
    citations = Citations()
    findings = carried_out(appraised("LLLLL"), appraised("LLHLL"), {})
    (found,) = (
        paragraph
        for paragraph in methods_paragraphs(findings, citations)
        if paragraph.heading == "Trust in the studies"
    )
    said = [sentence.text for sentence in found.sentences]
    assert said[:2] == [
        "2 reports were judged with domains for randomised trials.",
        "1 report was not judged.",
    ]
    keys = {source.key for _, source in citations.listed()}
    assert "sterne_2019" in keys and not {"sterne_2016", "slim_2003", "munn_2020"} & keys


def test_the_pictures_can_be_had_without_a_report() -> None:
    found = ReviewFindings(carried_out(appraised("LLLLL"), appraised("LLHLL")))
    for figure in (found.appraisal_figure(width_mm=85), found.concern_figure(width_mm=85)):
        assert figure.get_size_inches()[0] * 25.4 == pytest.approx(85)
