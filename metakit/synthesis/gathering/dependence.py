"""Patients and thumbs: effective numbers where both thumbs of some patients were counted."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from metakit.core.notes import Assumption
from metakit.core.records import Arm
from metakit.core.values import OutcomeValue
from metakit.measures.converting.combining import CountSummary, MeanSummary, RateSummary
from metakit.measures.converting.derived import Derived
from metakit.measures.converting.units_of_analysis import (
    design_effect,
    effective_counts,
    effective_mean,
    effective_rate,
)
from metakit.synthesis.gathering.rows import UnusableError


def with_design_effect(
    name: str, arm: Arm, value: OutcomeValue, numbers: Mapping[str, float], *, icc: float, comparative: bool
) -> tuple[dict[str, float], list[Assumption]]:
    """Return the numbers of one arm as so many independent observations, with the steps that led there.

    Thumbs are divided by the design effect of the arm. Patients are independent as they are, but the share of
    patients is not the share of thumbs: a comparison may use it (logged), a description may not.

    Raises
    ------
    UnusableError
        When a description per thumb would rest on counts of patients with two thumbs, or when patients and
        thumbs of the arm are impossible together.
    """
    patients, thumbs = _patients(arm), arm.thumbs
    if value.unit_of_analysis == "patients":
        return _counted_in_patients(name, arm, numbers, patients, comparative)
    if patients is None or thumbs is None:
        step = Assumption(
            study=name,
            rule="thumbs taken as independent, since the report does not say how many patients they belong "
            "to",
            inputs=arm.label,
        )
        return dict(numbers), [step]
    if patients == thumbs or icc == 0:
        return dict(numbers), []
    if not patients < thumbs <= 2 * patients:
        raise UnusableError(f"{arm.label}: {thumbs} thumbs of {patients} patients are impossible")
    derived, effective = _effective(numbers, patients, thumbs, icc)
    step = derived.assumption(name)
    return effective, [
        Assumption(study=name, rule=step.rule, inputs=f"{arm.label}: {step.inputs}", reference=step.reference)
    ]


def inflated_error(
    name: str, arms: Sequence[Arm], values: Sequence[OutcomeValue], error: float, *, icc: float
) -> tuple[float, list[Assumption]]:
    """Return the standard error of a reported effect, inflated where patients gave two thumbs, with its step.

    A ready effect cannot be computed again from fewer thumbs; its error times the root of the design effect
    of its arms together says the same. Nothing changes where patients are counted or not told from thumbs.

    References
    ----------
    Cochrane Handbook, section 23.1.5.
    """
    counts = [(arm.thumbs, _patients(arm)) for arm in arms]
    thumbs, patients = (sum(count[i] or 0 for count in counts) for i in (0, 1))
    known = all(one and other for one, other in counts)
    if not known or icc == 0 or any(value.unit_of_analysis == "patients" for value in values):
        return error, []
    if not patients < thumbs <= 2 * patients:
        return error, []
    effect = design_effect(patients, thumbs, icc)
    inflated = error * math.sqrt(effect)
    step = Assumption(
        study=name,
        rule="standard error inflated by the root of the design effect, since the report takes thumbs as "
        "independent",
        inputs=f"{' and '.join(arm.label for arm in arms)}: {thumbs} thumbs of {patients} patients, "
        f"ICC {icc:g}: design effect {effect:.4g}, SE {error:.6g} -> {inflated:.6g}",
        reference="handbook",
    )
    return inflated, [step]


def _patients(arm: Arm) -> int | None:
    if arm.patients is not None:
        return arm.patients
    return arm.thumbs - arm.bilateral if arm.thumbs is not None and arm.bilateral is not None else None


def _counted_in_patients(
    name: str, arm: Arm, numbers: Mapping[str, float], patients: int | None, comparative: bool
) -> tuple[dict[str, float], list[Assumption]]:
    if patients is not None and patients == arm.thumbs:
        return dict(numbers), []
    if not comparative:
        raise UnusableError(
            f"{arm.label}: the report counts patients, and some have two thumbs in it; a share of thumbs "
            f"does not follow"
        )
    step = Assumption(
        study=name,
        rule="counted in patients, each taken as one independent observation; no design effect",
        inputs=f"{arm.label}: {patients if patients is not None else 'unknown number of'} patients, "
        f"{arm.thumbs if arm.thumbs is not None else 'unknown number of'} thumbs",
    )
    return dict(numbers), [step]


def _effective(
    numbers: Mapping[str, float], patients: int, thumbs: int, icc: float
) -> tuple[Derived[CountSummary] | Derived[RateSummary] | Derived[MeanSummary], dict[str, float]]:
    if "sd" in numbers:
        means = effective_mean(MeanSummary(**numbers), patients=patients, thumbs=thumbs, icc=icc)
        return means, means.value._asdict()
    if "time" in numbers:
        rates = effective_rate(RateSummary(**numbers), patients=patients, thumbs=thumbs, icc=icc)
        return rates, rates.value._asdict()
    counts = effective_counts(CountSummary(**numbers), patients=patients, thumbs=thumbs, icc=icc)
    return counts, counts.value._asdict()
