"""Rates: x events over T thumb-years, in one arm and compared between two.

References
----------
Cochrane Handbook, sections 6.7 and 10.4; Garwood (1936) for the exact interval; Spittal et al. (2015) on
zeros.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from metakit.measures.at_baseline import RATE_RATIO
from metakit.measures.exact_intervals import exact_poisson
from metakit.measures.kind import RATES
from metakit.measures.registry import MEASURES, Columns, KernelEffects, Limits, Measure, finished
from metakit.measures.scales import LOG_RATE, RATIO, SQUARE_ROOT_RATE
from metakit.measures.stable import log_ratio

ONE_ARM = ("events", "time")
TWO_ARMS = ("events_1", "time_1", "events_2", "time_2")


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def rate(data: Columns, *, scale: str = "log", zero_cells: str = "constant") -> KernelEffects:
    """Return the rate x/T: ln(x/T) with variance 1/x, or sqrt(x/T) with variance 1/(4T).

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `events` and `time` (thumb-years).
    scale : {"log", "square_root"}
        The analysis scale.
    zero_cells : {"constant", "none"}
        On the log scale `constant` adds 0.5 event where there is none; the square root needs nothing.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Cochrane Handbook, section 6.7; Spittal et al. (2015).

    Examples
    --------
    >>> round(float(rate({"events": 5.0, "time": 94.3}).effect), 4)
    -2.937
    """
    events, time = np.broadcast_arrays(*(np.asarray(data[name], dtype=np.float64) for name in ONE_ARM))
    if scale == "square_root":
        return finished(np.sqrt(events / time), 0.25 / time, used={"events": events, "time": time})
    corrected = (events == 0) & (zero_cells != "none")
    x = events + np.where(corrected, 0.5, 0.0)
    return finished(log_ratio(x, time), 1 / x, corrected=corrected, used={"events": x, "time": time})


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def rate_ratio(data: Columns, *, scale: str = "log", zero_cells: str = "constant") -> KernelEffects:
    """Return the log rate ratio ln(x1/T1) - ln(x2/T2) with variance 1/x1 + 1/x2.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `events_1`, `time_1`, `events_2`, `time_2`.
    scale : {"log"}
        The analysis scale.
    zero_cells : {"constant", "none"}
        `constant` adds 0.5 event to both arms where one of them has none. Without events in either arm a
        study says nothing on the ratio.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Cochrane Handbook, section 6.7.1; Spittal et al. (2015).

    Examples
    --------
    >>> data = {"events_1": 32.0, "time_1": 52407.0, "events_2": 2.0, "time_2": 18790.0}
    >>> round(float(rate_ratio(data).effect), 4)
    1.7469
    """
    a, time_1, c, time_2 = np.broadcast_arrays(
        *(np.asarray(data[name], dtype=np.float64) for name in TWO_ARMS)
    )
    informative = (a > 0) | (c > 0)
    corrected = ((a == 0) | (c == 0)) & informative & (zero_cells != "none")
    x1, x2 = (events + np.where(corrected, 0.5, 0.0) for events in (a, c))
    return finished(
        log_ratio(x1 * time_2, x2 * time_1),
        1 / x1 + 1 / x2,
        informative=informative,
        corrected=corrected,
        used={"events_1": x1, "time_1": time_1, "events_2": x2, "time_2": time_2},
    )


def _reason_rate(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    return (
        "no events: the log of a rate of 0 is not finite without a correction; zero-cell policy "
        "'constant', the "
        "square_root scale or a one-stage model can use it"
    )


def _reason_ratio(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    if row["events_1"] == row["events_2"] == 0:
        return "no events in either arm: the study says nothing on a ratio of rates"
    return (
        "an arm without events has no finite log rate ratio without a correction; zero-cell policy "
        "'constant' or a "
        "one-stage model can use it"
    )


def _exact_poisson(data: Columns, level: float) -> Limits:
    return exact_poisson(data["events"], data["time"], level)


MEASURES.add(
    Measure(
        name="rate",
        label="rate",
        kind=RATES,
        larger_means="more",
        columns=ONE_ARM,
        kernel=rate,
        scales=(LOG_RATE, SQUARE_ROOT_RATE),
        null_value=None,
        reason=_reason_rate,
        arms=1,
        zero_cell_policies=("constant", "none"),
        natural_factor=100.0,
        unit="per 100 thumb-years",
        exact_intervals={"exact_poisson": _exact_poisson},
        one_stage=True,
        references=("handbook", "garwood_1936", "spittal_2015"),
    )
)
MEASURES.add(
    Measure(
        name="rate_ratio",
        label="rate ratio",
        kind=RATES,
        larger_means="more",
        columns=TWO_ARMS,
        kernel=rate_ratio,
        scales=(RATIO,),
        null_value=0.0,
        at_baseline=RATE_RATIO,
        reason=_reason_ratio,
        zero_cell_policies=("constant", "none"),
        one_stage=True,
        references=("handbook", "spittal_2015"),
    )
)
