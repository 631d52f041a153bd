"""How far each study can be trusted: the judgements with reasons and pages, and what rests on them."""

from __future__ import annotations

from dataclasses import dataclass

from metakit.core.written import count, listed
from metakit.forms.overall_judgement import OVERALL
from metakit.report.page import Page
from metakit.report.registry import SECTIONS, Content, Section
from metakit.review.appraisal import ALL, Judgement, Overall, StudyAppraisal, appraisal_of
from metakit.synthesis.appraisal import CONCERNS, concern_of, shares_sentence
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.terms import label_of
from metakit.synthesis.words import lower_first
from metakit.telling.answer_tables import Choice, choice_row

WITHOUT_HIGH = "without_high_concern"


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgementRow:
    """One line of a study's table; `about` names the outcome when it was judged for one alone."""

    domain: str
    about: str
    level: str
    reason: str
    page: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyTable:
    """A study's judgements; `overall` says the overall level of each outcome judged apart in a sentence."""

    name: str
    instrument: str
    source: str
    assessor: str
    headline: str
    overall: tuple[str, ...]
    rows: tuple[JudgementRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerRow:
    """One answer: what it rests on, as planned, and without studies of high concern (None where none is)."""

    title: str
    rests_on: str
    planned: Choice
    without: Choice | None


def build(page: Page) -> Content | None:
    """Return pictures, tables and sentences; None where no study was appraised."""
    findings, figures = page.findings, page.figures.appraisal
    if not findings.appraisals:
        return None
    return {
        "figures": figures.judgements,
        "concerns": figures.concerns,
        "summary": _summary(findings),
        "without": [findings.names[study.id] for study in findings.studies if appraisal_of(study) is None],
        "tables": [
            _table(findings.names[study.id], appraisal)
            for study in findings.studies
            if (appraisal := appraisal_of(study)) is not None
        ],
        "answers": [_answer(finding) for finding in findings.analyses if finding.concerns],
        "handbook": page.citations.number("handbook"),
    }


def _summary(findings: Findings) -> str:
    """Count the studies by concern, for all outcomes together."""
    concerns = [concern_of(study, ALL) for study in findings.studies]
    parts = []
    for concern, words in CONCERNS.items():
        number = concerns.count(concern)
        if number:
            of = "of " if concern in {"low", "some", "high"} else ""
            parts.append(f"{count(number, 'report')} {of}{words}")
    return listed(parts)


def _table(name: str, appraisal: StudyAppraisal) -> StudyTable:
    rows = [row for row in appraisal.judgements if row.domain != OVERALL]
    place = {domain: number for number, domain in enumerate(appraisal.domains)}
    rows.sort(key=lambda row: (place.get(row.domain, len(place)), row.outcome != ALL))
    overall = [overall_sentence(appraisal.overall(outcome)) for outcome in (ALL, *appraisal.outcomes)]
    return StudyTable(
        name=name,
        instrument=appraisal.instrument_label,
        source=appraisal.source,
        assessor=appraisal.assessor,
        headline=lower_first(overall[0]),
        overall=tuple(overall[1:]),
        rows=tuple(_row(row) for row in rows),
    )


def _row(row: Judgement) -> JudgementRow:
    return JudgementRow(
        domain=row.domain_label,
        about="" if row.outcome == ALL else lower_first(label_of("outcomes", row.outcome)),
        level=row.label,
        reason=row.reason,
        page="" if row.page in {"not_reported", "not_applicable", "not_measured"} else row.page,
    )


def overall_sentence(overall: Overall) -> str:
    """Say an overall judgement, beside it the proposal that a person changed or did not confirm."""
    lead = "Overall"
    if overall.outcome != ALL:
        lead = f"For {lower_first(label_of('outcomes', overall.outcome))},"
    if not overall.level:
        return f"{lead} {overall.basis}."
    said = f"{lead} {overall.label.lower()}"
    if overall.judged is None:
        return f"{said}, as the instrument's rule proposes ({overall.basis}); nobody has confirmed it."
    page = f" (page {overall.judged.page})" if overall.judged.page[:1].isdigit() else ""
    said += f": {overall.judged.reason}{page}."
    if overall.changed and overall.proposed:
        proposed = label_of("appraisal_levels", overall.proposed).lower()
        said += f" The rule proposes {proposed} ({overall.basis}); changed because "
        said += f"{overall.judged.changed_because}."
    return said


def _answer(finding: AnalysisFinding) -> AnswerRow:
    plan = finding.plan
    other = next((row for row in finding.sensitivity if row.name == WITHOUT_HIGH), None)
    return AnswerRow(
        title=finding.title,
        rests_on=shares_sentence(finding.concerns),
        planned=choice_row("as planned", plan.measure, finding.answer, plan.scale),
        without=choice_row(other.label, other.measure, other.answer, plan.scale) if other else None,
    )


SECTIONS.add(
    Section(
        name="appraisal",
        title="How far each study can be trusted",
        template="appraisal.html.j2",
        build=build,
    )
)
