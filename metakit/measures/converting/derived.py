"""A number derived from what a report gives, with the rule, the inputs and the source that led to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Generic, TypeVar

from metakit.core.notes import Assumption
from metakit.errors import UsageError

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, kw_only=True)
class Derived(Generic[Value]):
    """A derived value and its line of the assumption log.

    Parameters
    ----------
    value : float or a named tuple of floats
        What was derived.
    rule : str
        What was done, in words.
    inputs : str
        The numbers that went in and came out.
    reference : str
        A key of the bibliography; "" for common practice without a source.
    doubt : str
        A question to put to the reader, "" for none.
    """

    value: Value
    rule: str
    inputs: str
    reference: str = ""
    doubt: str = ""

    def assumption(self, study: str) -> Assumption:
        """Return the line of the assumption log for this study."""
        inputs = f"{self.inputs}; {self.doubt}" if self.doubt else self.inputs
        return Assumption(study=study, rule=self.rule, inputs=inputs, reference=self.reference)


def shown(value: float) -> str:
    """Write a number for a log line, with six significant digits."""
    return f"{value:.6g}"


def required(what: str, value: float, *, above: float = -math.inf, below: float = math.inf) -> float:
    """Return a finite number that lies strictly between two bounds.

    Raises
    ------
    UsageError
        Naming the number and the bounds.
    """
    if math.isfinite(value) and above < value < below:
        return float(value)
    bounds = [f"above {above:g}"] if math.isfinite(above) else []
    bounds += [f"below {below:g}"] if math.isfinite(below) else []
    raise UsageError(f"{what} must be a number {' and '.join(bounds)}".rstrip() + f", not {value:g}")


def required_size(what: str, value: float, *, fewest: float = 2) -> float:
    """Return a sample size of at least `fewest`; effective (non-whole) sizes are fine.

    Raises
    ------
    UsageError
        Naming the size and the smallest allowed.
    """
    if math.isfinite(value) and value >= fewest:
        return float(value)
    raise UsageError(f"{what} must be at least {fewest:g}, not {value:g}")


def required_level(level: float) -> float:
    """Return the level of an interval, between 0 and 1.

    Raises
    ------
    UsageError
        For anything else; 95 is answered with 0.95.
    """
    if 0 < level < 1:
        return float(level)
    hint = f"; write {level / 100:g}" if 1 < level < 100 else ""
    raise UsageError(f"the level of an interval lies between 0 and 1, not {level:g}{hint}")
