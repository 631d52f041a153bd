"""Each option at a source of trouble by itself: how often its outcomes occur, over arms of whatever design.

Naive by intention: it says what was seen after an option where nobody compared it, and is never subtracted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from metakit.core.records import StudyRecord
from metakit.core.values import OutcomeValue
from metakit.synthesis.gathering.arms import is_retracted
from metakit.synthesis.gathering.source_options import Source, pooled_proportion, usable_arms
from metakit.synthesis.gathering.windows import LAST
from metakit.synthesis.returning.trouble_findings import SingleArms
from metakit.synthesis.terms import outcome_term


def single_arms(
    source: Source, outcomes: Sequence[str], studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> tuple[SingleArms, ...]:
    """Return one entry an option and outcome that some arm counts at its last follow-up."""
    found = []
    for option, label, _ in source.options:
        for outcome in outcomes:
            if outcome_term(outcome).kind != "events":
                continue
            counts = _counts(source, option, outcome, studies, names)
            if not counts:
                continue
            result, reason = pooled_proportion(counts)
            found.append(
                SingleArms(
                    option=option,
                    label=label,
                    outcome=outcome,
                    studies=tuple(name for name, _, _ in counts),
                    thumbs=int(sum(events for _, events, _ in counts)),
                    total=int(sum(total for _, _, total in counts)),
                    result=result,
                    reason=reason,
                )
            )
    return tuple(found)


def _counts(
    source: Source, option: str, outcome: str, studies: Sequence[StudyRecord], names: Mapping[str, str]
) -> list[tuple[str, float, float]]:
    """Return study, thumbs and total; of several reports of one cohort the one with most thumbs."""
    found: dict[str, tuple[str, float, float]] = {}
    for study in studies:
        if is_retracted(study):
            continue
        own = [arm for arm in usable_arms(study) if getattr(arm, source.kind) == option]
        told = [_count(study, arm.id, outcome, arm.thumbs) for arm in own]
        told += [
            _of(part.value, None)
            for part in study.subgroups
            if getattr(part, source.kind) == option
            and part.mp_before is None
            and part.value.outcome == outcome
            and part.value.arm not in {arm.id for arm in own}
        ]
        known = [count for count in told if count is not None]
        total = sum(size for _, size in known)
        cohort = study.cohort or study.id
        if total and (cohort not in found or found[cohort][2] < total):
            found[cohort] = (names[study.id], sum(events for events, _ in known), total)
    return list(found.values())


def _count(study: StudyRecord, arm: str, outcome: str, thumbs: int | None) -> tuple[float, float] | None:
    """Return events and total of an arm: at last follow-up, else at the latest time."""
    values = [value for value in study.outcomes if (value.arm, value.outcome) == (arm, outcome)]
    values.sort(key=lambda value: (value.time_label == LAST, value.months or 0.0))
    counts = [count for value in values if (count := _of(value, thumbs)) is not None]
    return counts[-1] if counts else None


def _of(value: OutcomeValue, thumbs: int | None) -> tuple[float, float] | None:
    events = 0 if value.reporting == "reported_zero" else value.events
    total = value.total if value.total is not None else thumbs
    if events is None or not total or value.unusable or value.counted != "per_thumb":
        return None
    return float(min(events, total)), float(total)
