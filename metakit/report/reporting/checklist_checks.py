"""How each item of a reporting checklist is answered: looked up in protocol, records, decisions, results."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from metakit.core.written import count, listed
from metakit.report.page import Page
from metakit.report.registry import SECTIONS
from metakit.report.reporting.checklist import CHECKS, Check, Found, State

_Find = Callable[[Page], Found]
NOT_DOCUMENTED = "how studies were found is not documented in the folder"


def check(find: _Find) -> _Find:
    """Register a function under its own name."""
    CHECKS.add(Check(name=find.__name__, find=find))
    return find


def section(name: str, part: str = "") -> str:
    """Return a place in the report: the title of a section, with a part of it."""
    return f"report: {SECTIONS[name].title}{f', {part}' if part else ''}"


def typed(page: Page, *path: str) -> str:
    """Return what stands in the protocol under these names, "" where nothing does."""
    value: object = page.findings.protocol.fields
    for name in path:
        value = value.get(name) if isinstance(value, Mapping) else None
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    text = "" if value is None else str(value)
    return "" if text in {"not_reported", "not_applicable", "not_measured"} else text


def given(state: State, where: str | tuple[str, ...], remark: str = "") -> Found:
    """Return an answer with one place or several."""
    return Found(state=state, where=(where,) if isinstance(where, str) else where, remark=remark)


def in_part_if(remark: str, where: str | tuple[str, ...]) -> Found:
    """Return an answer in part where there is a remark on what is missing, a full one otherwise."""
    return given("in_part" if remark else "answered", where, remark)


@check
def to_write(page: Page) -> Found:
    """Look for: only people can write it."""
    return Found(state="blank", remark="to be written by the authors")


@check
def title(page: Page) -> Found:
    """Look for: the title names the kind of work."""
    words = page.findings.protocol.title.lower()
    named = "systematic review" in words or "meta-analysis" in words
    remark = "" if named else "the title does not call this a systematic review"
    return given("typed" if named else "in_part", ("report: title", "protocol.yaml: review.title"), remark)


@check
def objectives(page: Page) -> Found:
    """Look for: the question is typed."""
    return given("typed", (section("question"), "protocol.yaml: review.question"))


@check
def eligibility(page: Page) -> Found:
    """Look for: population, designs and exclusions."""
    lacking = [
        words
        for name, words in (("designs", "designs of studies"), ("excluded", "what stays out"))
        if not typed(page, "eligibility", name)
    ]
    where = ("protocol.yaml: population, eligibility", section("question"))
    return given("in_part" if lacking else "typed", where, f"not typed: {listed(lacking)}" if lacking else "")


@check
def sources(page: Page) -> Found:
    """Look for: every search with its date."""
    selection = page.findings.selection
    if selection is None or not selection.searches:
        return Found(state="blank", remark=NOT_DOCUMENTED)
    return given("answered", (section("selection", "Searches"), "selection/searches/"))


@check
def strategies(page: Page) -> Found:
    """Look for: strategies word for word, with limits."""
    selection = page.findings.selection
    if selection is None or not selection.searches:
        return Found(state="blank", remark=NOT_DOCUMENTED)
    silent = [search.name for search in selection.searches if not search.limits]
    return in_part_if(
        f"limits are not stated for {listed(silent)}" if silent else "",
        (section("selection", "What was searched for, word for word"), "selection/searches/"),
    )


@check
def selecting(page: Page) -> Found:
    """Look for: who screened."""
    selection = page.findings.selection
    if selection is None:
        return Found(state="blank", remark=NOT_DOCUMENTED)
    if not selection.people:
        return given("in_part", section("selection"), "nobody has screened yet")
    alone = len(selection.people) == 1
    return in_part_if("one person screened alone" if alone else "", section("selection", "Screening"))


@check
def collecting(page: Page) -> Found:
    """Look for: who extracted, and how it was agreed."""
    if not page.findings.studies:
        return Found(state="blank", remark="there are no records")
    apart = page.findings.extraction.not_agreed
    number = count(len(apart), "record")
    remark = f"{number} not agreed by two people" if apart else ""
    return in_part_if(remark, (section("extraction"), "history.jsonl"))


@check
def outcomes_sought(page: Page) -> Found:
    """Look for: outcomes with windows, and the rule for several results."""
    rows = page.findings.protocol.fields.get("outcomes")
    rules = [row for row in rows or () if isinstance(row, Mapping) and row.get("choice_among_results")]
    remark = (
        ""
        if rules
        else "several results at one time: the protocol types no rule of its own (choice_among_results); the "
        "report's choice by time is in its methods"
    )
    return in_part_if(remark, (section("question"), section("methods", "Choice of results")))


@check
def other_data(page: Page) -> Found:
    """Look for: what the form asks."""
    where = (section("studies"), "extraction_forms/study.yaml", section("results", "Assumed or derived"))
    return given("answered", where) if page.findings.studies else Found(state="blank")


@check
def bias_methods(page: Page) -> Found:
    """Look for: instruments and their rules."""
    if not page.findings.appraisals:
        return Found(state="blank", remark="no study was appraised")
    return given("answered", (section("methods", "Trust in the studies"), section("appraisal")))


@check
def bias_results(page: Page) -> Found:
    """Look for: judgements of every study."""
    judged, studies = len(page.findings.appraisals), len(page.findings.studies)
    if not judged:
        return Found(state="blank", remark="no study was appraised")
    lacking = f"{studies - judged} of {studies} studies were not appraised" if judged < studies else ""
    return in_part_if(lacking, section("appraisal"))


def _answered(page: Page, *where: str) -> Found:
    if not any(finding.numbers for finding in page.findings.analyses):
        return Found(state="blank", remark="no study entered an analysis")
    return given("answered", where)


@check
def measures(page: Page) -> Found:
    """Look for: measures of the analyses."""
    return _answered(page, section("methods", "Effect measures"), "protocol.yaml: analyses")


@check
def entering(page: Page) -> Found:
    """Look for: which study enters which analysis."""
    return _answered(page, section("methods", "Choice of results"), section("results", "Set aside, and why"))


@check
def preparing(page: Page) -> Found:
    """Look for: derived values and units of analysis."""
    return _answered(page, section("methods", "Studies and units"), section("results", "Assumed or derived"))


@check
def displaying(page: Page) -> Found:
    """Look for: tables and figures."""
    return _answered(page, section("at-a-glance"), section("results", "forest plots"))


@check
def pooling(page: Page) -> Found:
    """Look for: models, estimators, intervals, software."""
    return _answered(page, section("methods", "Pooling"), section("methods", "Software"))


@check
def study_results(page: Page) -> Found:
    """Look for: numbers and effect of each study."""
    return _answered(page, section("results", "Numbers of each study and where they stand"), "findings.json")


@check
def exploring(page: Page) -> Found:
    """Look for: subgroups and regressions of the plan."""
    if not page.findings.protocol.explorations:
        return Found(state="in_part", remark="none is planned; say so, or plan one under explorations")
    return given("answered", ("protocol.yaml: explorations", section("methods")))


@check
def explored(page: Page) -> Found:
    """Look for: what subgroups and regressions gave."""
    done = sum(len(finding.explorations) for finding in page.findings.analyses)
    if not done:
        return Found(state="in_part", remark="no subgroup or regression was carried out; say so")
    return given("answered", ("findings.json: explorations", section("results")))


@check
def sensitivity(page: Page) -> Found:
    """Look for: other choices beside every answer."""
    if not any(finding.sensitivity for finding in page.findings.analyses):
        return Found(state="blank", remark="no answer was tried under other choices")
    return given("answered", (section("methods"), section("results"), section("robustness")))


@check
def missing_methods(page: Page) -> Found:
    """Look for: how missing results are judged."""
    if not page.findings.studies:
        return Found(state="blank", remark="there are no records")
    return given(
        "in_part",
        (section("missing-results"), section("robustness")),
        "every study stands against every outcome; say how you judged what is missing",
    )


@check
def missing_results(page: Page) -> Found:
    """Look for: which results are missing."""
    if not page.findings.studies or not page.findings.protocol.outcomes:
        return Found(state="blank", remark="there are no records")
    return given("answered", (section("missing-results"), section("robustness")))


@check
def certainty_methods(page: Page) -> Found:
    """Look for: domains of certainty."""
    if not page.certainties:
        return Found(state="blank", remark="no comparison was answered")
    return given("answered", section("certainty"))


@check
def certainty_results(page: Page) -> Found:
    """Look for: certainty of every outcome, signed."""
    if not page.certainties:
        return Found(state="blank", remark="no comparison was answered")
    unsigned = sum(not item.final for item in page.certainties)
    remark = (
        f"{unsigned} of {len(page.certainties)} judgements are proposals that nobody signed"
        if unsigned
        else ""
    )
    return in_part_if(remark, (section("summary-of-findings"), section("certainty"), "certainty.yaml"))


@check
def flow(page: Page) -> Found:
    """Look for: the diagram."""
    selection = page.findings.selection
    if selection is None:
        return Found(state="blank", remark=NOT_DOCUMENTED)
    remark = "the selection is not finished, so no diagram is drawn" if selection.flow is None else ""
    return in_part_if(remark, section("selection"))


@check
def exclusions(page: Page) -> Found:
    """Look for: reports excluded on full text."""
    if page.findings.selection is None:
        return Found(state="blank", remark=NOT_DOCUMENTED)
    return given("answered", section("selection", "Reports excluded on their full text"))


@check
def characteristics(page: Page) -> Found:
    """Look for: the table of studies, each cited."""
    studies = page.findings.studies
    if not studies:
        return Found(state="blank", remark="there are no records")
    bare = [page.findings.names[study.id] for study in studies if not study.citation]
    return in_part_if(f"no citation typed for {listed(bare)}" if bare else "", section("studies"))


@check
def contributing(page: Page) -> Found:
    """Look for: what each answer rests on."""
    if not any(finding.concerns for finding in page.findings.analyses):
        return given(
            "in_part", section("studies"), "no study was appraised, so answers do not say what they rest on"
        )
    return given("answered", (section("appraisal", "What the answers rest on"), section("results")))


@check
def answers(page: Page) -> Found:
    """Look for: every planned answer, or the reason why there is none."""
    every = page.findings.analyses
    if not every:
        return Found(state="blank", remark="the protocol plans no analysis")
    without = sum(finding.result is None for finding in every)
    remark = f"{without} of {len(every)} planned analyses have no answer; each says why" if without else ""
    return given("answered", (section("at-a-glance"), section("results")), remark)
