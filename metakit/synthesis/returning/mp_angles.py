"""MP angles: their change where the joint was left alone, what stays over each limit, what comes back.

Angles are degrees of hyperextension, so that a change below zero is less of it. A change within one arm holds
the natural course and regression to the mean as well as the operation. Coarse bands are intervals: a band
that runs across a limit is counted once as below it and once as over it, never forced to a side.

References
----------
Cochrane Handbook, section 6.5.2.8, for the standard deviation of a change.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from metakit.core.notes import Assumption, SetAside
from metakit.core.records import Arm, StudyRecord
from metakit.core.results import PoolResult
from metakit.core.values import Band, OutcomeValue
from metakit.errors import NotEstimableError
from metakit.forms.library import vocabulary
from metakit.measures.converting.change_scores import USUAL_CORRELATIONS, change_sd
from metakit.measures.tables import effect_sizes
from metakit.models.pool import pool
from metakit.synthesis.gathering.arms import is_retracted
from metakit.synthesis.gathering.means import mean_and_spread
from metakit.synthesis.gathering.rows import Choices, UnusableError
from metakit.synthesis.gathering.source_options import usable_arms
from metakit.synthesis.returning.mp_limits import _left, over_limits
from metakit.synthesis.returning.trouble_findings import (
    AngleArm,
    AngleChange,
    AngleFindings,
    RecurrenceRow,
)
from metakit.synthesis.terms import label_of

MEASURED, CAME_BACK = "measured", "came_back"
CORRELATION = 0.5
"""Correlation of the angle before and after where no report gives it: common practice, no source; varied."""
BANDS = ((None, 20.0), (20.0, 30.0), (30.0, 40.0), (40.0, None))
"""Bands of the mean angle before, where a report gives no bands: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """An arm, or the thumbs of it with one option or in one band."""

    study: StudyRecord
    name: str
    arm: Arm
    option: str
    band: Band | None
    whole: bool
    values: tuple[OutcomeValue, ...]


def _tells(outcome: str, what: str) -> bool:
    """Say whether an outcome is the angle (`measured`), or its coming back (`came_back`)."""
    outcomes = vocabulary("outcomes")
    return outcome in outcomes and outcomes[outcome].facts.text("joint_angle") == what


def angle_findings(studies: Sequence[StudyRecord], names: Mapping[str, str]) -> AngleFindings:
    """Return all that the records say of MP angles after surgery."""
    told = [study for study in studies if not is_retracted(study)]
    parts = [part for study in told for part in _parts(study, names[study.id])]
    assumptions: list[Assumption] = []
    aside: list[SetAside] = []
    arms = [found for part in parts if (found := _change(part, CORRELATION, assumptions, aside)) is not None]
    varied = {
        r: [found for part in parts if (found := _change(part, r, [], [])) is not None]
        for r in USUAL_CORRELATIONS
        if r != CORRELATION
    }
    whole = {(arm.study, arm.arm) for arm in arms if arm.whole}
    in_bands = {(arm.study, arm.arm) for arm in arms if not arm.whole and arm.band}

    def left_alone(arm: AngleArm) -> str:
        """Group arms by technique; a part enters only where nothing is told of the whole arm."""
        once = arm.whole or (arm.study, arm.arm) not in whole
        return f"Left alone: {arm.technique}" if once and _left(arm.option) else ""

    def by_option(arm: AngleArm) -> str:
        """Group by option and band; a whole arm enters only where nothing is told of its bands."""
        return "" if arm.whole and (arm.study, arm.arm) in in_bands else _option_and_band(arm)

    left = _pooled(arms, varied, left_alone)
    options = _pooled(arms, varied, by_option)
    return AngleFindings(
        left_alone=left,
        by_option=options,
        over_limits=over_limits(told, names),
        recurrence=tuple(row for study in told for row in _recurrence(study, names[study.id])),
        set_aside=tuple(dict.fromkeys(aside)),
        assumptions=tuple(dict.fromkeys(assumptions)),
    )


