"""The moderators: how the value of each follows from a study's arms in an analysis."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from metakit.core.plans import ARM_OPTIONS
from metakit.core.records import Arm, StudyRecord
from metakit.forms.library import vocabulary
from metakit.review.appraisal import overall_of
from metakit.synthesis.exploring.moderator_shapes import (
    MODERATORS,
    Found,
    MissingValueError,
    Moderator,
    arms_of,
)
from metakit.synthesis.gathering.rows import SideNumbers, StudyNumbers
from metakit.synthesis.terms import label_of


def _moderator(name: str) -> Callable[[Callable[[StudyNumbers, str], Found]], object]:
    def add(read: Callable[[StudyNumbers, str], Found]) -> object:
        return MODERATORS.add(Moderator(name=name, read=read))

    return add


def _typed(study: StudyRecord, arm: Arm, *path: str) -> Any:
    """Return what an arm's record holds under a path, None for what is absent or not reported."""
    found: Any = next((item for item in study.fields.get("arms", ()) if item.get("id") == arm.id), None)
    for name in path:
        found = found.get(name) if isinstance(found, Mapping) else None
    return found if isinstance(found, (int, float)) and not isinstance(found, bool) else None


Reader = Callable[[StudyRecord, Arm], tuple[float, float, str]]
"""Value of an arm, its weight, and how it was obtained."""


def _over_arms(study: StudyNumbers, sides: Sequence[SideNumbers], read: Reader) -> Found:
    """Weight the arms' values; an arm without one leaves the study without one."""
    found, lacking = [], []
    for arm in (part.arm for side in sides for part in side.arms):
        try:
            found.append((arm, *read(study.study, arm)))
        except MissingValueError as reason:
            lacking.append(f"{arm.label}: {reason}")
    if lacking:
        raise MissingValueError("; ".join(lacking))
    total = sum(weight for _, _, weight, _ in found)
    mean = sum(value * weight for _, value, weight, _ in found) / total
    basis = "; ".join(f"{arm.label}: {value:.4g} ({how})" for arm, value, _, how in found)
    return mean, basis


def _add_mean(name: str, read: Reader, *, difference: bool = False) -> None:
    MODERATORS.add(Moderator(name=name, read=lambda study, outcome: _over_arms(study, study.sides, read)))
    if difference:

        def minus(study: StudyNumbers, outcome: str) -> Found:
            if len(study.sides) != 2:
                raise MissingValueError("one arm has no difference")
            sides = [_over_arms(study, [side], read) for side in study.sides]
            return float(sides[0][0]) - float(sides[1][0]), f"{sides[0][1]} minus {sides[1][1]}"

        MODERATORS.add(Moderator(name=f"{name}_difference", read=minus))


def _weight(arm: Arm, counted: str) -> float:
    sizes = (arm.thumbs, arm.patients) if counted == "thumbs" else (arm.patients, arm.thumbs)
    size = next((size for size in sizes if size), None)
    if size is None:
        raise MissingValueError("neither thumbs nor patients of the arm are reported")
    return float(size)


def _mp_angle(study: StudyRecord, arm: Arm) -> tuple[float, float, str]:
    size = _weight(arm, "thumbs")
    if arm.mp_preoperative_mean is not None:
        return arm.mp_preoperative_mean, size, f"mean, {size:g} thumbs"
    if _typed(study, arm, "mp_preoperative", "mean") is not None:
        raise MissingValueError("direction of the MP angle is unclear")
    raise MissingValueError("mean MP hyperextension not reported")


def _age(study: StudyRecord, arm: Arm) -> tuple[float, float, str]:
    size = _weight(arm, "patients")
    if arm.age_mean is not None:
        return arm.age_mean, size, f"mean, {size:g} patients"
    median = _typed(study, arm, "age", "median")
    if median is None:
        raise MissingValueError("age not reported")
    return float(median), size, f"median, {size:g} patients"


def _follow_up(study: StudyRecord, arm: Arm) -> tuple[float, float, str]:
    size, follow = _weight(arm, "thumbs"), arm.follow_up
    if follow.mean is not None:
        return follow.mean, size, f"mean, {size:g} thumbs"
    if follow.median is None:
        raise MissingValueError("mean follow-up not reported")
    return follow.median, size, f"median, {size:g} thumbs"


def _share(count: float | None, total: float | None, what: str) -> tuple[float, float, str]:
    if count is None or not total:
        raise MissingValueError(f"{what} not reported")
    if count > total:
        raise MissingValueError(f"{what}: {count:g} counted in an arm of {total:g} analysed")
    return 100 * count / total, float(total), f"{count:g} of {total:g}"


def _over_30(study: StudyRecord, arm: Arm) -> tuple[float, float, str]:
    return _share(
        _typed(study, arm, "mp_preoperative", "over_30"), arm.thumbs, "thumbs beyond 30 degrees of MP"
    )


def _women(study: StudyRecord, arm: Arm) -> tuple[float, float, str]:
    return _share(arm.women, arm.patients, "women")


