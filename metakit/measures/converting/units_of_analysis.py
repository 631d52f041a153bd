"""Patients and thumbs: what the two thumbs of one patient do to the numbers.

Two thumbs of one patient resemble each other, so T thumbs hold less information than T patients would. When
only totals are known, counts are divided by a design effect.

References
----------
Cochrane Handbook, section 23.1 (cluster-randomised and other clustered data). The size-weighted mean cluster
size is Kish's; the default correlation is common practice, no source.
"""

from __future__ import annotations

from typing import TypeVar

from metakit.errors import UsageError
from metakit.measures.converting.combining import CountSummary, MeanSummary, RateSummary
from metakit.measures.converting.derived import Derived, required_size, shown

Value = TypeVar("Value")

DEFAULT_ICC = 0.3
"""Correlation between the two thumbs of a patient when a review states none (common practice, no source)."""

SENSITIVITY_ICCS = (0.0, 0.5)
"""Correlations shown beside it."""


def weighted_cluster_size(patients: float, thumbs: float) -> float:
    """Return the mean number of thumbs of a patient, weighted by thumbs: (P + 3B)/T with B = T - P.

    B patients have two thumbs, P - B have one: (4B + P - B)/T.

    Parameters
    ----------
    patients, thumbs : float
        P and T with P <= T <= 2P.

    Returns
    -------
    float
        From 1 (no bilateral case) to 2 (all bilateral).

    Raises
    ------
    UsageError
        When the numbers are impossible.

    Examples
    --------
    >>> round(weighted_cluster_size(637, 686), 4)
    1.1429
    """
    p = required_size("the number of patients", patients, fewest=1)
    t = required_size("the number of thumbs", thumbs, fewest=1)
    if not p <= t <= 2 * p:
        raise UsageError(
            f"{shown(t)} thumbs of {shown(p)} patients are impossible: each patient has one or two of them"
        )
    return (p + 3 * (t - p)) / t


def design_effect(patients: float, thumbs: float, icc: float = DEFAULT_ICC) -> float:
    """Return by how much bilateral cases inflate the variance, 1 + (b - 1) ICC.

    Parameters
    ----------
    patients, thumbs : float
        P and T with P <= T <= 2P.
    icc : float
        Correlation between the two thumbs of a patient, from 0 to 1.

    Returns
    -------
    float
        1 when there is no bilateral case or no correlation.

    References
    ----------
    Cochrane Handbook, section 23.1.4.

    Examples
    --------
    >>> round(design_effect(637, 686), 4)
    1.0429
    """
    if not 0 <= icc <= 1:
        raise UsageError(f"the correlation between two thumbs of a patient lies between 0 and 1, not {icc:g}")
    return 1 + (weighted_cluster_size(patients, thumbs) - 1) * icc


def effective_number(thumbs: float, patients: float, icc: float = DEFAULT_ICC) -> Derived[float]:
    """Return T divided by the design effect: as many independent thumbs hold the same information.

    Parameters
    ----------
    thumbs, patients : float
        T and P with P <= T <= 2P.
    icc : float
        Correlation between the two thumbs of a patient.

    Returns
    -------
    Derived of float

    Examples
    --------
    >>> round(effective_number(686, 637).value, 1)
    657.8
    """
    effect = design_effect(patients, thumbs, icc)
    return _derived(
        thumbs / effect, f"{shown(thumbs)} -> {shown(thumbs / effect)}", patients, thumbs, icc, effect
    )


def effective_counts(
    counts: CountSummary, *, patients: float, thumbs: float, icc: float = DEFAULT_ICC
) -> Derived[CountSummary]:
    """Return events and total divided by the design effect; the proportion stays.

    Parameters
    ----------
    counts : CountSummary
        Events of a total, counted in thumbs.
    patients, thumbs : float
        Of the arm; they give the design effect also where `counts.total` is smaller.
    icc : float
        Correlation between the two thumbs of a patient.

    Returns
    -------
    Derived of CountSummary

    References
    ----------
    Cochrane Handbook, section 23.1.4.
    """
    effect = design_effect(patients, thumbs, icc)
    value = CountSummary(counts.events / effect, counts.total / effect)
    change = (
        f"{shown(counts.events)} of {shown(counts.total)} -> {shown(value.events)} of {shown(value.total)}"
    )
    return _derived(value, change, patients, thumbs, icc, effect)


def effective_rate(
    rate: RateSummary, *, patients: float, thumbs: float, icc: float = DEFAULT_ICC
) -> Derived[RateSummary]:
    """Return events and thumb-years divided by the design effect; the rate stays.

    Parameters
    ----------
    rate : RateSummary
        Events over thumb-years.
    patients, thumbs : float
        Of the arm.
    icc : float
        Correlation between the two thumbs of a patient.

    Returns
    -------
    Derived of RateSummary
    """
    effect = design_effect(patients, thumbs, icc)
    value = RateSummary(rate.events / effect, rate.time / effect)
    change = f"{shown(rate.events)} in {shown(rate.time)} -> {shown(value.events)} in {shown(value.time)}"
    return _derived(value, change, patients, thumbs, icc, effect)


def effective_mean(
    mean: MeanSummary, *, patients: float, thumbs: float, icc: float = DEFAULT_ICC
) -> Derived[MeanSummary]:
    """Return the total divided by the design effect; mean and standard deviation stay.

    Parameters
    ----------
    mean : MeanSummary
        Mean, standard deviation and number of thumbs.
    patients, thumbs : float
        Of the arm.
    icc : float
        Correlation between the two thumbs of a patient.

    Returns
    -------
    Derived of MeanSummary

    References
    ----------
    Cochrane Handbook, section 23.1.4.
    """
    effect = design_effect(patients, thumbs, icc)
    value = mean._replace(total=mean.total / effect)
    return _derived(value, f"n {shown(mean.total)} -> {shown(value.total)}", patients, thumbs, icc, effect)


def _derived(
    value: Value, change: str, patients: float, thumbs: float, icc: float, effect: float
) -> Derived[Value]:
    return Derived(
        value=value,
        rule=(
            "numbers reduced for bilateral cases by the design effect, with an assumed correlation of "
            f"{shown(icc)} between the two thumbs of a patient"
        ),
        inputs=(
            f"{shown(thumbs)} thumbs of {shown(patients)} patients, design effect {shown(effect)}: {change}"
        ),
        reference="handbook",
    )
