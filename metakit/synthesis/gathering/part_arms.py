"""Parts of one arm that a report tells apart by what was done, set against each other as if they were arms.

Who got which option was then decided thumb by thumb, not by chance: such a study counts as one without
randomisation. Parts serve only comparisons of options, so that no thumb stands twice in anything else.
"""

from __future__ import annotations

from dataclasses import replace

from metakit.core.plans import ARM_OPTIONS, ComparisonPlan
from metakit.core.records import Arm, StudyRecord
from metakit.core.values import OutcomeValue
from metakit.synthesis.terms import label_of


def with_parts(study: StudyRecord, comparison: ComparisonPlan) -> StudyRecord | None:
    """Return the study with the parts of its arms as arms; None where no part is told by the options asked.

    Parameters
    ----------
    study : StudyRecord
    comparison : ComparisonPlan
        Of options: the first kind of option that both sides restrict tells the parts apart.
    """
    kinds = [kind for kind in comparison.options(1) if kind in comparison.options(2)]
    if not comparison.of_options or not kinds or study.within_person:
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