def _option_and_band(arm: AngleArm) -> str:
    option = label_of("mp_options", arm.option)
    return f"{option}; {arm.band} before" if arm.band else option


def _parts(study: StudyRecord, name: str) -> list[_Part]:
    found = []
    for arm in usable_arms(study):
        own = tuple(
            value for value in study.outcomes if value.arm == arm.id and _tells(value.outcome, MEASURED)
        )
        if own:
            found.append(
                _Part(
                    study=study, name=name, arm=arm, option=arm.mp_option, band=None, whole=True, values=own
                )
            )
        groups: dict[tuple[str, Band | None], list[OutcomeValue]] = {}
        for entry in study.subgroups:
            if entry.value.arm == arm.id and _tells(entry.value.outcome, MEASURED):
                key = (entry.mp_option or arm.mp_option, entry.mp_before)
                groups.setdefault(key, []).append(entry.value)
        found += [
            _Part(
                study=study, name=name, arm=arm, option=option, band=band, whole=False, values=tuple(values)
            )
            for (option, band), values in groups.items()
        ]
    return found


def _change(
    part: _Part, correlation: float, assumptions: list[Assumption], aside: list[SetAside]
) -> AngleArm | None:
    try:
        return _change_or_refuse(part, correlation, assumptions)
    except UnusableError as reason:
        aside.append(SetAside(study=part.name, reason=str(reason)))
        return None


def _change_or_refuse(part: _Part, correlation: float, assumptions: list[Assumption]) -> AngleArm | None:
    unusable = [value.unusable for value in part.values if value.unusable]
    usable = [
        value
        for value in part.values
        if not value.unusable and (value.mean is not None or value.median is not None)
    ]
    changes = [value for value in usable if value.kind == "change"]
    after = [value for value in usable if value.kind == "final"]
    before = [value for value in usable if value.kind == "baseline"]
    if not changes and not after:
        if unusable:
            raise UnusableError(f"{part.arm.label}: {unusable[0]}")
        return None
    log: list[Assumption] = []
    if changes and after and before and _contradicts(changes[-1], before[0], max(after, key=_months)):
        log.append(
            Assumption(
                study=part.name,
                rule="change taken from the angles before and after, since the typed change contradicts them",
                inputs=f"{part.arm.label}: typed {changes[-1].mean:+g}, from {before[0].mean:g} to "
                f"{max(after, key=_months).mean:g}",
            )
        )
        changes = []
    start = _numbers(part, before[0], log) if before else _before_of_arm(part)
    if changes:
        found = _numbers(part, max(changes, key=_months), log)
        change, spread, size = found["mean"], found["sd"], found["total"]
        end = None
    else:
        final = _numbers(part, max(after, key=_months), log)
        if start is None or "sd" not in start:
            raise UnusableError(f"{part.arm.label}: no angle with its spread before surgery")
        derived = change_sd(start["sd"], final["sd"], correlation)
        log.append(
            Assumption(
                study=part.name,
                rule=derived.rule,
                inputs=f"{part.arm.label}: {derived.inputs}",
                reference=derived.reference,
            )
        )
        change, spread, size = final["mean"] - start["mean"], derived.value, final["total"]
        end = final["mean"]
    assumptions.extend(log)
    begun = start["mean"] if start else None
    return AngleArm(
        study=part.name,
        arm=part.arm.label,
        technique=label_of("techniques", part.arm.technique),
        option=part.option,
        band=str(part.band) if part.band else _band_of_mean(begun),
        thumbs=int(size),
        before=begun,
        after=end if end is not None else (begun + change if begun is not None else None),
        change=change,
        standard_deviation=spread,
        whole=part.whole,
    )


