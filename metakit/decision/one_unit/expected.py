"""Expected events of a year's thumbs from a rate: closed forms, and counts by simulation. Pure functions.

Rates are per thumb-year and taken as constant over time, which real hazards are not; whoever shows a number
from here says so. Arrays broadcast; nothing here reads or writes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from metakit.core.effects import FloatArray
from metakit.errors import UsageError

DRAWS = 400_000
"""Draws of a simulation, in two independent halves that show how far its limits could still move."""
LEVEL = 0.95
TAILS = (0.025, 0.5, 0.975)
MOST_BELOW = 0.75
"""A mean above this share of its draws is called that of a few extreme ones (ours, no source)."""
_NEWTON = 60


def expected_within(volume: ArrayLike, rate: ArrayLike, years: ArrayLike) -> FloatArray:
    """Return how many of a year's thumbs have had their first event `years` after the operation.

    Parameters
    ----------
    volume : array_like
        Thumbs operated on in the year.
    rate : array_like
        First events per thumb-year, constant over time.
    years : array_like
        Followed since the operation.

    Returns
    -------
    ndarray
        volume (1 - exp(-rate years)).

    Examples
    --------
    >>> round(float(expected_within(60, 0.024, 5)), 1)
    6.8
    """
    _not_negative(volume=volume, rate=rate, years=years)
    gone = -np.expm1(-np.asarray(rate, dtype=float) * np.asarray(years, dtype=float))
    return np.asarray(np.asarray(volume, dtype=float) * gone)


def expected_in_calendar_year(volume: ArrayLike, rate: ArrayLike, year: ArrayLike) -> FloatArray:
    """Return the first events within calendar year 1, 2, ... of a unit that operates evenly over the years.

    The thumbs at risk are those of all years until then, less those that had their event. In the long run
    the calendar year sees as many events as one year's thumbs ever have.

    Parameters
    ----------
    volume, rate : array_like
        As in `expected_within`.
    year : array_like
        1 is the first year of operating at this volume.

    Returns
    -------
    ndarray
        The integral of volume (1 - exp(-rate s)) for s from year - 1 to year.

    Examples
    --------
    >>> [round(float(expected_in_calendar_year(60, 0.024, year)), 1) for year in (1, 10)]
    [0.7, 12.2]
    """
    _not_negative(volume=volume, rate=rate)
    n, hazard = np.asarray(year, dtype=float), np.asarray(rate, dtype=float)
    if (n < 1).any():
        raise UsageError("the first calendar year is year 1")
    # 1 - exp(-rate (n - 1)) (1 - exp(-rate)) / rate, in two parts that keep their digits at rates near 0:
    # rate / 2 1F1(1; 3; -rate) is 1 - (1 - exp(-rate)) / rate.
    still = np.exp(-hazard * (n - 1))
    gone = -np.expm1(-hazard * (n - 1)) + still * hazard / 2 * special.hyp1f1(1, 3, -hazard)
    return np.asarray(np.asarray(volume, dtype=float) * gone)


def risk_within(rate: ArrayLike, years: ArrayLike) -> FloatArray:
    """Return the risk of at least one event within some years at a constant rate."""
    return expected_within(1.0, rate, years)


def rate_for_risk(risk: ArrayLike, years: ArrayLike) -> FloatArray:
    """Return the constant rate at which this risk is reached within some years."""
    return np.asarray(-np.log1p(-np.asarray(risk, dtype=float)) / np.asarray(years, dtype=float))


def split_risk(risk: ArrayLike, share: float, rate_ratio: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Split the risk of all thumbs into that of a part and that of the rest, given a ratio of their rates.

    Parameters
    ----------
    risk : array_like
        Of all thumbs together, at least 0 and below 1.
    share : float
        Fraction of thumbs in the part.
    rate_ratio : array_like
        Cumulative hazard of the part over that of the rest.

    Returns
    -------
    part, rest : ndarray
        Risks that, weighted by the shares, give back `risk`.

    Examples
    --------
    >>> part, rest = split_risk(0.05, 0.25, 2.0)
    >>> round(0.25 * float(part) + 0.75 * float(rest), 12)
    0.05
    """
    if not 0 < share < 1:
        raise UsageError("a share of the thumbs lies between 0 and 1")
    wanted, ratio = np.broadcast_arrays(np.asarray(risk, dtype=float), np.asarray(rate_ratio, dtype=float))
    if (wanted < 0).any() or (wanted >= 1).any() or (ratio <= 0).any():
        raise UsageError("a risk of at least 0 and below 1 and a ratio above 0 are needed")
    hazard = np.zeros_like(wanted)
    # The mixed risk is concave in the hazard, so Newton's steps from 0 rise to the root and never pass it.
    for _ in range(_NEWTON):
        part, rest = np.exp(-ratio * hazard), np.exp(-hazard)
        gap = wanted - (share * (1 - part) + (1 - share) * (1 - rest))
        step = gap / (share * ratio * part + (1 - share) * rest)
        hazard = hazard + np.maximum(step, 0.0)
        if (np.abs(step) <= 1e-14 * np.maximum(hazard, 1e-300)).all():
            break
    return np.asarray(-np.expm1(-ratio * hazard)), np.asarray(-np.expm1(-hazard))


