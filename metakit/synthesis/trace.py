"""The path of a number: from the page of a paper to its weight in an analysis."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from metakit.core.limits import finite_or_none
from metakit.core.notes import Assumption
from metakit.core.records import ContrastValue, StudyRecord
from metakit.core.values import OutcomeValue, PaperPlace
from metakit.errors import UnknownNameError
from metakit.synthesis.findings import AnalysisFinding, Findings

_TYPED = (
    "events", "total", "event_count", "percent", "n", "mean", "standard_deviation", "standard_error",
    "interval_lower", "interval_upper", "median", "first_quartile", "third_quartile", "minimum", "maximum",
)  # fmt: skip

_SAID = (
    "estimate", "standard_error", "interval_lower", "interval_upper", "p_value", "observed_minus_expected",
    "logrank_variance",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedStep:
    """One outcome of one arm as it stands in the record, in the vocabulary's unit, and where it came from.

    `place` is file, line and column of the entry; `source` the page and table of the paper, `in_paper` where
    on its pages the numbers stand, for those whose place was kept.
    """

    arm: str
    arm_label: str
    time: str
    reporting: str
    numbers: Mapping[str, float]
    conversion: str
    source: str
    place: str
    in_paper: tuple[PaperPlace, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisStep:
    """What became of the study in one analysis: numbers as analysed, effect and weight, or why not.

    `effect`, `interval` are on the measure's analysis scale; `weight` is a fraction. `sides` holds for each
    side its label, the numbers as typed or derived and those after the design effect.
    """

    analysis: str
    measure: str
    scale: str
    used: bool
    reason: str
    sides: tuple[tuple[str, Mapping[str, float], Mapping[str, float]], ...]
    derivations: tuple[Assumption, ...]
    effect: float | None = None
    interval: tuple[float, float] | None = None
    weight: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """The whole path of the numbers of one outcome in one study."""

    study: str
    name: str
    outcome: str
    extractor: str
    status: str
    decisions: tuple[Mapping[str, Any], ...]
    typed: tuple[TypedStep, ...]
    analyses: tuple[AnalysisStep, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the path as JSON; an unbounded limit is null."""
        return {name: finite_or_none(value) for name, value in asdict(self).items()}


def trace(findings: Findings, *, study: str, outcome: str, arm: str = "") -> Trace:
    """Follow the numbers of one outcome of one study from the paper into every analysis and option pair.

    Parameters
    ----------
    findings : Findings
        Of the review.
    study, outcome : str
        Id of the study; outcome of the vocabulary that the study has an entry for.
    arm : str
        Id of one arm; all arms when empty.

    Raises
    ------
    UnknownNameError
        For a study, outcome or arm that the records do not have, with the nearest ones.
    """
    records = {record.id: record for record in findings.studies}
    if study not in records:
        raise UnknownNameError("study", study, records)
    record = records[study]
    arms = {item.id: item.label for item in record.arms}
    if arm and arm not in arms:
        raise UnknownNameError("arm", arm, arms)
    said = [item for item in record.contrasts if item.outcome == outcome and arm in _either("", item)]
    entered = dict.fromkeys([*(v.outcome for v in record.outcomes), *(c.outcome for c in record.contrasts)])
    if outcome not in entered:
        raise UnknownNameError(f"outcome of {study}", outcome, entered)
    values = [v for v in record.outcomes if v.outcome == outcome and arm in ("", v.arm)]
    if not values and not said:
        raise UnknownNameError(
            f"arm with {outcome}", arm, [v.arm for v in record.outcomes if v.outcome == outcome]
        )
    return Trace(
        study=study,
        name=findings.names[study],
        outcome=outcome,
        extractor=record.extractor,
        status=record.status,
        decisions=decisions_on(findings, study, outcome, [arm] if arm else ()),
        typed=(
            *(typed_step(value, record) for value in values),
            *(contrast_step(contrast, record) for contrast in said),
        ),
        analyses=tuple(
            analysis_step(finding, record, findings.names[study])
            for finding in (*findings.analyses, *_pairs_of(findings, study))
            if finding.plan.outcome == outcome
        ),
    )


def _pairs_of(findings: Findings, study: str) -> list[AnalysisFinding]:
    """Return the pairs of options that a study's arms are in."""
    return [
        pair.finding
        for pair in findings.pairs
        if any(numbers.study.id == study for numbers in pair.finding.numbers)
    ]


