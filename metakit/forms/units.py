"""Exact conversion of units, from the factors declared in the vocabulary of units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from metakit.forms.specs import Term


@dataclass(frozen=True, slots=True)
class Conversion:
    """From one unit to another: the value times `times` divided by `divided_by`."""

    start: str
    end: str
    times: float
    divided_by: float

    def __call__(self, value: float) -> float:
        """Convert a value."""
        return value * self.times / self.divided_by

    @property
    def identity(self) -> bool:
        """Whether nothing changes."""
        return self.times == self.divided_by

    def __str__(self) -> str:
        if self.identity:
            return f"{self.start} = {self.end}"
        steps = f" x {self.times:.12g}" if self.times != 1 else ""
        steps += f" / {self.divided_by:.12g}" if self.divided_by != 1 else ""
        return f"{self.start}{steps} = {self.end}"


def conversion(start: str, end: str, units: Mapping[str, Term]) -> Conversion | None:
    """Return how a unit converts into another; None when they measure different things or are unknown.

    Parameters
    ----------
    start, end : str
        Ids of units.
    units : mapping of str to Term
        The vocabulary of units: `times` and `divided_by` lead to the base unit of the `dimension`.
    """
    if start not in units or end not in units:
        return None
    one, other = units[start].facts, units[end].facts
    if one.text("dimension") != other.text("dimension"):
        return None
    times = (one.number("times") or 1.0) * (other.number("divided_by") or 1.0)
    divided_by = (one.number("divided_by") or 1.0) * (other.number("times") or 1.0)
    if times == divided_by:
        times = divided_by = 1.0
    return Conversion(start, end, times, divided_by)
