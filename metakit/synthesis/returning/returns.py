"""From records to the causes for which thumbs came back: one report a cohort, each technique by itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from metakit.core.causes import Causes, CausesResult, StudyReturns
from metakit.core.notes import Assumption, SetAside
from metakit.core.records import Arm, StudyRecord
from metakit.core.returns import ArmReturns
from metakit.core.values import OutcomeValue
from metakit.errors import NotEstimableError
from metakit.forms.library import vocabulary
from metakit.models.causes_of_return.causes import merged, pool_causes
from metakit.synthesis.gathering.arms import is_retracted
from metakit.synthesis.gathering.cohorts import NO_COHORT
from metakit.synthesis.gathering.windows import LAST
from metakit.synthesis.terms import label_of

Kind = Literal["operation", "lived_with"]
MIXED = "mixed techniques"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnRow:
    """What one arm's report says: as it is shown in the table of all returns."""

    study: str
    arm: str
    technique: str
    entry: StudyReturns
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnsFound:
    """Causes pooled over a review; `causes` is None where nothing can be pooled, `reason` then says why."""

    rows: tuple[ReturnRow, ...]
    causes: Causes | None
    reason: str = ""
    set_aside: tuple[SetAside, ...] = ()


def returns_found(
    studies: Sequence[StudyRecord], names: Mapping[str, str], kind: Kind = "operation", level: float = 0.95
) -> ReturnsFound:
    """Pool the causes of one kind of return over the studies of a review.

    Parameters
    ----------
    studies : sequence of StudyRecord
    names : mapping of str to str
        Name of each study (by id) as shown.
    kind : {"operation", "lived_with"}
        Operated again, or trouble lived with.
    level : float

    Returns
    -------
    ReturnsFound
        Of several reports of one cohort the one with the longest follow-up counts, then the one with most
        returns (common practice, no source).
    """
    telling = [study for study in studies if any(entry.kind == kind for entry in study.returns)]
    kept, aside = _one_a_cohort([study for study in telling if not is_retracted(study)], names, kind)
    aside += [
        SetAside(study=names[study.id], reason="the report was retracted")
        for study in telling
        if is_retracted(study)
    ]
    assumptions: list[Assumption] = []
    rows = [row for study in kept for row in _rows(study, names[study.id], kind, assumptions)]
    entries = [row.entry for row in rows]
    try:
        overall = pool_causes(merged(entries), level=level, assumptions=assumptions)
    except NotEstimableError as error:
        reason = str(error) if telling else "no report says why thumbs came back"
        return ReturnsFound(rows=tuple(rows), causes=None, reason=reason, set_aside=tuple(aside))
    sources = {term.id for term in vocabulary("return_causes") if term.facts.flag("source_of_trouble")}
    techniques = dict.fromkeys(entry.technique for entry in entries)
    groups = [_by_technique(technique, entries, sources, level) for technique in techniques]
    by_technique = tuple(group for group in groups if group is not None) if len(techniques) > 1 else ()
    return ReturnsFound(
        rows=tuple(rows), causes=Causes(overall=overall, by_technique=by_technique), set_aside=tuple(aside)
    )


def _by_technique(
    technique: str, entries: Sequence[StudyReturns], sources: set[str], level: float
) -> CausesResult | None:
    """Answer for the causes that the technique's own studies count, and for the sources of trouble."""
    own = merged([entry for entry in entries if entry.technique == technique])
    if not any(entry.returned > entry.not_stated for entry in own):
        return None
    return pool_causes(own, level=level, technique=technique, cells=sorted(sources))


def _one_a_cohort(
    studies: Sequence[StudyRecord], names: Mapping[str, str], kind: Kind
) -> tuple[list[StudyRecord], list[SetAside]]:
    groups: dict[str, list[StudyRecord]] = {}
    for study in studies:
        key = study.id if study.cohort in NO_COHORT else f"cohort {study.cohort}"
        groups.setdefault(key, []).append(study)
    kept, aside = [], []
    for members in groups.values():
        best = max(members, key=lambda study: (_months(study), _returned(study, kind)))
        kept.append(best)
        aside += [
            SetAside(
                study=names[other.id],
                reason=f"the same cohort ({other.cohort}) as {names[best.id]}, which is used",
            )
            for other in members
            if other is not best
        ]
    return [study for study in studies if study in kept], aside


def _months(study: StudyRecord) -> float:
    times = [arm.follow_up.mean or arm.follow_up.median or 0.0 for arm in study.arms]
    return max(times, default=0.0)