def _late_stage(study: StudyRecord, arm: Arm) -> tuple[float, float, str]:
    stages = [_typed(study, arm, "eaton_stage", f"stage_{stage}") for stage in (1, 2, 3, 4)]
    # A stage left blank is not zero: with one missing, the share of the late ones is not known.
    if any(stage is None for stage in stages):
        raise MissingValueError("Eaton stages not all reported")
    return _share(stages[2] + stages[3], sum(stages), "Eaton stages")


_add_mean("mp_hyperextension", _mp_angle, difference=True)
_add_mean("mp_over_30_percent", _over_30)
_add_mean("age", _age, difference=True)
_add_mean("women_percent", _women)
_add_mean("stage_3_or_4_percent", _late_stage)
_add_mean("follow_up", _follow_up, difference=True)


@_moderator("result_time")
def _result_time(study: StudyNumbers, outcome: str) -> Found:
    times = {part.arm.id: part.value.months for side in study.sides for part in side.arms}

    def read(record: StudyRecord, arm: Arm) -> tuple[float, float, str]:
        months = times[arm.id]
        if months is None:
            return _follow_up(record, arm)
        size = _weight(arm, "thumbs")
        return months, size, f"time of the value, {size:g} thumbs"

    return _over_arms(study, study.sides, read)


@_moderator("year")
def _year(study: StudyNumbers, outcome: str) -> Found:
    if study.study.year is None:
        raise MissingValueError("year not reported")
    return study.study.year, "publication"


@_moderator("thumbs")
def _thumbs(study: StudyNumbers, outcome: str) -> Found:
    if any(arm.thumbs is None for arm in arms_of(study)):
        raise MissingValueError("thumbs not reported in every arm")
    return float(sum(arm.thumbs or 0 for arm in arms_of(study))), "sum of the arms"


@_moderator("design")
def _design(study: StudyNumbers, outcome: str) -> Found:
    return study.study.design, ""


@_moderator("design_group")
def _design_group(study: StudyNumbers, outcome: str) -> Found:
    return study.study.design_group, ""


@_moderator("concern")
def _concern(study: StudyNumbers, outcome: str) -> Found:
    overall = overall_of(study.study, outcome)
    if overall is None:
        raise MissingValueError("not appraised")
    if not overall.level:
        raise MissingValueError(f"no overall level ({overall.basis})")
    return overall.concern, f"overall: {overall.label}"


def _against(study: StudyNumbers, read: Callable[[Arm], str], silent: Mapping[str, str]) -> Found:
    """Write what each side had: one word where both had the same, otherwise 'this against that'."""
    sides = []
    for side in study.sides:
        had = dict.fromkeys(read(part.arm) for part in side.arms)
        for option in had:
            if option in silent:
                raise MissingValueError(f"{side.label}: {silent[option]}")
        sides.append(" or ".join(had))
    return (sides[0] if len(set(sides)) == 1 else " against ".join(sides)), ""


@_moderator("technique")
def _technique(study: StudyNumbers, outcome: str) -> Found:
    return _against(study, lambda arm: label_of("techniques", arm.technique), {})


def _option(study: StudyNumbers, field: str, silent: str) -> Found:
    """Write what each side had of an option; a side that tells nothing has no value."""
    words = ARM_OPTIONS[field]
    untold = {
        label_of(words, term.id): silent
        for term in vocabulary(words)
        if term.facts.text("done") == "not_reported"
    }
    return _against(study, lambda arm: label_of(words, getattr(arm, field)), {"": silent, **untold})


@_moderator("mp_procedure")
def _mp_procedure(study: StudyNumbers, outcome: str) -> Found:
    return _option(study, "mp_option", "MP procedure not reported")


@_moderator("st_procedure")
def _st_procedure(study: StudyNumbers, outcome: str) -> Found:
    return _option(study, "st_option", "ST procedure not reported")


@_moderator("osteophytes")
def _osteophytes(study: StudyNumbers, outcome: str) -> Found:
    return _option(study, "osteophyte_option", "osteophytes not reported")


def component_reader(name: str) -> Callable[[StudyNumbers, str], Found]:
    """Read whether the sides have a part: all arms of a side, none, or some of its thumbs."""

    def side_has(side: SideNumbers) -> str:
        arms = [part.arm for part in side.arms]
        if all(name in arm.components for arm in arms):
            return "yes"
        if any(name in arm.components or arm.partly_given.get(name) for arm in arms):
            return "some thumbs"
        return "no"

    def read(study: StudyNumbers, outcome: str) -> Found:
        has = [side_has(side) for side in study.sides]
        if len(has) == 1:
            return has[0], ""
        if "some thumbs" in has:
            return f"arm 1 {has[0]}, arm 2 {has[1]}", ""
        words = {
            ("yes", "yes"): "both arms",
            ("yes", "no"): "arm 1 only",
            ("no", "yes"): "arm 2 only",
            ("no", "no"): "neither arm",
        }
        return words[has[0], has[1]], ""

    return read
