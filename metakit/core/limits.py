"""Limits of an interval, and a test statistic."""

from __future__ import annotations

import math
from typing import Any, NamedTuple


def finite_or_none(value: Any) -> Any:
    """Replace NaN and infinities by None, since JSON has neither."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: finite_or_none(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite_or_none(item) for item in value]
    return value


class Limits(NamedTuple):
    """Lower and upper limit of an interval on the analysis scale; infinite when unbounded."""

    lower: float
    upper: float


class TestStatistic(NamedTuple):
    """A test statistic with its degrees of freedom and p value (Q, for example)."""

    value: float
    df: float
    p_value: float
