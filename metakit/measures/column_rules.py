"""What each raw column may contain, by its name without the arm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

_ENDINGS = ("_1", "_2", "_before", "_after")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnRule:
    """What a number in a column may be: the words for the reader, the test, and whether it is a count."""

    allowed: str
    accepts: Callable[[float], bool]
    whole: bool = False


COUNT = ColumnRule(allowed="0, 1, 2, ...", accepts=lambda value: value >= 0, whole=True)
SIZE = ColumnRule(allowed="1, 2, 3, ...", accepts=lambda value: value > 0, whole=True)
SIZE_WITH_SPREAD = ColumnRule(
    allowed="2, 3, 4, ... (one alone has no standard deviation)", accepts=lambda value: value > 1, whole=True
)
POSITIVE = ColumnRule(allowed="a number above 0", accepts=lambda value: value > 0)
NOT_NEGATIVE = ColumnRule(allowed="a number of at least 0", accepts=lambda value: value >= 0)
NUMBER = ColumnRule(allowed="a number", accepts=lambda value: True)
SHARE = ColumnRule(allowed="a fraction from 0 to 1", accepts=lambda value: 0 <= value <= 1)
PROBABILITY = ColumnRule(allowed="a probability above 0 and at most 1", accepts=lambda value: 0 < value <= 1)
LEVEL = ColumnRule(allowed="a level between 0.5 and 1 such as 0.95", accepts=lambda value: 0.5 <= value < 1)
CORRELATION = ColumnRule(allowed="a correlation between -1 and 1", accepts=lambda value: -1 < value < 1)

_BY_NAME = {
    "events": COUNT,
    "total": SIZE,
    "time": POSITIVE,
    "mean": NUMBER,
    "sd": POSITIVE,
    "correlation": CORRELATION,
    "effect": NUMBER,
    "variance": POSITIVE,
    "standard_error": POSITIVE,
    "log_hazard_ratio": NUMBER,
    "hazard_ratio": POSITIVE,
    "interval_lower": NUMBER,
    "interval_upper": NUMBER,
    "interval_level": LEVEL,
    "observed_minus_expected": NUMBER,
    "logrank_variance": POSITIVE,
    "p_value": PROBABILITY,
    "survival": SHARE,
}


def base_name(column: str) -> str:
    """Return a column's name without its arm or time (`events_1` is `events`)."""
    for ending in _ENDINGS:
        if column.endswith(ending):
            return column.removesuffix(ending)
    return column


def rule_of(column: str) -> ColumnRule:
    """Return the usual rule of a column."""
    return _BY_NAME.get(base_name(column), NUMBER)
