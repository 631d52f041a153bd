"""The methods, written from what was actually done: an option that no analysis used is not mentioned."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from metakit.core.results import PoolResult
from metakit.core.written import count, listed
from metakit.forms.library import vocabulary
from metakit.measures.registry import MEASURES
from metakit.models.registry import MODELS
from metakit.models.without_pooling import REFERENCES as WITHOUT_POOLING
from metakit.report.about_text import ABOUT, about_sentences
from metakit.report.citations import Citations
from metakit.report.plan_text import plan_sentences
from metakit.synthesis.choices.sensitivity_kinds import KINDS, kind_of
from metakit.synthesis.estimate import ROUNDED
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.gathering.cohorts import NO_COHORT
from metakit.synthesis.gathering.windows import WIDE_RATIO
from metakit.synthesis.words import lower_first
from metakit.telling.result_words import method_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Cited:
    """A sentence with the numbers of its sources."""

    text: str
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A paragraph of the methods."""

    heading: str
    sentences: tuple[Cited, ...]


def methods_paragraphs(findings: Findings, citations: Citations) -> tuple[Paragraph, ...]:
    """Write the methods of a review.

    Parameters
    ----------
    findings : Findings
        What was done and found.
    citations : Citations
        Gets the sources that the text cites.
    """
    paragraphs = (
        Paragraph(heading="Studies and units", sentences=tuple(_units(findings, citations))),
        Paragraph(heading="Trust in the studies", sentences=tuple(_appraisal(findings, citations))),
        Paragraph(heading="Choice of results", sentences=tuple(_choice_of_results(findings, citations))),
        Paragraph(heading="Effect measures", sentences=tuple(_measures(findings, citations))),
        Paragraph(heading="Pooling", sentences=tuple(_pooling(findings, citations))),
        Paragraph(
            heading="Planned and exploratory",
            sentences=tuple(Cited(text=text) for text in plan_sentences(findings)),
        ),
        Paragraph(heading="Other choices", sentences=tuple(_other_choices(findings))),
        Paragraph(heading="Software", sentences=tuple(_software(findings))),
        Paragraph(
            heading=ABOUT, sentences=tuple(Cited(text=text) for text in about_sentences(findings.protocol))
        ),
    )
    return tuple(paragraph for paragraph in paragraphs if paragraph.sentences)


def _units(findings: Findings, citations: Citations) -> Iterable[Cited]:
    studies = findings.studies
    cohorts = {study.id if study.cohort in NO_COHORT else study.cohort for study in studies}
    groups = [
        count(sum(study.design_group == group for study in studies), *words)
        for group, words in (
            ("randomised", ("randomised trial",)),
            (
                "comparative",
                ("comparative study without randomisation", "comparative studies without randomisation"),
            ),
            ("series", ("single-arm series", "single-arm series")),
        )
        if any(study.design_group == group for study in studies)
    ]
    if studies:
        yield Cited(
            text=f"{count(len(studies), 'report').capitalize()} of {count(len(cohorts), 'cohort')} were "
            f"read: {listed(groups)}."
        )
        agreed = sum(study.status == "agreed" for study in studies)
        yield Cited(
            text=f"{agreed} of {len(studies)} records are the agreement of two extractors; the others were "
            f"typed by one person, or by two who have not agreed."
            if agreed < len(studies)
            else "Every record is the agreement of two extractors."
        )
    yield Cited(text=f"The unit of analysis is the {findings.protocol.unit_of_analysis.removesuffix('s')}.")
    if any(study.has_effective_numbers for finding in findings.analyses for study in finding.numbers):
        yield Cited(
            text=(
                "Where both thumbs of some patients were counted, events and totals were divided by the "
                "design effect of the "
                f"arm, with a correlation of {findings.protocol.icc:g} between the thumbs of one patient. "
                f"Inverse-variance and "
                "Mantel-Haenszel formulas take such effective numbers as they are, whole or not."
            ),
            numbers=citations.numbers(("handbook",)),
        )
    rounded = [finding.term.label for finding in findings.analyses if ROUNDED in finding.notes]
    if rounded:
        yield Cited(
            text=(
                "A model that is defined for whole numbers only got effective numbers rounded: "
                f"{listed(list(dict.fromkeys(rounded)))}."
            )
        )


def _appraisal(findings: Findings, citations: Citations) -> Iterable[Cited]:
    appraisals = findings.appraisals
    if not appraisals:
        return
    for instrument in vocabulary("appraisal_instruments"):
        number = sum(found.instrument == instrument.id for found in appraisals)
        if number:
            key = instrument.facts.text("reference")
            yield Cited(
                text=f"{count(number, 'report').capitalize()} "
                f"{'was' if number == 1 else 'were'} judged with {lower_first(instrument.label)}.",
                numbers=citations.numbers((key,)) if key else (),
            )
    lacking = len(findings.studies) - len(appraisals)
    if lacking:
        yield Cited(
            text=f"{count(lacking, 'report').capitalize()} {'was' if lacking == 1 else 'were'} not judged."
        )
    yield Cited(
        text=(
            "Overall levels follow the rule of the instrument unless a person changed one and gave the "
            "reason; no study is weighted by its judgement, and sums of items have no threshold."
        ),
        numbers=citations.numbers(("handbook",)),
    )


