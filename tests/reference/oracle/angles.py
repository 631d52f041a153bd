"""MP angles before and after an operation: the pooled change of paired measurements, and counts in coarse bands.

Sources: Cochrane Handbook, section 6.5.2.8 (standard deviation of a change with correlation r); Friede 2017 and
Rover 2021 (normal effects, half-normal tau; half a standard deviation as the scale of differences); Manski 2003,
Partial identification of probability distributions (from memory: what is only known to lie in an interval bounds a
share from both sides).

A band is (lower, lower belongs to it, upper, upper belongs to it), None for an open end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from itertools import pairwise

from mpmath import mp, mpf

from . import bayes
from .precision import Number, Vector, exact, total

Row = tuple[object, ...]
Band = tuple[int | None, bool, int | None, bool]
Cell = tuple[Fraction, Fraction]


# --- paired change -------------------------------------------------------------------------------


def change(row: Row, correlation: object) -> tuple[Number, Number, Number]:
    """Return change, its standard deviation and the thumbs of (mean before, SD, mean after, SD, thumbs)."""
    m1, s1, m2, s2, n = exact(row)
    return m2 - m1, mp.sqrt(s1**2 + s2**2 - 2 * mpf(correlation) * s1 * s2), n


def paired_posterior(rows: Sequence[Row], correlation: object) -> bayes.Posterior:
    """Return the posterior of the mean change: flat mean, tau half-normal with half of the pooled SD."""
    found = [change(row, correlation) for row in rows]
    pooled = mp.sqrt(total((n - 1) * s**2 for _, s, n in found) / total(n - 1 for _, _, n in found))
    y: Vector = [item[0] for item in found]
    v: Vector = [s**2 / n for _, s, n in found]
    return bayes.Posterior(y, v, bayes.half_normal(pooled / 2))


# --- coarse bands --------------------------------------------------------------------------------


def cells(bands: Sequence[Band]) -> list[Cell]:
    """Cut the line at every end: points, and open stretches between them, the outer ones unbounded."""
    ends = sorted({Fraction(end) for band in bands for end in (band[0], band[2]) if end is not None})
    edges = [ends[0] - 1000, *ends, ends[-1] + 1000]
    points = [(end, end) for end in ends]
    return sorted([*points, *pairwise(edges)])


def within(cell: Cell, band: Band) -> bool:
    """Say whether a cell lies in a band; cells never cross an end of it."""
    middle = (cell[0] + cell[1]) / 2
    low, low_inside, high, high_inside = band
    above = low is None or middle > low or (middle == low and low_inside)
    below = high is None or middle < high or (middle == high and high_inside)
    return above and below


def placements(
    thumbs: Sequence[int], allowed: Sequence[Sequence[int]], size: int
) -> Iterator[tuple[int, ...]]:
    """Put thumbs of each group into cells that are allowed to it, in every way; counts by cell."""
    if not thumbs:
        yield (0,) * size
        return
    for rest in placements(thumbs[1:], allowed[1:], size):
        for split in compositions(thumbs[0], len(allowed[0])):
            counts = list(rest)
            for cell, count in zip(allowed[0], split, strict=True):
                counts[cell] += count
            yield tuple(counts)


def compositions(n: int, parts: int) -> Iterator[tuple[int, ...]]:
    """Return every way to write n as a sum of so many counts."""
    if parts == 1:
        yield (n,)
        return
    for first in range(n + 1):
        for others in compositions(n - first, parts - 1):
            yield (first, *others)


def over_by_trying(
    bands: Sequence[tuple[Band, int]], limit: Band, whole: int, *, overlap: bool
) -> tuple[int, int]:
    """Return the fewest and the most thumbs over a limit, by trying every placement that the bands allow.

    Where bands overlap, a thumb counts in every band that it lies in; where not, each thumb was put into one band.
    """
    line = cells([*(band for band, _ in bands), limit])
    every = list(range(len(line)))
    over = [within(cell, limit) for cell in line]
    if overlap:
        tried = (
            counts
            for counts in placements([whole], [every], len(line))
            if all(sum(counts[i] for i in every if within(line[i], band)) == thumbs for band, thumbs in bands)
        )
    else:
        unplaced = whole - sum(thumbs for _, thumbs in bands)
        groups = [[i for i in every if within(line[i], band)] for band, _ in bands]
        tried = placements([*(thumbs for _, thumbs in bands), unplaced], [*groups, every], len(line))
    found = [sum(count for count, here in zip(counts, over, strict=True) if here) for counts in tried]
    return min(found), max(found)


def over_by_bands(bands: Sequence[tuple[Band, int]], limit: Band, whole: int) -> tuple[int, int]:
    """Return the same for any number of thumbs in bands that do not overlap: band by band."""
    line = cells([*(band for band, _ in bands), limit])
    unplaced = whole - sum(thumbs for _, thumbs in bands)

    def all_of(test: Callable[[list[bool]], bool]) -> int:
        return sum(
            thumbs for band, thumbs in bands if test([within(c, limit) for c in line if within(c, band)])
        )

    return all_of(all), all_of(any) + unplaced
