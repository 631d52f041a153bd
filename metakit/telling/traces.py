"""The path of each study's numbers in an analysis, to be opened beside the number itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import chain

from metakit.core.records import StudyRecord
from metakit.core.values import PaperPlace
from metakit.measures.registry import MEASURES
from metakit.review.reconciling.reconcile_decisions import in_words
from metakit.review.reports import PICTURES_CAUTION
from metakit.synthesis.findings import AnalysisFinding, Findings
from metakit.synthesis.gathering.rows import StudyNumbers
from metakit.synthesis.trace import (
    AnalysisStep,
    TypedStep,
    analysis_step,
    contrast_step,
    decisions_on,
    scale_words,
    typed_step,
)
from metakit.telling.blocks import PlaceShown, Point
from metakit.telling.study_numbers import show_numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceStep:
    """One step of the path: what it is called, its lines, and a caution below them."""

    name: str
    lines: tuple[str | Point, ...]
    caution: str = ""


def places_of(findings: Findings) -> tuple[PaperPlace, ...]:
    """Return the places in papers that the paths of all analyses lead to, each once."""
    steps = (
        step
        for finding in findings.analyses
        for study in finding.numbers
        for step in _typed_steps(finding, study)
    )
    return tuple(dict.fromkeys(chain.from_iterable(step.in_paper for step in steps)))


def path_of(
    findings: Findings,
    finding: AnalysisFinding,
    study: StudyNumbers,
    *,
    effect: str,
    weight: str,
    places: Mapping[PaperPlace, PlaceShown] | None = None,
) -> tuple[TraceStep, ...]:
    """Return the steps from the paper to the weight of one study in one analysis.

    Parameters
    ----------
    findings : Findings
    finding : AnalysisFinding
    study : StudyNumbers
        One of the analysis.
    effect, weight : str
        As the table beside shows them.
    places : mapping, optional
        Pictures of places in papers, where they were asked for.
    """
    record = study.study
    values = [value for side in study.sides for value in side.values]
    typed = _typed_steps(finding, study)
    paper = tuple(_paper(record, typed, places or {}))
    pictured = any(isinstance(line, Point) and line.pictures for line in paper)
    entered = analysis_step(finding, record, study.name)
    steps = [
        TraceStep(name="The paper", lines=paper, caution=PICTURES_CAUTION if pictured else ""),
        TraceStep(name="As typed", lines=tuple(_typed(record, typed))),
        TraceStep(
            name="Decided by two people",
            lines=tuple(
                map(
                    _decided,
                    decisions_on(findings, record.id, finding.plan.outcome, {value.arm for value in values}),
                )
            ),
        ),
        TraceStep(
            name="Derived or assumed",
            lines=tuple(
                f"{step.rule}{f' ({step.inputs})' if step.inputs else ''}" for step in entered.derivations
            ),
        ),
        TraceStep(name="As analysed", lines=tuple(_analysed(finding, study))),
        TraceStep(name="In the answer", lines=tuple(_entered(entered, effect, weight))),
    ]
    return tuple(step for step in steps if step.lines)


def _typed_steps(finding: AnalysisFinding, study: StudyNumbers) -> list[TypedStep]:
    record = study.study
    typed = [typed_step(value, record) for side in study.sides for value in side.values]
    if study.ready:
        typed += [
            contrast_step(contrast, record)
            for contrast in record.contrasts
            if contrast.outcome == finding.plan.outcome and contrast.measure == finding.plan.measure
        ]
    return typed


def _paper(
    record: StudyRecord, typed: list[TypedStep], places: Mapping[PaperPlace, PlaceShown]
) -> Iterable[str | Point]:
    if record.citation:
        yield record.citation
    yield from dict.fromkeys(step.source for step in typed if step.source)
    at: dict[str, list[PaperPlace]] = {}
    for step in typed:
        for place in step.in_paper:
            at.setdefault(f"{step.arm_label}, {step.time}: {place}", []).append(place)
    for where, there in at.items():
        names = (place.field.rpartition("].")[2].replace("_", " ").replace(".", " ") for place in there)
        line = f"{where} ({', '.join(dict.fromkeys(names))})"
        shown = {place: places[place] for place in there if place in places}
        if not shown:
            yield line
            continue
        pictures = {found.file: str(place) for place, found in shown.items() if found.file}
        why = "".join(f"; {text}" for text in dict.fromkeys(found.why for found in shown.values()) if text)
        yield Point(words=f"{line}{why}", pictures=tuple(pictures.items()))


def _typed(record: StudyRecord, typed: list[TypedStep]) -> Iterable[str]:
    for step in typed:
        numbers = ", ".join(f"{name.replace('_', ' ')} {value:.6g}" for name, value in step.numbers.items())
        line = f"{step.arm_label}, {step.time}: {numbers or step.reporting.replace('_', ' ')}"
        if step.conversion:
            line += f"; converted: {step.conversion}"
        yield f"{line} [{step.place}]" if step.place else line
    yield f"Typed by {record.extractor or 'an unnamed extractor'}; the record is {record.status}."


def _decided(found: Mapping[str, object]) -> str:
    value = f" {found['other_value']}" if found.get("other_value") else ""
    return (
        f"{in_words(str(found['field']))}: as {found['decision']}{value}, by {found['decided_by']} "
        f"on {found['decided_on']}: {found['reason']}"
    )


def _analysed(finding: AnalysisFinding, study: StudyNumbers) -> Iterable[str]:
    kind = MEASURES[finding.plan.measure].kind.name
    for side in study.sides:
        typed, effective = show_numbers(side.numbers, kind), show_numbers(side.effective, kind)
        more = "" if typed == effective else f"; after the design effect {effective}"
        yield f"{side.label}: {typed}{more}"


def _entered(step: AnalysisStep, effect: str, weight: str) -> Iterable[str]:
    if step.effect is not None and effect != "–":
        on_scale = scale_words(step.scale)
        yield f"Effect {effect}; {step.effect:.4g}{on_scale}." if on_scale else f"Effect {effect}."
    if weight and weight != "–":
        yield f"Weight {weight} of the pooled answer."
    if not step.used:
        yield f"Not in the pooled answer: {step.reason}."
