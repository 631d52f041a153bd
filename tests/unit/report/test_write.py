"""The parts of a report: numbers, tables, methods, references, figures, files."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from metakit.core.bibliography import REFERENCES
from metakit.decision.certainty import all_certainties, certainty_json
from metakit.errors import UnknownNameError
from metakit.report.citations import Citations
from metakit.report.drawing.figure_content import EFFECTIVE_NOTE, forest_of
from metakit.report.drawing.figures import MOST_ROWS, draw_all, in_pieces
from metakit.report.methods_text import methods_paragraphs
from metakit.report.registry import ORDER, SECTIONS, sections_in_order
from metakit.report.sections.reproduce import report_date
from metakit.report.write import write_report
from metakit.synthesis.findings import Findings
from metakit.synthesis.run import synthesise
from metakit.telling import sections as told
from metakit.telling.answer_tables import choices_table, facts_table
from metakit.telling.facts import slug
from metakit.telling.study_numbers import numbers_table, show_numbers
from tests.unit.synthesis.invented import (
    Folder,
    arm,
    counted,
    measured,
    plan,
    protocol,
    series,
    series_plan,
    study,
    trial,
)

BOTH_THUMBS = (arm("A", thumbs=40, patients=34), arm("B", "trapeziectomy"))


def carried_out(*analyses, studies=None, **facts) -> Findings:
    records = studies or tuple(trial(str(n), 4 + n, 7, arms=BOTH_THUMBS) for n in range(4))
    return synthesise(Folder(protocol=protocol(*(analyses or (plan(),)), **facts), studies=tuple(records)))


def methods_of(findings: Findings) -> tuple[str, Citations]:
    citations = Citations()
    paragraphs = methods_paragraphs(findings, citations)
    return " ".join(sentence.text for part in paragraphs for sentence in part.sentences), citations


def test_sources_are_numbered_by_first_mention() -> None:
    citations = Citations()
    assert citations.number("wan_2014") == 1
    assert citations.numbers(("handbook", "wan_2014", "handbook")) == (1, 2)
    assert [number for number, _ in citations.listed()] == [1, 2]
    assert citations.listed()[0][1] is REFERENCES["wan_2014"]
    with pytest.raises(UnknownNameError, match="wan_2014"):
        citations.number("wan_2015")


def test_the_methods_say_what_the_authors_state_about_the_review() -> None:
    bare, _ = methods_of(carried_out())
    assert "Support:" not in bare and "Competing interests:" not in bare
    told, _ = methods_of(
        carried_out(
            funding="a  fund.", competing_interests="none", data_available="with us", code_available="there"
        )
    )
    assert "Support: a fund. Competing interests: none. Data: with us. Code: there." in told


def test_other_choices_are_told_by_kind_with_counts_and_without_studies() -> None:
    findings = carried_out(plan(), plan(id="again", tau2="paule_mandel"))
    rows = [row for finding in findings.analyses for row in finding.sensitivity]
    correlations = sum(row.name.startswith("icc_") for row in rows)
    models = sum(
        row.name in {"random_effects", "common_effect", "mantel_haenszel", "one_stage"} for row in rows
    )
    text, _ = methods_of(findings)
    assert correlations and models
    assert f"model ({models} answers in 2 analyses)" in text
    assert f"correlation between both thumbs ({correlations} answers in 2 analyses)" in text


# PRISMA 2020, items 13: the methods are those carried out. Change a setting, and the text changes.
def test_methods_tell_what_was_done_and_nothing_else() -> None:
    text, citations = methods_of(carried_out())
    assert "half-normal" in text  # the default inference; REML stands beside it
    assert "correlation of 0.3 between the thumbs" in text
    assert "Mean difference" not in text
    assert "0.5 was added" not in text
    assert {"friede_2017", "rover_2021"} <= {source.key for _, source in citations.listed()}
    other, _ = methods_of(
        carried_out(plan(tau2="paule_mandel", interval="wald", model="random_effects"), icc=0.1)
    )
    assert "Paule-Mandel" in other
    assert "correlation of 0.1" in other
    corrected, _ = methods_of(
        carried_out(
            plan(model="random_effects", zero_cells="constant"),
            studies=[trial("1", 0, 5), trial("2", 3, 4), trial("3", 2, 6)],
        )
    )
    assert "0.5 was added to studies with an empty cell" in corrected
    assert "design effect" not in corrected


def test_methods_count_reports_cohorts_and_extractors() -> None:
    records = [
        trial("1", 4, 7, cohort="x"),
        trial("2", 4, 7, cohort="x", status="single"),
        series("3", counted("A", 2)),
    ]
    text, _ = methods_of(carried_out(studies=records))
    assert "3 reports of 2 cohorts were read: 2 randomised trials and 1 single-arm series" in text
    assert "2 of 3 records are the agreement of two extractors" in text


def test_the_facts_of_an_answer_stand_in_the_order_that_matters() -> None:
    # A posterior has no test of no difference: the model is named that has one.
    names = [fact.name for fact in facts_table(carried_out(plan(model="random_effects")).analyses[0])]
    order = [
        "Risk ratio",
        "95 % interval of the mean",
        "Test of no difference",
        "Spread between studies",
        "prediction",
        "Q",
        "I²",
    ]
    places = [
        next(i for i, name in enumerate(names) if part == name or (part in name and len(part) > 2))
        for part in order
    ]
    assert places == sorted(places)
    assert facts_table(carried_out(plan(), studies=[series("1", counted("A", 2))]).analyses[0]) == ()


def test_numbers_are_shown_as_reported_and_as_analysed() -> None:
    finding = carried_out().analyses[0]
    table = numbers_table(finding)
    assert table.has_effective and table.has_weights
    assert (table.rows[0].sides[0].typed, table.rows[0].sides[1].typed) == ("4 / 40", "7 / 40")
    assert re.fullmatch(r"3\.\d / 3\d\.\d", table.rows[0].sides[0].effective)
    assert table.rows[0].sides[1].effective == ""
    assert table.rows[0].sides[0].places == ("records/x.yaml:7:3",)
    assert sum(float(row.weight.removesuffix(" %")) for row in table.rows) == pytest.approx(100)
    assert show_numbers({"mean": -1.26, "sd": 3.0, "total": 39.7}, "means") == "−1.3 (3.0), 39.7"
    assert show_numbers({"events": 2, "time": 97.54}, "rates") == "2 / 97.5"


@pytest.mark.lengthy
def test_forest_plots_show_the_numbers_of_the_reports() -> None:
    finding = carried_out().analyses[0]
    content = forest_of(finding, finding.table)
    assert content.rows[0].cells == ("4/40", "7/40")
    assert content.summary.cells == ("22/160", "28/160")
    assert EFFECTIVE_NOTE in content.footnotes
    plain = carried_out(studies=[trial(str(n), 4 + n, 7) for n in range(3)]).analyses[0]
    assert EFFECTIVE_NOTE not in forest_of(plain, plain.table).footnotes


def test_other_choices_stand_below_the_planned_answer() -> None:
    found = carried_out()
    rows = choices_table(found.analyses[0], found.protocol)
    assert [row.headline for row in rows] == [True, *[False] * (len(rows) - 1)]
    assert any("correlation 0.5" in row.what for row in rows)
    assert all(row.estimate != "–" or row.remark for row in rows)
    assert [row.standing for row in rows] == ["planned", *["exploratory"] * (len(rows) - 1)]
    planned = carried_out(fields={"sensitivity": ["icc: 0 and 0.5"]})
    marked = {row.what: row.standing for row in choices_table(planned.analyses[0], planned.protocol)}
    assert {word for what, word in marked.items() if "correlation" in what} == {"planned"}
    assert "exploratory" in marked.values()


@pytest.mark.walk
def test_the_overview_is_cut_between_questions() -> None:
    many = [plan(id=f"a{n}") for n in range(7)] + [series_plan(id=f"b{n}") for n in range(6)]
    pieces = in_pieces(carried_out(*many).analyses)
    assert [len(piece) for piece in pieces] == [7, 6]
    long = in_pieces(carried_out(*(plan(id=f"a{n}") for n in range(MOST_ROWS + 2))).analyses)
    assert [len(piece) for piece in long] == [MOST_ROWS, 2]


@pytest.mark.walk
def test_figures_are_named_safely_and_once() -> None:
    assert slug("../../etc/passwd") == "etc-passwd"
    assert slug("Ünï côde") == "uni-code"
    assert slug("日本") == "analysis"
    assert len(slug("x" * 500)) == 60
    two = carried_out(plan(id="one"), plan(id="other", measure="odds_ratio"))
    figures = draw_all(two, kinds=(".svg", ".pdf"), progress=lambda text: None)
    names = [figure.name for figure in figures.all]
    assert len(names) == len(set(names))
    assert {part.label for part in figures.results} == {
        "Any complication (risk ratio)",
        "Any complication (odds ratio)",
    }
    assert figures.all[0].files[".pdf"].startswith(b"%PDF")


@pytest.mark.walk
def test_no_funnel_of_two_studies_and_a_caution_under_ten() -> None:
    few = draw_all(
        carried_out(studies=[trial("1", 4, 7), trial("2", 3, 7)]), kinds=(), progress=lambda text: None
    )
    assert few.results[0].funnel is None
    some = draw_all(carried_out(), kinds=(), progress=lambda text: None)
    assert "With fewer than ten studies its shape says nothing" in some.results[0].funnel.caption


def test_every_section_is_registered_once_with_its_own_template() -> None:
    folder = Path(__file__).parents[3] / "metakit" / "report" / "templates"
    for section in SECTIONS:
        assert section.tell is not None or (folder / section.template).is_file()
        assert re.fullmatch("[a-z-]+", section.name)
    assert [section.name for section in sections_in_order()][:5] == [
        "brief",
        "before-you-read",
        "question",
        "why-thumbs-come-back",
        "at-a-glance",
    ]
    modules = {path.stem for path in (folder.parent / "sections").glob("*.py")} - {"__init__"}
    assert len(SECTIONS) == len(modules - {"told"}) + len(told.SECTIONS)
    assert {section.name for section in SECTIONS} == set(ORDER)


def test_a_date_comes_only_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    assert report_date() == ""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1780000000")
    assert report_date() == "2026-05-28"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "soon")
    assert report_date() == ""


@pytest.mark.walk
def test_files_are_replaced_whole_and_the_page_comes_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    findings = carried_out()
    page = write_report(findings, tmp_path, figure_kinds=(".svg", ".png"))
    assert page == tmp_path / "report.html"
    assert {path.suffix for path in (tmp_path / "figures").iterdir()} == {".svg", ".png"}
    assert json.loads((tmp_path / "findings.json").read_text(encoding="utf-8")) == json.loads(
        json.dumps(findings.to_json() | certainty_json(all_certainties(findings)) | {"planned": []})
    )
    assert not list(tmp_path.rglob(".*"))  # no temporary files are left
    old = page.read_bytes()
    monkeypatch.setattr("metakit.report.write.render_page_with_appendix", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_report(findings, tmp_path)
    assert page.read_bytes() == old


@pytest.mark.walk
def test_means_and_unanswered_analyses_are_drawn_or_said(tmp_path: Path) -> None:
    records = [study(str(n), measured("A", 20.0 + n, 15.0), measured("B", 24.0, 16.0)) for n in range(3)]
    findings = carried_out(plan("mean_difference", "dash"), plan(id="empty"), studies=records)
    text = write_report(findings, tmp_path).read_text(encoding="utf-8")
    assert "Mean (SD), number" in text
    assert "No answer: no study of this review has a usable result for it." in text
