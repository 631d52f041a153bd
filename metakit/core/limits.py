"""Limits of an interval, and a test statistic."""

from __future__ import annotations

from typing import NamedTuple


class Limits(NamedTuple):
    """Lower and upper limit of an interval on the analysis scale; infinite when unbounded."""

    lower: float
    upper: float


class TestStatistic(NamedTuple):
    """A test statistic with its degrees of freedom and p value (Q, for example)."""

    value: float
    df: float
    p_value: float
