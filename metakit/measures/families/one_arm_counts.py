"""One arm with x events of n: complication and revision proportions.

References
----------
Cochrane Handbook, chapter 10; Freeman & Tukey (1950) and Miller (1978) for the double arcsine, with the
warnings of Schwarzer et al. (2019) and Röver & Friede (2022); Lin & Chu (2020) for one-stage models, the
better choice.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from metakit.measures.double_arcsine import double_arcsine
from metakit.measures.exact_intervals import clopper_pearson, wilson
from metakit.measures.kind import COUNTS
from metakit.measures.registry import MEASURES, Columns, KernelEffects, Limits, Measure, finished
from metakit.measures.scales import ARCSINE, DOUBLE_ARCSINE, LOG_SHARE, LOGIT, RAW_SHARE
from metakit.measures.stable import log_ratio

COLUMNS = ("events", "total")


@np.errstate(divide="ignore", invalid="ignore", over="ignore")
def proportion(data: Columns, *, scale: str = "logit", zero_cells: str = "constant") -> KernelEffects:
    """Return the proportion x/n on a scale.

    ============== ============================ =========================
    scale          effect                       variance
    ============== ============================ =========================
    logit          ln(x/(n-x))                  1/x + 1/(n-x)
    log            ln(x/n)                      1/x - 1/n
    arcsine        asin sqrt(x/n)               1/(4n)
    double_arcsine half the Freeman-Tukey sum   1/(4n + 2)
    raw            x/n                          x (n-x)/n^3
    ============== ============================ =========================

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `events` and `total`.
    scale : {"logit", "log", "arcsine", "double_arcsine", "raw"}
        The analysis scale.
    zero_cells : {"constant", "none"}
        `constant` adds 0.5 to events and to non-events of studies in which one of them is 0. On the raw scale
        only the variance is corrected, since the proportion itself needs no correction; on the two
        arcsine scales nothing is.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Cochrane Handbook, chapter 10; Freeman & Tukey (1950); Schwarzer et al. (2019).

    Examples
    --------
    >>> round(float(proportion({"events": 18.0, "total": 148.0}, scale="logit").effect), 4)
    -1.9772
    """
    events, total = np.broadcast_arrays(*(np.asarray(data[name], dtype=np.float64) for name in COLUMNS))
    if scale == "arcsine":
        effect, variance = np.arctan2(np.sqrt(events), np.sqrt(total - events)), 0.25 / total
        return finished(effect, variance, used={"events": events, "total": total})
    if scale == "double_arcsine":
        return finished(*double_arcsine(events, total), used={"events": events, "total": total})
    corrected = ((events == 0) | (events == total)) & (zero_cells != "none")
    x = events + np.where(corrected, 0.5, 0.0)
    n = total + np.where(corrected, 1.0, 0.0)
    used = {"events": x, "total": n}
    if scale == "logit":
        return finished(log_ratio(x, n - x), 1 / x + 1 / (n - x), corrected=corrected, used=used)
    if scale == "log":
        return finished(log_ratio(x, n), (n - x) / (x * n), corrected=corrected, used=used)
    return finished(events / total, x * (n - x) / n**3, corrected=corrected, used=used, variance_only=True)


def _reason(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    which = "no events" if row["events"] == 0 else "nothing but events"
    return (
        f"{which}: without a correction the {scale} scale has no finite value with a variance above "
        "0; zero-cell "
        "policy 'constant' or a one-stage model can use it"
    )


def _clopper_pearson(data: Columns, level: float) -> Limits:
    return clopper_pearson(data["events"], data["total"], level)


def _wilson(data: Columns, level: float) -> Limits:
    return wilson(data["events"], data["total"], level)


MEASURES.add(
    Measure(
        name="proportion",
        label="proportion",
        kind=COUNTS,
        larger_means="more",
        columns=COLUMNS,
        kernel=proportion,
        scales=(LOGIT, LOG_SHARE, ARCSINE, DOUBLE_ARCSINE, RAW_SHARE),
        null_value=None,
        reason=_reason,
        arms=1,
        zero_cell_policies=("constant", "none"),
        natural_factor=100.0,
        unit="%",
        exact_intervals={"clopper_pearson": _clopper_pearson, "wilson": _wilson},
        one_stage=True,
        references=(
            "handbook",
            "freeman_tukey_1950",
            "miller_1978",
            "schwarzer_2019",
            "rover_friede_2022",
            "lin_chu_2020",
        ),
    )
)
