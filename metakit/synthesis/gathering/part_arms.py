"""Parts of one arm that a report tells apart by what was done, set against each other as if they were arms.

Who got which option was then decided thumb by thumb, not by chance: such a study counts as one without
randomisation. Parts serve only comparisons of options, so that no thumb stands twice in anything else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from metakit.core.plans import ARM_OPTIONS, ComparisonPlan
from metakit.core.records import Arm, StudyRecord
from metakit.core.returns import SubgroupValue
from metakit.core.values import Band, OutcomeValue
from metakit.synthesis.terms import label_of


def with_parts(study: StudyRecord, comparison: ComparisonPlan) -> StudyRecord | None:
    """Return the study with the parts of its arms as arms; None where no part is told by the options asked.

    Parameters
    ----------
    study : StudyRecord
    comparison : ComparisonPlan
        Of options: the first kind of option that both sides restrict tells the parts apart.
    """
    if study.within_person or not comparison.of_options:
        return None
    other = comparison.options(2)
    kinds = [kind for kind in comparison.options(1) if kind in other]
    if not kinds:
        return None
    kind = kinds[0]
    arms: list[Arm] = []
    outcomes: list[OutcomeValue] = []
    for arm in study.arms:
        values: dict[str, list[OutcomeValue]] = {}
        for entry in study.subgroups:
            option = getattr(entry, kind)
            if entry.value.arm == arm.id and option and entry.mp_before is None:
                values.setdefault(option, []).append(entry.value)
        for option, told in values.items():
            name = f"{arm.id}:{option}"
            sizes = [value.total or value.n or 0 for value in told]
            arms.append(
                replace(
                    arm,
                    id=name,
                    label=f"{arm.label}: {label_of(ARM_OPTIONS[kind], option).lower()}",
                    thumbs=max(sizes) or None,
                    patients=None,
                    partly_given={},
                    **{kind: option},  # type: ignore[arg-type]
                )
            )
            outcomes += [replace(value, arm=name) for value in told]
    if not arms:
        return None
    return replace(
        study,
        arms=tuple(arms),
        outcomes=tuple(outcomes),
        contrasts=(),
        design="retrospective_cohort",
        design_group="comparative",
    )


def in_band(study: StudyRecord, band: Band) -> tuple[StudyRecord | None, tuple[str, ...]]:
    """Return the study with the thumbs of a band of the MP angle before surgery as its arms.

    Parameters
    ----------
    study : StudyRecord
    band : Band
        In degrees of hyperextension. A part enters whose own band lies in it as a whole; of parts that hold
        the same thumbs, the widest one.

    Returns
    -------
    study : StudyRecord or None
        None where the report tells no such part.
    across : tuple of str
        Bands of the report that run across the asked one, whose thumbs can be put on neither side.
    """
    arms: dict[str, Arm] = {}
    outcomes: list[OutcomeValue] = []
    by_thumb = False
    across: dict[str, None] = {}
    for arm in study.arms:
        told = [entry for entry in study.subgroups if entry.value.arm == arm.id]
        for entry in told:
            if entry.mp_before and entry.mp_before.meets(band) and not entry.mp_before.lies_in(band):
                across[str(entry.mp_before)] = None
        own: set[tuple[str, ...]] = set()
        for entry in _apart([entry for entry in told if entry.mp_before and entry.mp_before.lies_in(band)]):
            options = {kind: getattr(entry, kind) or getattr(arm, kind) for kind in ARM_OPTIONS}
            own.add(tuple(options.values()))
            name = ":".join((arm.id, str(entry.mp_before), *options.values()))
            known = arms[name].thumbs or 0 if name in arms else 0
            arms[name] = replace(
                arm,
                id=name,
                label=f"{arm.label}: {entry.mp_before} degrees before",
                thumbs=max(entry.value.total or entry.value.n or 0, known) or None,
                patients=None,
                partly_given={},
                **options,
            )
            outcomes.append(replace(entry.value, arm=name))
        by_thumb |= len(own) > 1
    if not arms:
        return None, tuple(across)
    parts = replace(study, arms=tuple(arms.values()), outcomes=tuple(outcomes), contrasts=())
    if by_thumb:
        parts = replace(parts, design="retrospective_cohort", design_group="comparative")
    return parts, tuple(across)


def _apart(entries: Sequence[SubgroupValue]) -> list[SubgroupValue]:
    """Return entries that share no thumbs: per outcome the largest, then those that hold others."""
    kept: list[SubgroupValue] = []
    for entry in sorted(entries, key=lambda item: -(item.value.total or item.value.n or 0)):
        same = [
            other for other in kept
            if _measured(other) == _measured(entry) and _may_share(other, entry)
        ]  # fmt: skip
        if not same:
            kept.append(entry)
    return [entry for entry in entries if entry in kept]


def _measured(entry: SubgroupValue) -> tuple[object, ...]:
    value = entry.value
    return (value.outcome, value.kind, value.months, value.time_label)


def _may_share(one: SubgroupValue, other: SubgroupValue) -> bool:
    """Say whether a thumb may stand in both: no option tells them apart, and bands have degrees in common."""
    for kind in ARM_OPTIONS:
        first, second = getattr(one, kind), getattr(other, kind)
        if first and second and first != second:
            return False
    bands = [band for band in (one.mp_before, other.mp_before) if band is not None]
    lows = [band.lower for band in bands if band.lower is not None]
    highs = [band.upper for band in bands if band.upper is not None]
    return not lows or not highs or max(lows) < min(highs)
