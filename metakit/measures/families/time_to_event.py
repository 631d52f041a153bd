"""Time to an event: hazard ratios between two arms, and implant survival at a stated time in one.

References
----------
Parmar MKB, Torri V, Stewart L (1998). Stat Med 17:2815-2834. Tierney JF et al. (2007). Trials 8:16.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np

from metakit.errors import UsageError
from metakit.measures.at_baseline import HAZARD_RATIO
from metakit.measures.column_rules import NOT_NEGATIVE, NUMBER, SHARE
from metakit.measures.converting.derived import Derived
from metakit.measures.converting.hazards import (
    LogHazardRatio,
    hazard_ratio_from_interval,
    hazard_ratio_from_logrank,
    hazard_ratio_from_p,
)
from metakit.measures.kind import HAZARDS, SURVIVAL
from metakit.measures.registry import (
    MEASURES,
    Columns,
    Converted,
    InputForm,
    KernelEffects,
    Measure,
    finished,
)
from metakit.measures.scales import LOG_LOG_SURVIVAL, RATIO
from metakit.measures.survival import survival_error_from_interval

OF_HAZARD = ("log_hazard_ratio", "standard_error")
OF_SURVIVAL = ("survival", "standard_error")
_LEVEL = 0.95


@np.errstate(over="ignore")
def hazard_ratio(data: Columns, *, scale: str = "log", zero_cells: str = "none") -> KernelEffects:
    """Return the log hazard ratio with the square of its standard error.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `log_hazard_ratio` and `standard_error`.
    scale : {"log"}
        The analysis scale.
    zero_cells : {"none"}
        Not used.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Parmar et al. (1998); Tierney et al. (2007).

    Examples
    --------
    >>> hazard_ratio({"log_hazard_ratio": -0.16, "standard_error": 0.5}).variance
    array(0.25)
    """
    effect, error = np.broadcast_arrays(*(np.asarray(data[name], dtype=np.float64) for name in OF_HAZARD))
    return finished(effect, error**2, used={"log_hazard_ratio": effect, "standard_error": error})


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def survival(
    data: Columns, *, scale: str = "complementary_log_log", zero_cells: str = "none"
) -> KernelEffects:
    """Return -ln(-ln S) of a survival S with variance (SE / (S ln S))^2.

    This is the complementary log-log of the failures with its sign turned, so that larger means longer
    survival, as in natural units.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `survival` at one stated time, and its Greenwood `standard_error`.
    scale : {"complementary_log_log"}
        The analysis scale.
    zero_cells : {"none"}
        Not used. A survival of exactly 1 or 0 has no value on this scale.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Kalbfleisch JD, Prentice RL (1980). The Statistical Analysis of Failure Time Data, section 1.3 (from
    memory).

    Examples
    --------
    >>> round(float(survival({"survival": 0.9, "standard_error": 0.02}).effect), 4)
    2.2504
    """
    value, error = np.broadcast_arrays(*(np.asarray(data[name], dtype=np.float64) for name in OF_SURVIVAL))
    effect = -np.log(-np.log(value))
    variance = (error / (value * np.log(value))) ** 2
    return finished(effect, variance, used={"survival": value, "standard_error": error})


def _log_ratio_given(row: Mapping[str, float]) -> Converted:
    return Converted(columns={name: row[name] for name in OF_HAZARD})


def _from_interval(row: Mapping[str, float]) -> Converted:
    return _hazard(
        hazard_ratio_from_interval(
            row["hazard_ratio"],
            row["interval_lower"],
            row["interval_upper"],
            level=row.get("interval_level", _LEVEL),
        )
    )


def _from_logrank(row: Mapping[str, float]) -> Converted:
    return _hazard(hazard_ratio_from_logrank(row["observed_minus_expected"], row["logrank_variance"]))


def _from_p(row: Mapping[str, float]) -> Converted:
    arm = row["fewer_in_arm"]
    if arm not in (1.0, 2.0):
        raise UsageError(f"fewer_in_arm must be 1 or 2, the arm with the lower hazard, not {arm:g}")
    fewer: Literal["arm_1", "arm_2"] = "arm_1" if arm == 1.0 else "arm_2"
    return _hazard(hazard_ratio_from_p(row["p_value"], row["events_1"], row["events_2"], fewer_in=fewer))


def _hazard(derived: Derived[LogHazardRatio]) -> Converted:
    return Converted(
        columns=derived.value._asdict(),
        rule=derived.rule,
        inputs=derived.inputs,
        reference=derived.reference,
        doubt=derived.doubt,
    )


def _survival_given(row: Mapping[str, float]) -> Converted:
    return Converted(columns={name: row[name] for name in OF_SURVIVAL})


def _survival_from_interval(row: Mapping[str, float]) -> Converted:
    if row["survival"] in (0.0, 1.0):
        return Converted(columns={"survival": row["survival"], "standard_error": 0.0})
    derived = survival_error_from_interval(
        row["survival"],
        row["interval_lower"],
        row["interval_upper"],
        level=row.get("interval_level", _LEVEL),
    )
    return Converted(
        columns={"survival": row["survival"], "standard_error": derived.value},
        rule=derived.rule,
        inputs=derived.inputs,
        reference=derived.reference,
        doubt=derived.doubt,
    )


def _reason_hazard(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    return "the log hazard ratio or its standard error leaves the range of numbers"


def _reason_survival(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    if row["survival"] in (0.0, 1.0):
        return (
            f"a survival of exactly {100 * row['survival']:g} % has no value on the complementary "
            "log-log scale; pool "
            "failures over thumb-years as a rate instead"
        )
    return "a standard error of 0 gives the survival no variance; take it from the interval"


MEASURES.add(
    Measure(
        name="hazard_ratio",
        label="hazard ratio",
        kind=HAZARDS,
        larger_means="more",
        columns=OF_HAZARD,
        kernel=hazard_ratio,
        scales=(RATIO,),
        null_value=0.0,
        at_baseline=HAZARD_RATIO,
        reason=_reason_hazard,
        forms=(
            InputForm(columns=OF_HAZARD, convert=_log_ratio_given),
            InputForm(
                columns=("hazard_ratio", "interval_lower", "interval_upper"),
                optional=("interval_level",),
                convert=_from_interval,
            ),
            InputForm(columns=("observed_minus_expected", "logrank_variance"), convert=_from_logrank),
            InputForm(columns=("p_value", "events_1", "events_2", "fewer_in_arm"), convert=_from_p),
        ),
        rules={"fewer_in_arm": NUMBER},
        references=("parmar_1998", "tierney_2007"),
    )
)
MEASURES.add(
    Measure(
        name="survival",
        label="survival at a stated time",
        kind=SURVIVAL,
        larger_means="fewer",
        columns=OF_SURVIVAL,
        kernel=survival,
        scales=(LOG_LOG_SURVIVAL,),
        null_value=None,
        reason=_reason_survival,
        arms=1,
        forms=(
            InputForm(columns=OF_SURVIVAL, convert=_survival_given),
            InputForm(
                columns=("survival", "interval_lower", "interval_upper"),
                optional=("interval_level",),
                convert=_survival_from_interval,
            ),
        ),
        rules={
            "standard_error": NOT_NEGATIVE,
            "interval_lower": SHARE,
            "interval_upper": SHARE,
        },
        natural_factor=100.0,
        unit="%",
        references=("parmar_1998",),
    )
)