def decisions_on(
    findings: Findings, study: str, outcome: str, arms: Collection[str] = ()
) -> tuple[Mapping[str, Any], ...]:
    """Return the decisions by which two extractors agreed on an outcome of a study, and on its arms.

    Which arm is which and what was done in it come first: every number rests on that. No `arms`: all of them.
    """
    mine = [found for found in findings.extraction.decisions if found["study"] == study]
    about = [(found, *_about(str(found.get("field", "")))) for found in mine]
    named = [
        found
        for found, section, parts in about
        if section == "arms" and (not parts or not arms or parts[0] in arms)
    ]
    entries = [
        found
        for found, section, parts in about
        if section != "arms" and outcome in parts and (not arms or any(arm in parts for arm in arms))
    ]
    return (*named, *entries)


def scale_words(scale: str) -> str:
    """Say on which scale an effect stands; nothing where it is the one in which it is reported.

    Examples
    --------
    >>> scale_words("log"), scale_words("identity")
    (' on the log scale', '')
    """
    return "" if scale in ("identity", "raw", "") else f" on the {scale.replace('_', ' ')} scale"


def _about(address: str) -> tuple[str, list[str]]:
    """Return the section of an address and the parts of its entry's key."""
    section, _, rest = address.partition("[")
    return section, rest.partition("]")[0].split("/") if rest else []


def typed_step(value: OutcomeValue, record: StudyRecord) -> TypedStep:
    """Return one outcome of one arm as it was typed."""
    arms = {item.id: item.label for item in record.arms}
    numbers = {name: getattr(value, name) for name in _TYPED}
    return TypedStep(
        arm=value.arm,
        arm_label=arms.get(value.arm, value.arm),
        time=value.time_label,
        reporting=value.reporting,
        numbers={name: float(number) for name, number in numbers.items() if number is not None},
        conversion=value.conversion,
        source=value.source,
        place=str(value.place) if value.place else "",
        in_paper=places_in_paper(value.address, record),
    )


def places_in_paper(address: str, record: StudyRecord) -> tuple[PaperPlace, ...]:
    """Return where in the paper the fields of an entry stand, for those whose place was kept."""
    return tuple(place for place in record.places if address and place.field.startswith(f"{address}."))


def _either(nothing: str, contrast: ContrastValue) -> tuple[str, str, str]:
    return nothing, contrast.arm, contrast.comparator


def contrast_step(contrast: ContrastValue, record: StudyRecord) -> TypedStep:
    """Return what a report says about two arms, as it was typed."""
    arms = {item.id: item.label for item in record.arms}
    one, other = (arms.get(name, name) for name in (contrast.arm, contrast.comparator))
    measure = contrast.measure.replace("_", " ") or "test"
    adjusted = f", adjusted for {contrast.adjusted_for}" if contrast.adjusted_for else ""
    numbers = {name: getattr(contrast, name) for name in _SAID}
    return TypedStep(
        arm=contrast.arm,
        arm_label=f"{one} against {other}, {measure}{adjusted}",
        time=contrast.time_label or "time not stated",
        reporting="reported",
        numbers={name: float(number) for name, number in numbers.items() if number is not None},
        conversion="",
        source=contrast.source,
        place=record.file,
        in_paper=places_in_paper(contrast.address, record),
    )


def analysis_step(finding: AnalysisFinding, record: StudyRecord, name: str) -> AnalysisStep:
    """Return what became of a study, shown under `name`, in one analysis."""
    mine = next((numbers for numbers in finding.numbers if numbers.study.id == record.id), None)
    steps = [step for step in finding.assumptions if step.study == name]
    row = None
    if mine is not None and finding.result is not None:
        shown = (found.row for found in finding.rows_shown)
        row = next((item for item in shown if item is not None and item.study == mine.name), None)
    reasons: Sequence[str] = [item.reason for item in finding.set_aside if item.study == name]
    used = row is not None
    return AnalysisStep(
        analysis=finding.plan.id,
        measure=finding.plan.measure,
        scale=finding.table.scale if finding.table is not None else "",
        used=used,
        reason=""
        if used
        else "; ".join(reasons) or finding.answer.reason or "its arms do not fit the question",
        sides=tuple(
            (side.label, dict(side.numbers), dict(side.effective)) for side in (mine.sides if mine else ())
        ),
        derivations=tuple(dict.fromkeys(steps)),
        effect=row.effect if row else None,
        interval=tuple(row.interval) if row and row.interval else None,  # type: ignore[arg-type]
        weight=row.weight if row else None,
    )