def _returned(study: StudyRecord, kind: Kind) -> int:
    return sum(entry.thumbs or 0 for entry in study.returns if entry.kind == kind)


def _rows(study: StudyRecord, name: str, kind: Kind, assumptions: list[Assumption]) -> list[ReturnRow]:
    arms = {arm.id: arm for arm in study.arms}
    return [
        ReturnRow(
            study=name,
            arm=arms[entry.arm].label,
            technique=_technique(arms[entry.arm]),
            entry=study_returns(entry, arms[entry.arm], name, assumptions),
            source=entry.source,
        )
        for entry in study.returns
        if entry.kind == kind and entry.arm in arms
    ]


def _technique(arm: Arm) -> str:
    return MIXED if arm.mixed else label_of("techniques", arm.technique)


def study_returns(entry: ArmReturns, arm: Arm, name: str, assumptions: list[Assumption]) -> StudyReturns:
    """Return what an arm's report counts, with a line for every step from the typed numbers."""
    counts: dict[str, int] = {}
    for count in entry.causes:
        counts[count.cause] = counts.get(count.cause, 0) + count.thumbs
    returned = entry.thumbs if entry.thumbs is not None else entry.stated + entry.not_stated
    overlap = bool(entry.causes_overlap) or entry.stated + entry.not_stated > returned

    def assume(rule: str, inputs: str = "") -> None:
        assumptions.append(Assumption(study=name, rule=rule, inputs=inputs and f"{arm.label}: {inputs}"))

    if entry.thumbs is None:
        assume("the number of thumbs that came back is the sum of its causes", str(returned))
    if overlap and not entry.causes_overlap:
        assume(
            "causes that add up to more than the thumbs are taken to overlap",
            f"{entry.stated + entry.not_stated} for {returned} thumbs",
        )
    missing = entry.unaccounted
    if missing > entry.not_stated:
        assume(
            "thumbs under no cause are counted as thumbs without a stated cause",
            f"{entry.stated} of {returned} stand under a cause",
        )
    thumbs = entry.total if entry.total is not None else arm.thumbs
    return StudyReturns(
        study=name,
        counts=counts,
        returned=returned,
        not_stated=missing,
        overlap=overlap,
        technique=_technique(arm),
        thumbs=None if thumbs is None else float(thumbs),
        time=_thumb_years(arm, thumbs, name, assumptions),
    )


def _thumb_years(arm: Arm, thumbs: int | None, name: str, assumptions: list[Assumption]) -> float | None:
    follow_up = arm.follow_up
    if follow_up.thumb_years is not None:
        return follow_up.thumb_years
    middle = follow_up.mean if follow_up.mean is not None else follow_up.median
    if middle is None or thumbs is None or middle <= 0:
        return None
    word = "mean" if follow_up.mean is not None else "median"
    time = thumbs * middle / 12
    assumptions.append(
        Assumption(
            study=name,
            rule=f"thumb-years derived as thumbs times {word} follow-up",
            inputs=f"{arm.label}: {thumbs} thumbs × {middle:g} months = {time:.1f} thumb-years",
        )
    )
    return time


def with_return_outcomes(study: StudyRecord) -> StudyRecord:
    """Return a study with its returns by cause as outcomes, where the report does not give them itself.

    A cause that a complete breakdown leaves out is a zero; one that an incomplete breakdown leaves out is not
    reported.
    """
    made = [value for term, cause in _outcomes() for value in _values(study, term, cause)]
    return replace(study, outcomes=(*study.outcomes, *made)) if made else study


def _outcomes() -> list[tuple[str, str]]:
    terms = vocabulary("outcomes")
    return [(term.id, term.facts.text("cause")) for term in terms if term.facts.text("cause")]


def _values(study: StudyRecord, outcome: str, cause: str) -> list[OutcomeValue]:
    typed = {value.arm for value in study.outcomes if value.outcome == outcome}
    arms = {arm.id: arm for arm in study.arms}
    made = []
    for entry in study.returns:
        if entry.kind != "operation" or entry.arm in typed or entry.arm not in arms:
            continue
        counts = [count.thumbs for count in entry.causes if count.cause == cause]
        if not counts and entry.unaccounted:
            continue
        events = sum(counts)
        made.append(
            OutcomeValue(
                arm=entry.arm,
                outcome=outcome,
                months=None,
                time_label=LAST,
                unit_of_analysis="thumbs",
                reporting="reported" if events else "reported_zero",
                author_definition=f"from the reasons for coming back: {label_of('return_causes', cause)}",
                events=events,
                total=entry.total if entry.total is not None else arms[entry.arm].thumbs,
                source=entry.source,
            )
        )
    return made
