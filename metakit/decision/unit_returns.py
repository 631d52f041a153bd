"""How many of a unit's thumbs to expect back for each cause, beside what the unit counted itself.

The rate is that of the review for the unit's current technique, or for all techniques where the review has
none for it. What a new centre should expect holds the spread between centres; chance comes on top, so that
the range of the count takes the Poisson limits beyond both ends, and is therefore wide rather than narrow.
Rates are taken as constant over the years followed, which overstates late returns where they come early.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.causes import CauseAnswer
from metakit.core.limits import Limits
from metakit.core.written import count, per_100
from metakit.decision.one_unit.unit import OwnReturns, Unit
from metakit.measures.exact_intervals import exact_poisson
from metakit.synthesis.findings import Findings
from metakit.synthesis.returning.causes_words import rate_limits_words
from metakit.synthesis.terms import label_of

LEVEL = 0.95
NOT_REVISIONS = (
    "These are the studies' returns, not your revisions: they do not add up to what you plan for above."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedReturns:
    """One cause: expected thumbs of one year's, over the years followed, and the range of their count.

    `expected` is the mean; those of causes add up to that of all. `expected` and `range` are None for a
    cause that no study of the review counts. `own` are the unit's counts with the exact
    interval of their rate per thumb-year, None where it typed none.
    """

    cause: str
    label: str
    expected: float | None = None
    range: tuple[int, int] | None = None
    own: OwnReturns | None = None
    own_interval: Limits | None = None

    @property
    def words(self) -> str:
        """What to expect, with its range."""
        return expected_words(self.expected, self.range)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitReturns:
    """Returns by cause for one unit; `basis` names the technique whose rates they rest on."""

    basis: str
    studies: int
    rows: tuple[ExpectedReturns, ...]
    all_causes: float | None


def unit_returns(unit: Unit, findings: Findings) -> UnitReturns | None:
    """Return the expected returns by cause, None where the review knows no rates by cause.

    Parameters
    ----------
    unit : Unit
    findings : Findings
        Of the review, with its causes of return.
    """
    trouble = findings.trouble
    causes = trouble.returns.causes if trouble else None
    if causes is None:
        return None
    label = label_of("techniques", unit.technique(unit.current).technique)
    own = next((result for result in causes.by_technique if result.technique == label), None)
    result = own if own is not None and own.all_per_thumb_year is not None else causes.overall
    if result.all_per_thumb_year is None:
        return None
    thumb_years = unit.volume.value * unit.years.value
    typed = {item.cause: item for item in unit.returns}
    rows = [_row(answer, thumb_years, typed.get(answer.cause)) for answer in result.causes]
    known = {answer.cause for answer in result.causes}
    alone = [_own_alone(item) for item in unit.returns if item.cause not in known]
    return UnitReturns(
        basis=result.technique or "all techniques of the review",
        studies=result.rate_studies["per_thumb_year"],
        rows=(*rows, *alone),
        all_causes=result.all_per_thumb_year.mean * thumb_years,
    )


def _row(answer: CauseAnswer, thumb_years: float, own: OwnReturns | None) -> ExpectedReturns:
    rate = answer.per_thumb_year
    if rate is None:
        raise ValueError(f"{answer.cause}: no rate per thumb-year beside that of all causes")
    return ExpectedReturns(
        cause=answer.cause,
        label=answer.label,
        expected=rate.mean * thumb_years,
        range=count_range(rate.prediction or rate.interval, thumb_years),
        own=own,
        own_interval=_interval(own),
    )


def count_range(rate: Limits, size: float) -> tuple[int, int]:
    """Return the range of a count: the Poisson limits below the lowest and above the highest rate.

    Parameters
    ----------
    rate : Limits
        Per thumb-year.
    size : float
        Thumb-years.
    """
    tail = (1 - LEVEL) / 2
    counts = np.arange(int(10 + 4 * rate.upper * size + 20 * np.sqrt(1 + rate.upper * size)))
    lowest = int(np.searchsorted(special.pdtr(counts, rate.lower * size), tail))
    highest = int(np.searchsorted(special.pdtr(counts, rate.upper * size), 1 - tail))
    return lowest, highest


def _interval(own: OwnReturns | None) -> Limits | None:
    if own is None:
        return None
    lower, upper = exact_poisson(np.array(float(own.thumbs)), np.array(own.thumb_years), LEVEL)
    return Limits(float(lower), float(upper))


def _own_alone(own: OwnReturns) -> ExpectedReturns:
    """Return a cause that the unit counted and no study of the review did."""
    label = label_of("return_causes", own.cause)
    return ExpectedReturns(cause=own.cause, label=label, own=own, own_interval=_interval(own))


def expected_words(expected: float | None, range_: tuple[int, int] | None) -> str:
    """Write what to expect with its range: studies that saw none promise none.

    Examples
    --------
    >>> expected_words(0.0, (0, 7)), expected_words(1.44, (0, 24))
    ('none seen (0 to 7)', '1.4 (0 to 24)')
    """
    if expected is None:
        return ""
    told = per_100(expected) if expected else "none seen"
    return f"{told} ({range_[0]} to {range_[1]})" if range_ else told


def returns_words(row: ExpectedReturns) -> str:
    """Say one cause: what to expect, and what the unit counted itself."""
    if row.expected is None or row.range is None:
        text = f"{row.label}: no study of the review counts it"
    else:
        text = f"{row.label}: {'about ' if row.expected else ''}{row.words}"
    if row.own is not None and row.own_interval is not None:
        counted = f"{row.own.thumbs} in {row.own.thumb_years:g} thumb-years"
        text += f"; yours: {counted}, {rate_limits_words(row.own_interval)} per 100 thumb-years"
    return f"{text}."


def basis_words(found: UnitReturns, unit: Unit) -> str:
    """Say what the numbers rest on and what their ranges hold."""
    return (
        f"{NOT_REVISIONS} Of one year's {unit.volume.value:g} thumbs, over {unit.years.value:g} "
        f"year{'' if unit.years.value == 1 else 's'}. Rates are those of "
        f"{found.basis} in {count(found.studies, 'study', 'studies')}, taken as constant. Ranges hold the "
        "spread between centres and chance, each at 95 %, and are wide rather than narrow."
    )
