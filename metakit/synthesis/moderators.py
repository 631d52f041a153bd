"""What may explain differences between studies, read from their records without extra typing.

Values describe studies, not patients: means and percentages of the arms that are in the analysis, weighted
by their thumbs or patients. A value that one of these arms lacks is missing for the study, with the reason;
it is never filled in. The registry MODERATORS and the vocabulary `moderators` hold the same names (a contract
test compares them); every component of the vocabulary `components` is a moderator too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from metakit.core.effects import EffectTable
from metakit.core.notes import SetAside
from metakit.core.records import Arm, StudyRecord
from metakit.core.registry import Registry
from metakit.errors import UnknownNameError
from metakit.forms.library import vocabulary
from metakit.review.appraisal import overall_of
from metakit.synthesis.rows import SideNumbers, StudyNumbers
from metakit.synthesis.terms import label_of


class MissingValueError(Exception):
    """A study has no value of a moderator; the message is the reason shown to the reader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeratorValue:
    """The value of one study: a number, words, or None with the reason. `basis` says how it was obtained."""

    study: str
    value: float | str | None
    basis: str = ""
    reason: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the value as JSON."""
        return {"study": self.study, "value": self.value, "basis": self.basis, "reason": self.reason or None}


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeratorColumn:
    """One moderator in one analysis: a value a study, in the order of the effect table."""

    name: str
    label: str
    unit: str
    kind: str
    values: tuple[ModeratorValue, ...]

    @property
    def missing(self) -> tuple[SetAside, ...]:
        """The studies without a value, with the reason of each."""
        return tuple(
            SetAside(study=value.study, reason=value.reason) for value in self.values if value.value is None
        )

    @property
    def varies(self) -> bool:
        """Whether at least two studies have different values, so that it could explain anything."""
        return len({value.value for value in self.values if value.value is not None}) > 1

    def to_json(self) -> dict[str, Any]:
        """Return the column as JSON."""
        return {
            "name": self.name,
            "label": self.label,
            "unit": self.unit or None,
            "kind": self.kind,
            "values": [value.to_json() for value in self.values],
        }


Found = tuple[float | str, str]
"""A value and how it was obtained."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moderator:
    """One moderator: how its value follows from a study's numbers and the outcome analysed."""

    name: str
    read: Callable[[StudyNumbers, str], Found]


MODERATORS: Registry[Moderator] = Registry("moderator")


def moderator_columns(studies: Sequence[StudyNumbers], outcome: str) -> tuple[ModeratorColumn, ...]:
    """Read every moderator of the studies in one analysis.

    Parameters
    ----------
    studies : sequence of StudyNumbers
        As they enter the analysis, in the order of its effect table.
    outcome : str
        The outcome; appraisal is judged for it.

    Returns
    -------
    tuple of ModeratorColumn
        The registry's, without those that need two arms in an analysis of series, then one a component that
        any arm has. Columns without a single value are kept: what nobody reports is worth knowing.
    """
    comparative = any(len(study.sides) > 1 for study in studies)
    names = [
        entry.name
        for entry in MODERATORS
        if comparative or not vocabulary("moderators")[entry.name].facts.flag("comparative")
    ]
    parts = [
        term.id
        for term in vocabulary("components")
        if any(
            term.id in arm.components or term.id in arm.partly_given
            for study in studies
            for arm in _arms(study)
        )
    ]
    return tuple(moderator_column(name, studies, outcome) for name in (*names, *parts))


def moderator_column(name: str, studies: Sequence[StudyNumbers], outcome: str) -> ModeratorColumn:
    """Read one moderator.

    Raises
    ------
    UnknownNameError
        For a name that is neither a moderator nor a component.
    """
    kinds, parts = vocabulary("moderators"), vocabulary("components")
    if name in kinds:
        term, kind = kinds[name], kinds[name].facts.text("kind")
        read = MODERATORS[name].read
    elif name in parts:
        term, kind = parts[name], "words"
        read = _component(name)
    else:
        raise UnknownNameError("moderator", name, [*(t.id for t in kinds), *(t.id for t in parts)])
    return ModeratorColumn(
        name=name,
        label=term.label,
        unit=term.facts.text("unit") if name in kinds else "",
        kind=kind,
        values=tuple(_value(study, read, outcome) for study in studies),
    )


def with_moderators(table: EffectTable, columns: Sequence[ModeratorColumn]) -> EffectTable:
    """Attach moderators to an effect table, so that regressions and subgroups can be run on it."""
    by_study = {column.name: {value.study: value.value for value in column.values} for column in columns}
    added = {name: tuple(values.get(study) for study in table.study) for name, values in by_study.items()}
    return replace(table, moderators={**table.moderators, **added})


def _value(study: StudyNumbers, read: Callable[[StudyNumbers, str], Found], outcome: str) -> ModeratorValue:
    try:
        value, basis = read(study, outcome)
    except MissingValueError as reason:
        return ModeratorValue(study=study.name, value=None, reason=str(reason))
    return ModeratorValue(study=study.name, value=value, basis=basis)


def _moderator(name: str) -> Callable[[Callable[[StudyNumbers, str], Found]], object]:
    def add(read: Callable[[StudyNumbers, str], Found]) -> object:
        return MODERATORS.add(Moderator(name=name, read=read))

    return add


def _arms(study: StudyNumbers) -> tuple[Arm, ...]:
    return tuple(part.arm for side in study.sides for part in side.arms)


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
    if any(arm.thumbs is None for arm in _arms(study)):
        raise MissingValueError("thumbs not reported in every arm")
    return float(sum(arm.thumbs or 0 for arm in _arms(study))), "sum of the arms"


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


@_moderator("mp_procedure")
def _mp_procedure(study: StudyNumbers, outcome: str) -> Found:
    silent = {label_of("mp_options", "mp_not_reported"): "MP procedure not reported"}
    return _against(study, lambda arm: label_of("mp_options", arm.mp_option), silent)


@_moderator("st_procedure")
def _st_procedure(study: StudyNumbers, outcome: str) -> Found:
    silent = {label_of("st_options", "st_not_reported"): "ST procedure not reported"}
    return _against(study, lambda arm: label_of("st_options", arm.st_option), silent)


def _component(name: str) -> Callable[[StudyNumbers, str], Found]:
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