def mixed_risk(part: ArrayLike, rest: ArrayLike, share: float) -> FloatArray:
    """Return the risk of all thumbs from those of a part and of the rest."""
    return np.asarray(share * np.asarray(part, dtype=float) + (1 - share) * np.asarray(rest, dtype=float))


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A number in units like this one, from draws: its mean, its median, and the middle 95 % of them.

    The mean is what to plan for; the median is the middle value. `mean` is None where the distribution has
    none (a score whose effect is spread like t with one degree of freedom).
    """

    mean: float | None
    median: float
    lower: float
    upper: float

    @classmethod
    def of(cls, draws: FloatArray, *, mean: bool = True) -> Range:
        """Return mean, median and limits of draws."""
        low, middle, high = np.quantile(draws, TAILS)
        return cls(
            mean=float(np.mean(draws)) if mean else None,
            median=float(middle),
            lower=float(low),
            upper=float(high),
        )

    @property
    def planned(self) -> float:
        """The mean, or the median where there is no mean."""
        return self.median if self.mean is None else self.mean

    def times(self, factor: float) -> Range:
        """Return the range in another unit; the factor is above 0."""
        return Range(
            mean=None if self.mean is None else factor * self.mean,
            median=factor * self.median,
            lower=factor * self.lower,
            upper=factor * self.upper,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CountRange:
    """An expected count, with the range of what a year may bring, all from one distribution.

    `mean` is that of the draws, chance averaged out exactly; `median`, `lower` and `upper` are those of the
    simulated counts, of which `level` lie between the two limits. `none` and `every` are the shares of counts
    that are 0, or all thumbs; `below` is the share of the drawn means that lie below `mean`. `moved` is the
    largest difference of a limit between two halves of the draws.
    """

    mean: float
    median: float
    lower: float
    upper: float
    level: float
    moved: float
    none: float
    every: float
    below: float

    @property
    def extreme(self) -> bool:
        """Whether a few extreme draws make the mean: more than `MOST_BELOW` of all lie below it."""
        return self.below > MOST_BELOW

    def __str__(self) -> str:
        return f"{self.mean:.3g} ({self.lower:.0f} to {self.upper:.0f})"


def middle_words(found: CountRange, thumbs: float) -> str:
    """Say the middle value of a count; where it is none, or all, in how many of such units.

    The middle value of a count is no number that is passed as often as not: many units have exactly it.
    """
    if found.median and found.median >= math.ceil(thumbs):
        return f"all in {of_100(found.every)} such units"
    return f"middle value {found.median:.0f}" if found.median else f"none in {of_100(found.none)} such units"


def extreme_words(found: CountRange) -> str:
    """Say that few draws make a mean, and how many lie below it."""
    return f"a few extreme draws make this mean, {of_100(found.below)} lie below it"


def of_100(share: float) -> str:
    """Write a share of draws as `85 of 100`, never as none or all of them."""
    if share < 0.005:
        return "fewer than 1 of 100"
    return "more than 99 of 100" if share > 0.995 else f"{100 * share:.0f} of 100"


def counts_among(thumbs: float, risks: FloatArray, *, random: np.random.Generator) -> FloatArray:
    """Return one binomial count for each drawn risk of a thumb: how many of a year's thumbs have the event.

    Parameters
    ----------
    thumbs : float
        Of the year; rounded up where it is not whole, with the risks lowered in proportion.
    risks : ndarray, shape (draws,)
        Between 0 and 1.
    random : numpy.random.Generator
    """
    whole = max(math.ceil(thumbs), 1)
    chances = np.clip(risks * (thumbs / whole), 0.0, 1.0)
    return np.asarray(random.binomial(whole, chances), dtype=float)


def counts_about(means: FloatArray, *, random: np.random.Generator) -> FloatArray:
    """Return one Poisson count for each drawn mean: events of a calendar year, from thumbs of many years."""
    return np.asarray(random.poisson(np.minimum(means, 1e9)), dtype=float)


def count_range(
    counts: FloatArray, means: FloatArray, *, thumbs: float = math.inf, level: float = LEVEL
) -> CountRange:
    """Return the range of simulated counts.

    Parameters
    ----------
    counts, means : ndarray, shape (draws,)
        A count for each draw, and its mean.
    thumbs : float
        Of which the events are counted; infinite where thumbs of many years are.
    level : float
    """
    tails = ((1 - level) / 2, 0.5, (1 + level) / 2)
    low, middle, high = np.quantile(counts, tails, method="inverted_cdf")
    half = len(counts) // 2
    ends = [np.quantile(part, tails[::2], method="inverted_cdf") for part in (counts[:half], counts[half:])]
    mean = float(np.mean(means))
    return CountRange(
        mean=mean,
        median=float(middle),
        lower=float(low),
        upper=float(high),
        level=level,
        moved=float(np.max(np.abs(ends[0] - ends[1]))),
        none=float(np.mean(counts == 0)),
        every=float(np.mean(counts >= math.ceil(thumbs))) if math.isfinite(thumbs) else 0.0,
        below=float(np.mean(means < mean)),
    )


def stratified(random: np.random.Generator, size: int) -> FloatArray:
    """Return draws between 0 and 1: two independent halves, one draw in each of equally wide strata.

    The margins are then covered evenly, which steadies the tails (McKay, Beckman & Conover 1979,
    Technometrics 21:239-245; from memory).
    """
    halves = [size // 2, size - size // 2]
    return np.concatenate([(random.permutation(half) + random.random(half)) / half for half in halves])


def counts_below(means: FloatArray, shares: FloatArray | None = None) -> FloatArray:
    """Return the distribution function of a count that is Poisson given its mean, at 0, 1, 2, ...

    Parameters
    ----------
    means : ndarray, shape (nodes,)
        Nodes of the distribution of the mean, equally likely unless `shares` says otherwise.
    shares : ndarray, optional

    Returns
    -------
    ndarray
        Up to the first count below which all but 1e-9 lies. Not simulated: the check on `count_range`.
    """
    weights = np.full(len(means), 1 / len(means)) if shares is None else shares
    top = int(np.max(means) + 10 * np.sqrt(np.max(means)) + 30)
    found = np.array([float(np.sum(weights * special.pdtr(count, means))) for count in range(top)])
    return found[: int(np.searchsorted(found, 1 - 1e-9)) + 1]


def _not_negative(**values: ArrayLike) -> None:
    for name, value in values.items():
        found = np.asarray(value, dtype=float)
        if not (found >= 0).all():
            raise UsageError(f"{name} must be at least 0, and a number")