def _contradicts(change: OutcomeValue, before: OutcomeValue, after: OutcomeValue) -> bool:
    """Say whether a typed change has the other sign than the angles before and after."""
    if change.mean is None or before.mean is None or after.mean is None:
        return False
    return change.mean * (after.mean - before.mean) < 0


def _numbers(part: _Part, value: OutcomeValue, log: list[Assumption]) -> dict[str, float]:
    numbers, steps = mean_and_spread(part.name, part.study, part.arm, value, Choices(icc=0.0))
    log += steps
    return numbers


def _before_of_arm(part: _Part) -> dict[str, float] | None:
    angle = part.arm.mp_preoperative
    if part.band is not None or angle.mean is None:
        return None
    found = {"mean": angle.mean}
    return found if angle.standard_deviation is None else found | {"sd": angle.standard_deviation}


def _months(value: OutcomeValue) -> float:
    return value.months if value.months is not None else float("inf")


def _band_of_mean(mean: float | None) -> str:
    if mean is None:
        return ""
    for low, high in BANDS:
        if (low is None or mean >= low) and (high is None or mean < high):
            return f"mean {Band(lower=low, upper=high, lower_inside=True)}"
    return ""


def _start_of(band: str) -> float:
    """Return the first degree that a band's words name; a band without a lower end comes first."""
    named = re.search(r"\d+(\.\d+)?", band)
    open_below = band.removeprefix("mean ").startswith(("up to", "under"))
    return float(named[0]) - 1000 * open_below if named else 0.0


def _pooled(
    arms: Sequence[AngleArm], varied: Mapping[float, Sequence[AngleArm]], group_of: Callable[[AngleArm], str]
) -> tuple[AngleChange, ...]:
    starts = {group: _start_of(arm.band) for arm in arms if (group := group_of(arm))}
    groups = sorted(starts, key=lambda group: (group.partition(";")[0], starts[group], group))
    found = []
    for group in groups:
        own = tuple(arm for arm in arms if group_of(arm) == group)
        result, reason = _pool(own)
        others = {
            r: answer
            for r, changed in varied.items()
            if (answer := _pool([arm for arm in changed if group_of(arm) == group])[0]) is not None
        }
        found.append(
            AngleChange(
                group=group, arms=own, result=result, reason=reason, correlation=CORRELATION, varied=others
            )
        )
    return tuple(found)


def _pool(arms: Sequence[AngleArm]) -> tuple[PoolResult | None, str]:
    names = [f"{arm.study}, {arm.arm}" + (f", {arm.band}" if arm.band else "") for arm in arms]
    table = effect_sizes(
        {
            "study": names,
            "mean": [arm.change for arm in arms],
            "sd": [arm.standard_deviation for arm in arms],
            "total": [arm.thumbs for arm in arms],
        },
        measure="mean",
        rows_differ=True,
    )
    try:
        return pool(table), ""
    except NotEstimableError as error:
        return None, str(error)


def _recurrence(study: StudyRecord, name: str) -> list[RecurrenceRow]:
    rows = []
    for arm in usable_arms(study):
        values = [(value, arm.mp_option) for value in study.outcomes if value.arm == arm.id]
        values += [
            (entry.value, entry.mp_option or arm.mp_option)
            for entry in study.subgroups
            if entry.value.arm == arm.id
        ]
        for value, option in values:
            total = value.total if value.total is not None else arm.thumbs
            events = 0 if value.reporting == "reported_zero" else value.events
            if not _tells(value.outcome, CAME_BACK) or value.unusable or events is None or not total:
                continue
            rows.append(
                RecurrenceRow(
                    study=name,
                    arm=arm.label,
                    option=option,
                    option_label=label_of("mp_options", option),
                    months=value.months,
                    time=value.time_label or (f"{value.months:g} months" if value.months else ""),
                    limit=str(value.limit) if value.limit else value.author_definition,
                    events=events,
                    total=total,
                )
            )
    return sorted(rows, key=lambda row: (row.option, row.months or 0.0, row.study))