def _choice_of_results(findings: Findings, citations: Citations) -> Iterable[Cited]:
    if not any(finding.numbers for finding in findings.analyses):
        return
    yield Cited(
        text=(
            "Each outcome has a time window in the protocol. Of several times within it, one that all arms "
            "report and that lies "
            "nearest to the target of the window was used; the others are listed."
        )
    )
    yield Cited(
        text=(
            f"A study whose longest follow-up exceeds {WIDE_RATIO:g} times its shortest has no honest time "
            f"point and entered "
            "rates per thumb-year only."
        )
    )
    yield Cited(
        text=(
            "Of several reports on one cohort one entered each analysis. Arms of one side of a comparison "
            "were combined, so that "
            "no thumb counts twice."
        ),
        numbers=citations.numbers(("handbook",)),
    )
    yield Cited(
        text=(
            "Silence about an outcome was never taken as none: only a report that says so counts as no "
            "event. Single-arm series "
            "and comparative studies were never pooled into one number."
        )
    )


def _measures(findings: Findings, citations: Citations) -> Iterable[Cited]:
    used = dict.fromkeys(finding.plan.measure for finding in findings.analyses if finding.numbers)
    for name in used:
        measure = MEASURES[name]
        outcomes = dict.fromkeys(
            finding.term.label
            for finding in findings.analyses
            if finding.plan.measure == name and finding.numbers
        )
        scales = dict.fromkeys(
            finding.table.scale
            for finding in findings.analyses
            if finding.plan.measure == name and finding.table
        )
        on = (
            ""
            if set(scales) <= {"identity"}
            else f" on the {listed([method_words(scale) for scale in scales])} scale"
        )
        yield Cited(
            text=f"{measure.label[:1].upper()}{measure.label[1:]}{on}: {listed(list(outcomes))}.",
            numbers=citations.numbers(measure.references),
        )
    corrected = {
        finding.table.zero_cells
        for finding in findings.analyses
        if finding.table is not None and any("added" in step.rule for step in finding.table.assumptions)
    }
    if "constant" in corrected:
        yield Cited(
            text="For inverse-variance pooling, 0.5 was added to studies with an empty cell, and only to "
            "those.",
            numbers=citations.numbers(("sweeting_2004",)),
        )
    if "treatment_arm" in corrected:
        yield Cited(
            text="For inverse-variance pooling, studies with an empty cell got a correction that depends "
            "on the sizes of their arms.",
            numbers=citations.numbers(("sweeting_2004",)),
        )


def _pooling(findings: Findings, citations: Citations) -> Iterable[Cited]:
    by_way: dict[tuple[str, str, str], list[AnalysisFinding]] = {}
    for finding in findings.analyses:
        if finding.result is not None:
            by_way.setdefault(_way(finding.result), []).append(finding)
    for (model, estimator, interval), members in by_way.items():
        references = tuple(
            dict.fromkeys(key for member in members if member.result for key in member.result.references)
        )
        yield Cited(
            text=f"{_way_words(model, estimator, interval)} ({count(len(members), 'analysis', 'analyses')}).",
            numbers=citations.numbers(references),
        )
    unpooled = [finding for finding in findings.analyses if finding.unpooled]
    if unpooled:
        yield Cited(
            text=(
                f"Studies of {count(len(unpooled), 'analysis', 'analyses')} were put together without "
                f"pooling: directions of effects were counted, whatever their p values, with an exact "
                f"interval and a sign test; effects were described by median and range; one-sided p values "
                f"were combined."
            ),
            numbers=citations.numbers(WITHOUT_POOLING),
        )
    predictions = {
        prediction.df
        for finding in findings.analyses
        if finding.result is not None and (prediction := finding.result.prediction)
    }
    if predictions:
        yield Cited(
            text=(
                "How much studies differ is told by tau and by the prediction interval; Q and I² (which "
                "follows from tau², and from Q only in models without it) are given after them and no model "
                "was chosen by either."
            ),
            numbers=citations.numbers(("higgins_thompson_spiegelhalter_2009", "higgins_thompson_2002")),
        )


def _way(result: PoolResult) -> tuple[str, str, str]:
    return result.model, result.tau2_estimator, result.mean.method


def _way_words(model: str, estimator: str, interval: str) -> str:
    if model == "single_study":
        return "A single study was shown as it is, with nothing pooled"
    label = MODELS[model].label if model in MODELS else method_words(model)
    text = label[:1].upper() + label[1:]
    if estimator:
        text += f", variance between studies by {method_words(estimator)}"
    return f"{text}, interval of the mean by {method_words(interval)}"


def _other_choices(findings: Findings) -> Iterable[Cited]:
    found: dict[str, list[str]] = {}
    for finding in findings.analyses:
        for row in finding.sensitivity:
            found.setdefault(kind_of(row.name), []).append(finding.plan.id)
    if found:
        told = [
            f"{label} ({count(len(found[kind]), 'answer')} in "
            f"{count(len(set(found[kind])), 'analysis', 'analyses')})"
            for kind, label in KINDS.items()
            if kind in found
        ]
        yield Cited(
            text="Beside each planned answer the same question was answered under other choices, where that "
            f"changes the numbers: {'; '.join(told)}. Each stands with its result."
        )


def _software(findings: Findings) -> Iterable[Cited]:
    versions = listed([f"{name} {version}" for name, version in findings.versions.items()])
    yield Cited(text=f"All numbers and figures were made by metakit from the study records, with {versions}.")
