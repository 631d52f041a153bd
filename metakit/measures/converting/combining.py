"""Several groups made into one: counts, person-time, and means with standard deviations.

References
----------
Cochrane Handbook, section 6.5.2.10 and table 6.5.a (means); section 23.3.4 (several arms).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple, TypeVar

from metakit.errors import UsageError
from metakit.measures.converting.derived import Derived, required, required_size, shown

Group = TypeVar("Group")


class CountSummary(NamedTuple):
    """Events of a total in one group."""

    events: float
    total: float


class RateSummary(NamedTuple):
    """Events over an observed time in one group."""

    events: float
    time: float


class MeanSummary(NamedTuple):
    """Mean and standard deviation of a group of `total`."""

    mean: float
    sd: float
    total: float


def combined_counts(groups: Sequence[CountSummary]) -> Derived[CountSummary]:
    """Return all groups as one: events and totals add up.

    Parameters
    ----------
    groups : sequence of CountSummary
        At least one; 0 <= events <= total.

    Returns
    -------
    Derived of CountSummary

    References
    ----------
    Cochrane Handbook, section 23.3.4.
    """
    for group in _some(groups):
        total = required_size("a total", group.total, fewest=0)
        if not 0 <= group.events <= total:
            raise UsageError(f"events must lie between 0 and {shown(total)}, not {group.events:g}")
    value = CountSummary(math.fsum(g.events for g in groups), math.fsum(g.total for g in groups))
    parts = " + ".join(f"{shown(g.events)} of {shown(g.total)}" for g in groups)
    return Derived(
        value=value,
        rule=f"{len(groups)} groups combined into one",
        inputs=f"{parts} -> {shown(value.events)} of {shown(value.total)}",
        reference="handbook",
    )


def combined_rates(groups: Sequence[RateSummary]) -> Derived[RateSummary]:
    """Return all groups as one: events and observed times add up.

    Parameters
    ----------
    groups : sequence of RateSummary
        At least one; events at least 0, time above 0.

    Returns
    -------
    Derived of RateSummary
    """
    for group in _some(groups):
        required("an observed time", group.time, above=0)
        required_size("events", group.events, fewest=0)
    value = RateSummary(math.fsum(g.events for g in groups), math.fsum(g.time for g in groups))
    parts = " + ".join(f"{shown(g.events)} in {shown(g.time)}" for g in groups)
    return Derived(
        value=value,
        rule=f"{len(groups)} groups combined into one",
        inputs=f"{parts} -> {shown(value.events)} in {shown(value.time)}",
        reference="handbook",
    )


def combined_means(groups: Sequence[MeanSummary]) -> Derived[MeanSummary]:
    """Return all groups as one, with the standard deviation that all observations together have.

    It holds the spread within groups and that between their means; averaging the standard deviations would
    lose the second.

    Parameters
    ----------
    groups : sequence of MeanSummary
        At least one, in one unit.

    Returns
    -------
    Derived of MeanSummary

    References
    ----------
    Cochrane Handbook, table 6.5.a, extended to any number of groups.

    Examples
    --------
    >>> both = combined_means([MeanSummary(12.5, 4.1, 30), MeanSummary(15.2, 5.3, 45)]).value
    >>> round(both.mean, 2), round(both.sd, 4)
    (14.12, 5.0063)
    """
    for group in _some(groups):
        required("a mean", group.mean)
        required_size("a standard deviation", group.sd, fewest=0)
        required_size("a total", group.total, fewest=1)
    total = math.fsum(g.total for g in groups)
    mean = math.fsum(g.total * g.mean for g in groups) / total
    within = [(g.total - 1) * g.sd**2 for g in groups]
    between = [g.total * (g.mean - mean) ** 2 for g in groups]
    if total <= 1:
        raise UsageError("one observation alone has no standard deviation")
    value = MeanSummary(mean, math.sqrt(math.fsum(within + between) / (total - 1)), total)
    return Derived(
        value=value,
        rule=f"{len(groups)} groups combined into one",
        inputs=f"{' + '.join(_mean_text(g) for g in groups)} -> {_mean_text(value)}",
        reference="handbook",
    )


def _mean_text(group: MeanSummary) -> str:
    return f"mean {shown(group.mean)} (SD {shown(group.sd)}, n {shown(group.total)})"


def _some(groups: Sequence[Group]) -> Sequence[Group]:
    if not groups:
        raise UsageError("there is no group to combine")
    return groups
