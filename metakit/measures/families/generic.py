"""Ready effects with their variance or standard error, whatever they measure."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from metakit.measures.kind import EFFECTS
from metakit.measures.registry import (
    MEASURES,
    Columns,
    Converted,
    InputForm,
    KernelEffects,
    Measure,
    finished,
)
from metakit.measures.scales import DIFFERENCE, RATIO

COLUMNS = ("effect", "variance")


def generic(data: Columns, *, scale: str = "identity", zero_cells: str = "none") -> KernelEffects:
    """Return ready effects and variances as they are.

    Parameters
    ----------
    data : mapping of str to ndarray, shape (..., k)
        `effect` and `variance`, on the analysis scale (logs for ratios).
    scale : {"identity", "log"}
        "log" says that the effects are natural logs, to be shown back-transformed.
    zero_cells : {"none"}
        Not used.

    Returns
    -------
    KernelEffects
        Arrays of shape (..., k).

    References
    ----------
    Cochrane Handbook, section 10.3 (generic inverse-variance method).

    Examples
    --------
    >>> generic({"effect": 0.3, "variance": 0.04}).effect
    array(0.3)
    """
    effect, variance = np.broadcast_arrays(*(np.asarray(data[name], dtype=np.float64) for name in COLUMNS))
    return finished(effect, variance, used={"effect": effect, "variance": variance})


def _from_variance(row: Mapping[str, float]) -> Converted:
    return Converted(columns={"effect": row["effect"], "variance": row["variance"]})


def _from_standard_error(row: Mapping[str, float]) -> Converted:
    # Squaring is arithmetic, not an assumption: no line in the log.
    return Converted(columns={"effect": row["effect"], "variance": row["standard_error"] ** 2})


def _reason(row: Mapping[str, float], *, scale: str, zero_cells: str) -> str:
    return "the effect or its variance leaves the range of numbers"


MEASURES.add(
    Measure(
        name="generic",
        label="effect",
        kind=EFFECTS,
        larger_means="more",
        columns=COLUMNS,
        kernel=generic,
        scales=(DIFFERENCE, RATIO),
        null_value=0.0,
        reason=_reason,
        forms=(
            InputForm(columns=("effect", "variance"), convert=_from_variance),
            InputForm(columns=("effect", "standard_error"), convert=_from_standard_error),
        ),
        references=("handbook",),
    )
)
