"""Two arms with events a of n1 and c of n2; b and d are the thumbs without the event.

Arm 1 is the technique of interest, arm 2 the comparator. Ratios are computed on the natural-log scale.

References
----------
Cochrane Handbook, chapters 6 and 10. Yusuf S et al. (1985) for Peto's odds ratio. Rücker G et al. (2009) for
the arcsine difference. Sweeting MJ et al. (2004) for the zero-cell policies.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from metakit.measures.at_baseline import ODDS_RATIO, RISK_DIFFERENCE, RISK_RATIO
from metakit.measures.families.cell_counts import COLUMNS, alike_and_empty, cells_of
from metakit.measures.kind import COUNTS
from metakit.measures.registry import MEASURES, Columns, KernelEffects, Measure, finished
from metakit.measures.scales import DIFFERENCE, RATIO, SHARE_DIFFERENCE
from metakit.measures.stable import arcsine_difference as arcs_apart
from metakit.measures.stable import log_ratio
from metakit.measures.zero_cells import corrected_cells, has_zero_cell


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def risk_ratio(data: Columns, *, scale: str = "log", zero_cells: str = "constant") -> KernelEffects:
    """Return the log risk ratio ln(a/n1) - ln(c/n2) with variance 1/a - 1/n1 + 1/c - 1/n2.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `events_1`, `total_1`, `events_2`, `total_2`.
    scale : {"log"}
        The analysis scale.
    zero_cells : {"constant", "treatment_arm", "none"}
        Correction of studies with an empty cell. Studies in which both arms have no event, or nothing but
        events, say nothing on a ratio and are never corrected into saying something.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Cochrane Handbook, sections 6.4.1 and 10.4.4; Sweeting et al. (2004).

    Examples
    --------
    >>> data = {"events_1": 4.0, "total_1": 123.0, "events_2": 11.0, "total_2": 139.0}
    >>> round(float(risk_ratio(data).effect), 4)
    -0.8893
    """
    raw = cells_of(data)
    informative = ~alike_and_empty(raw)
    corrected = has_zero_cell(raw) & informative & (zero_cells != "none")
    cells = corrected_cells(raw, zero_cells, corrected)
    variance = cells.others_1 / (cells.events_1 * cells.total_1) + cells.others_2 / (
        cells.events_2 * cells.total_2
    )
    return finished(
        log_ratio(cells.events_1 * cells.total_2, cells.events_2 * cells.total_1),
        variance,
        informative=informative,
        corrected=corrected,
        used=cells.columns(),
    )


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def odds_ratio(data: Columns, *, scale: str = "log", zero_cells: str = "constant") -> KernelEffects:
    """Return the log odds ratio ln(ad/bc) with variance 1/a + 1/b + 1/c + 1/d.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `events_1`, `total_1`, `events_2`, `total_2`.
    scale : {"log"}
        The analysis scale.
    zero_cells : {"constant", "treatment_arm", "none"}
        As for the risk ratio.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Cochrane Handbook, sections 6.4.1 and 10.4.4; Sweeting et al. (2004).

    Examples
    --------
    >>> data = {"events_1": 4.0, "total_1": 123.0, "events_2": 11.0, "total_2": 139.0}
    >>> round(float(odds_ratio(data).effect), 4)
    -0.9387
    """
    raw = cells_of(data)
    informative = ~alike_and_empty(raw)
    corrected = has_zero_cell(raw) & informative & (zero_cells != "none")
    cells = corrected_cells(raw, zero_cells, corrected)
    return finished(
        log_ratio(cells.events_1 * cells.others_2, cells.others_1 * cells.events_2),
        1 / cells.events_1 + 1 / cells.others_1 + 1 / cells.events_2 + 1 / cells.others_2,
        informative=informative,
        corrected=corrected,
        used=cells.columns(),
    )


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def risk_difference(data: Columns, *, scale: str = "identity", zero_cells: str = "constant") -> KernelEffects:
    """Return the risk difference a/n1 - c/n2 with variance ab/n1^3 + cd/n2^3.

    The difference itself needs no correction. Where each arm has no event or nothing but events the variance
    formula gives 0, an infinite weight; there alone the variance is computed from the corrected cells and the
    effect stays as observed. Adding 0.5 to the effect's cells as well would make two arms without events and
    of unequal size differ.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `events_1`, `total_1`, `events_2`, `total_2`.
    scale : {"identity"}
        The analysis scale.
    zero_cells : {"constant", "treatment_arm", "none"}
        What the variance is corrected with; with "none" such a study is not estimable.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k); `variance_only` is True.

    References
    ----------
    Cochrane Handbook, sections 6.4.1 and 10.4.4; Greenland & Robins (1985) for the variance. Correcting only
    the variance is this project's choice, after the Handbook's remark that 0.5 serves to allow a standard
    error.

    Examples
    --------
    >>> risk_difference({"events_1": 0.0, "total_1": 20.0, "events_2": 0.0, "total_2": 30.0}).effect
    array(0.)
    """
    raw = cells_of(data)
    pinned = (raw.events_1 * raw.others_1 == 0) & (raw.events_2 * raw.others_2 == 0)
    corrected = pinned & (zero_cells != "none")
    cells = corrected_cells(raw, zero_cells, corrected)
    effect = (raw.events_1 * raw.others_2 - raw.others_1 * raw.events_2) / (raw.total_1 * raw.total_2)
    variance = (
        cells.events_1 * cells.others_1 / cells.total_1**3
        + cells.events_2 * cells.others_2 / cells.total_2**3
    )
    return finished(effect, variance, corrected=corrected, used=cells.columns(), variance_only=True)


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def peto_odds_ratio(data: Columns, *, scale: str = "log", zero_cells: str = "none") -> KernelEffects:
    """Return Peto's one-step log odds ratio (O - E)/V with variance 1/V.

    E = n1 (a + c)/N and V = n1 n2 (a + c)(b + d)/(N^2 (N - 1)). It needs no correction, but is biased when
    arms are unbalanced or effects large.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `events_1`, `total_1`, `events_2`, `total_2`.
    scale : {"log"}
        The analysis scale.
    zero_cells : {"none"}
        No correction exists.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Yusuf S, Peto R, et al. (1985). Prog Cardiovasc Dis 27:335-371. Cochrane Handbook, section 10.4.2.

    Examples
    --------
    >>> data = {"events_1": 3.0, "total_1": 6.0, "events_2": 0.0, "total_2": 6.0}
    >>> round(float(peto_odds_ratio(data).effect), 4)
    2.4444
    """
    cells = cells_of(data)
    size = cells.total_1 + cells.total_2
    events, others = cells.events_1 + cells.events_2, cells.others_1 + cells.others_2
    excess = (cells.events_1 * cells.others_2 - cells.others_1 * cells.events_2) / size
    spread = cells.total_1 * cells.total_2 * events * others / (size**2 * (size - 1))
    return finished(
        excess / spread, 1 / spread, informative=~alike_and_empty(cells) & (size > 1), used=cells.columns()
    )


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def arcsine_difference(data: Columns, *, scale: str = "identity", zero_cells: str = "none") -> KernelEffects:
    """Return asin sqrt(a/n1) - asin sqrt(c/n2) with variance 1/(4 n1) + 1/(4 n2).

    Every study has a value, also one without events; the measure has no plain meaning and serves as a check.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `events_1`, `total_1`, `events_2`, `total_2`.
    scale : {"identity"}
        The analysis scale.
    zero_cells : {"none"}
        No correction is needed.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Rücker G, Schwarzer G, Carpenter J, Olkin I (2009). Stat Med 28:721-738.

    Examples
    --------
    >>> arcsine_difference({"events_1": 0.0, "total_1": 9.0, "events_2": 0.0, "total_2": 9.0}).effect
    array(0.)
    """
    cells = cells_of(data)
    return finished(
        arcs_apart(cells.events_1, cells.others_1, cells.events_2, cells.others_2),
        0.25 / cells.total_1 + 0.25 / cells.total_2,
        used=cells.columns(),
    )


def _reason(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    events_1, total_1, events_2, total_2 = (row[name] for name in COLUMNS)
    if events_1 == events_2 == 0:
        return (
            "no events in either arm: the study says nothing on a ratio; "
            "a risk difference or a one-stage model can use it"
        )
    if events_1 == total_1 and events_2 == total_2:
        return (
            "everyone in both arms had the event: the study says nothing on a ratio; "
            "a risk difference or a one-stage model can use it"
        )
    return (
        "an arm without events, or with nothing but events, has no finite log ratio without a correction; "
        "zero-cell policy 'constant' or 'treatment_arm', or a one-stage model, can use it"
    )


def _reason_difference(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    return (
        "each arm has no events or nothing but events: without a correction the variance of the "
        "difference is 0; "
        "zero-cell policy 'constant' or 'treatment_arm' can use it"
    )


MEASURES.add(
    Measure(
        name="risk_ratio",
        label="risk ratio",
        kind=COUNTS,
        larger_means="more",
        columns=COLUMNS,
        kernel=risk_ratio,
        scales=(RATIO,),
        null_value=0.0,
        at_baseline=RISK_RATIO,
        reason=_reason,
        zero_cell_policies=("constant", "treatment_arm", "none"),
        one_stage=True,
        references=("handbook", "sweeting_2004"),
    )
)
MEASURES.add(
    Measure(
        name="odds_ratio",
        label="odds ratio",
        kind=COUNTS,
        larger_means="more",
        columns=COLUMNS,
        kernel=odds_ratio,
        scales=(RATIO,),
        null_value=0.0,
        at_baseline=ODDS_RATIO,
        reason=_reason,
        zero_cell_policies=("constant", "treatment_arm", "none"),
        one_stage=True,
        references=("handbook", "sweeting_2004"),
    )
)
MEASURES.add(
    Measure(
        name="risk_difference",
        label="risk difference",
        kind=COUNTS,
        larger_means="more",
        columns=COLUMNS,
        kernel=risk_difference,
        scales=(SHARE_DIFFERENCE,),
        null_value=0.0,
        at_baseline=RISK_DIFFERENCE,
        reason=_reason_difference,
        zero_cell_policies=("constant", "treatment_arm", "none"),
        natural_factor=100.0,
        unit="percentage points",
        references=("handbook", "greenland_robins_1985"),
    )
)
MEASURES.add(
    Measure(
        name="peto_odds_ratio",
        label="odds ratio by Peto's method",
        kind=COUNTS,
        larger_means="more",
        columns=COLUMNS,
        kernel=peto_odds_ratio,
        scales=(RATIO,),
        null_value=0.0,
        at_baseline=ODDS_RATIO,
        reason=_reason,
        references=("yusuf_1985", "handbook"),
    )
)
MEASURES.add(
    Measure(
        name="arcsine_difference",
        label="arcsine difference",
        kind=COUNTS,
        larger_means="more",
        columns=COLUMNS,
        kernel=arcsine_difference,
        scales=(DIFFERENCE,),
        null_value=0.0,
        reason=_reason,
        references=("rucker_2009",),
    )
)
