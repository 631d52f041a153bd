"""A standard deviation behind what a report says about two arms: interval, standard error or p value.

Used only for an arm whose own spread is not reported; typed numbers are never replaced.
"""

from __future__ import annotations

from metakit.core.records import Arm, ContrastValue, StudyRecord
from metakit.core.values import OutcomeValue
from metakit.measures.converting.derived import Derived
from metakit.measures.converting.spread import (
    sd_from_difference_error,
    sd_from_difference_interval,
    sd_from_p,
)


def sd_behind_contrast(study: StudyRecord, arm: Arm, value: OutcomeValue) -> Derived[float] | None:
    """Return the common standard deviation of two arms behind their reported comparison.

    Parameters
    ----------
    study : StudyRecord
        The study with its contrasts.
    arm, value : Arm, OutcomeValue
        An arm and its mean, typed without a spread.

    Returns
    -------
    Derived of float or None
        None where no crude comparison of this outcome and time with an interval, a standard error or a p
        value (not "p above") is reported, or the other arm's number (and, for p, mean) is missing.

    Raises
    ------
    NotEstimableError
        When no spread follows: p is 1, or the means do not differ.

    References
    ----------
    Cochrane Handbook, section 6.5.2.3.
    """
    for contrast in study.contrasts:
        other = _other_side(study, arm, value, contrast)
        if other is None or contrast.adjusted_for or contrast.measure not in ("", "mean_difference"):
            continue
        n_1, n_2 = value.n, other.n
        if n_1 is None or n_2 is None:
            continue
        same_unit = not (value.conversion or other.conversion)
        low, high = contrast.interval_lower, contrast.interval_upper
        if same_unit and low is not None and high is not None:
            level = contrast.interval_level if contrast.interval_level is not None else 0.95
            return sd_from_difference_interval(low, high, n_1, n_2, level=level)
        if same_unit and contrast.standard_error is not None:
            return sd_from_difference_error(contrast.standard_error, n_1, n_2)
        if contrast.p_value and contrast.p_bound != ">" and value.mean is not None and other.mean is not None:
            difference = value.mean - other.mean
            return sd_from_p(difference, contrast.p_value, n_1, n_2, exact=not contrast.p_bound)
    return None


def _other_side(
    study: StudyRecord, arm: Arm, value: OutcomeValue, contrast: ContrastValue
) -> OutcomeValue | None:
    if arm.id not in (contrast.arm, contrast.comparator) or contrast.outcome != value.outcome:
        return None
    wanted = contrast.comparator if arm.id == contrast.arm else contrast.arm
    time = (contrast.months, contrast.time_label)
    if (value.months, value.time_label) != time:
        return None
    found = [
        other
        for other in study.outcomes
        if (other.arm, other.outcome, other.kind) == (wanted, value.outcome, value.kind)
        and (other.months, other.time_label) == time
    ]
    return found[0] if len(found) == 1 else None
