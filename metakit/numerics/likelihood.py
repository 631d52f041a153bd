"""Normal likelihood and restricted likelihood of the between-study variance.

The score equation is solved in the form a(t) / b(t) = 1, where b is the weighted sum of squared
residuals with squared weights and a its expectation. With equal sampling variances the ratio is a
straight line in t, and in general it is close to one, so that Newton steps converge in a few rounds.

The likelihood can have several local maxima. Writing rho for the ratio of the largest to the smallest
variance of a study's effect at t, the ratio a / b increases in t wherever (rho - 1)^2 / 2 + (rho - 1) < 1,
that is rho < sqrt(3): d log b / dt <= -2 w + (w' - w)^2 / (2 w) and d log a / dt >= -w', with w and w'
the smallest and largest weight. Beyond t = (v_max - sqrt(3) v_min) / (sqrt(3) - 1) there is therefore at
most one maximum. Below it the score is scanned on a grid on which the anchor's weight falls by a fixed
factor a step, and every change of sign becomes a bracket.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, cast

import numpy as np

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.roots import newton_in_bracket, newton_of_one
from metakit.numerics.tau2 import Tau2Estimate
from metakit.numerics.weights import IndexArray, Studies, column, dot, scalar

GRID_STEP = 1.5
"""Factor by which the anchor's weight falls from one grid point to the next."""

BLOCK = 1 << 16
"""Numbers worked on at once in the scan, so that they stay in the processor's cache."""

_SAFE_RATIO = 3**0.5
_LOG_STEP = math.log(GRID_STEP)


class _Parts(NamedTuple):
    """Parts of the score, which is (observed - expected) / 2, at one or more tau2 an analysis."""

    expected: FloatArray
    observed: FloatArray
    weight: FloatArray
    anchor: FloatArray
    total: FloatArray
    second: FloatArray
    pull: FloatArray
    anchor_pull: FloatArray


def _parts(
    studies: Studies, tau2: FloatArray, restricted: bool, mean: FloatArray | None, *, grid: bool = False
) -> _Parts:
    """Return the parts at one tau2 an analysis, or with `grid` at several, on a further last axis.

    `mean`, measured from the anchor, fixes the mean; None maximises over it.
    """
    effect, variance, here = studies.effect, studies.variance, studies.others
    anchor_variance = studies.anchor_variance
    if grid and effect.ndim > 1:
        effect, variance, here = effect[:, None, :], variance[:, None, :], here[:, None, :]
        anchor_variance = anchor_variance[:, None]
        mean = None if mean is None else mean[:, None]
    weight = here / (variance + column(tau2))
    anchor = 1.0 / (anchor_variance + tau2)
    rest = dot(weight, here)
    total = rest + anchor
    centre = dot(weight, effect) / total if mean is None else mean
    pull = weight * (effect - column(centre))
    anchor_pull = anchor * centre
    observed = dot(pull, pull) + anchor_pull * anchor_pull
    second = dot(weight, weight)
    expected = rest + (anchor * rest - second) / total if restricted else total
    return _Parts(expected, observed, weight, anchor, total, second, pull, anchor_pull)


def _equation(
    studies: Studies, tau2: FloatArray, restricted: bool, mean: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Return 1 - a / b and its slope in tau2."""
    at = _parts(studies, tau2, restricted, mean)
    weight, anchor, total, pull, anchor_pull = at.weight, at.anchor, at.total, at.pull, at.anchor_pull
    observed_slope = -2.0 * (dot(weight * pull, pull) + anchor * anchor_pull * anchor_pull)
    if mean is None:
        drift = dot(weight, pull) - anchor * anchor_pull
        observed_slope = observed_slope + 2.0 * drift * drift / total
    second = at.second + anchor * anchor
    expected_slope = -second
    if restricted:
        third = dot(weight * weight, weight) + anchor * anchor * anchor
        share = second / total
        expected_slope = 2.0 * third / total - second - share * share
    ratio = at.expected / at.observed
    return 1.0 - ratio, (ratio * observed_slope - expected_slope) / at.observed


def log_likelihood(
    studies: Studies, tau2: FloatArray, *, restricted: bool, mean: FloatArray | None = None
) -> FloatArray:
    """Return the (restricted) log-likelihood without its constant, shape (rows,)."""
    spread = studies.variance + tau2[:, None]
    anchor_spread = studies.anchor_variance + tau2
    weight = studies.others / spread
    total = dot(weight, studies.others) + 1.0 / anchor_spread
    centre = dot(weight, studies.effect) / total if mean is None else mean
    residual = studies.effect - centre[:, None]
    squares = dot(weight * residual, residual) + centre**2 / anchor_spread
    logs = dot(np.log(spread), studies.others) + np.log(anchor_spread)
    return -0.5 * (logs + squares + (np.log(total) if restricted else 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """Parts a and b of the score on each analysis's grid; the last axis is the grid."""

    grid: FloatArray
    expected: FloatArray
    observed: FloatArray


def scan(studies: Studies, *, restricted: bool, mean: FloatArray | None = None) -> Scan:
    """Evaluate the score on the grid that brackets every local maximum (see the module's text)."""
    lowest = studies.anchor_variance
    end = (studies.largest_variance() - _SAFE_RATIO * lowest) / (_SAFE_RATIO - 1.0)
    end = end * (end > 0)
    reach = end / lowest
    points = 1 + math.ceil(math.log1p(reach.max() if isinstance(reach, np.ndarray) else reach) / _LOG_STEP)
    # An analysis that needs fewer points than its neighbours repeats its last one: the answer is the same.
    grid = np.minimum(column(lowest) * _steps(points), column(end))
    size = points * studies.effect.shape[-1]
    if size * studies.rows <= BLOCK:
        at = _parts(studies, grid, restricted, mean, grid=True)
        return Scan(grid, at.expected, at.observed)
    expected, observed = np.empty_like(grid), np.empty_like(grid)
    if size > BLOCK:  # many studies: a point at a time
        for point in range(points):
            at = _parts(studies, grid[..., point], restricted, mean)
            expected[..., point], observed[..., point] = at.expected, at.observed
        return Scan(grid, expected, observed)
    rows = BLOCK // size
    for first in range(0, studies.rows, rows):
        part = slice(first, first + rows)
        fixed = None if mean is None else mean[part]
        at = _parts(studies.take(part), grid[part], restricted, fixed, grid=True)
        expected[part], observed[part] = at.expected, at.observed
    return Scan(grid, expected, observed)


@lru_cache(maxsize=64)
def _steps(points: int) -> FloatArray:
    return np.asarray(GRID_STEP ** np.arange(points) - 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Maximum:
    """Highest maximum over tau2 of each analysis; `maxima` counts the local ones."""

    tau2: FloatArray
    converged: BoolArray
    maxima: IndexArray


def maximise(studies: Studies, *, restricted: bool, mean: FloatArray | None = None) -> Maximum:
    """Find the tau2 of highest (restricted) likelihood, with the mean free or fixed.

    Parameters
    ----------
    studies : Studies
    restricted : bool
        Restricted likelihood (REML) rather than likelihood.
    mean : ndarray, shape (rows,), optional
        Fixed mean, measured from the anchor's effect; for studies in rows.

    Returns
    -------
    Maximum
    """
    if studies.effect.ndim == 1:
        return _maximise_one(studies, restricted)
    found = scan(studies, restricted=restricted, mean=mean)
    rising = found.observed > found.expected
    falls = rising.copy()
    falls[:, :-1] &= ~rising[:, 1:]
    maxima = np.count_nonzero(falls, axis=1) + ~rising[:, 0]
    row, point = np.nonzero(falls)

    def equation(t: FloatArray, part: IndexArray) -> tuple[FloatArray, FloatArray]:
        index = row[part]
        return _equation(studies.take(index), t, restricted, None if mean is None else mean[index])

    roots = newton_in_bracket(equation, *_brackets(studies, found, mean, row, point))
    tau2, converged = np.zeros(studies.rows), np.ones(studies.rows, dtype=bool)
    tau2[row], converged[row] = roots.root, roots.converged
    for several in np.flatnonzero(maxima > 1):
        mine = np.flatnonzero(row == several)
        candidates = np.append(roots.root[mine], [] if rising[several, 0] else [0.0])
        copies = np.full(len(candidates), several)
        fixed = None if mean is None else mean[copies]
        height = log_likelihood(studies.take(copies), candidates, restricted=restricted, mean=fixed)
        tau2[several], converged[several] = candidates[height.argmax()], roots.converged[mine].all()
    return Maximum(tau2, converged, maxima)


def _maximise_one(studies: Studies, restricted: bool) -> Maximum:
    """Maximise for a single analysis, on plain numbers when it has one maximum, as nearly all have."""
    found = scan(studies, restricted=restricted)
    rising = found.observed > found.expected
    number = int(np.count_nonzero(rising))
    if not number:
        return _one(scalar(0.0), True)
    if np.count_nonzero(rising[:number]) < number:
        general = maximise(studies.as_rows(), restricted=restricted)
        return Maximum(general.tau2[0], general.converged[0], general.maxima[0])
    low = found.grid[number - 1]
    if number == len(rising):
        high, start = _bound(studies, low, None), low
    else:
        high, third = found.grid[number], _third(found.grid, number)
        ratio = found.expected / found.observed
        with np.errstate(invalid="ignore", divide="ignore"):  # equal points where there is no third
            straight, bent = _interpolate(
                *(low, high, found.grid[third]), *(ratio[number - 1], ratio[number], ratio[third])
            )
        start = bent if third >= 0 and low <= bent <= high else straight
    root, settled = newton_of_one(lambda t: _equation(studies, t, restricted, None), low, high, start)
    return _one(root, settled)


def _one(tau2: FloatArray, converged: bool) -> Maximum:
    return Maximum(tau2, cast("BoolArray", np.bool_(converged)), cast("IndexArray", np.intp(1)))


def _third(grid: FloatArray, high: int) -> int:
    """Return the point beside a bracket that ends at `high`: the one after it, else the one before, or -1."""
    return high + 1 if high + 1 < len(grid) and grid[high + 1] > grid[high] else high - 2


def _interpolate(
    low: FloatArray,
    high: FloatArray,
    third: FloatArray,
    ratio_low: FloatArray,
    ratio_high: FloatArray,
    ratio_third: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return where the ratio reaches 1 on the line, and on the parabola, of tau2 against the ratio."""
    first = (high - low) / (ratio_high - ratio_low)
    second = ((third - high) / (ratio_third - ratio_high) - first) / (ratio_third - ratio_low)
    straight = low + first * (1.0 - ratio_low)
    return straight, straight + second * (1.0 - ratio_low) * (1.0 - ratio_high)


def _bound(studies: Studies, low: FloatArray, mean: FloatArray | None) -> FloatArray:
    """Return a tau2 beyond `low` at which the score is negative for certain.

    b <= s / (t + v_min)^2 and a >= (k - 1) / (t + v_max), with s the squared deviations about any point,
    so the score is negative beyond S + sqrt(S v_max), S = s / (k - 1).
    """
    centre = dot(studies.effect, studies.others) / studies.count if mean is None else mean
    residual = studies.effect - column(centre)
    squares = dot(residual * studies.others, residual) + centre * centre
    spread = squares / studies.spare
    return 1.001 * np.maximum(spread + np.sqrt(spread * studies.largest_variance()), low)


def _brackets(
    studies: Studies, found: Scan, mean: FloatArray | None, row: IndexArray, point: IndexArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return low, high and start for each fall of the score; past the grid it falls before the bound."""
    last = found.grid.shape[1] - 1
    after, beyond = np.minimum(point + 1, last), np.minimum(point + 2, last)
    low, high = found.grid[row, point], found.grid[row, after]
    third = np.where(found.grid[row, beyond] > high, beyond, point - 1)  # as in `_third`
    ends = [found.expected[row, at] / found.observed[row, at] for at in (point, after, third)]
    with np.errstate(invalid="ignore", divide="ignore"):  # equal ends of those past the grid
        straight, bent = _interpolate(low, high, found.grid[row, third], *ends)
    start = np.where((third >= 0) & (low <= bent) & (bent <= high), bent, straight)
    start = np.where(point < last, start, low)
    outer = np.flatnonzero(point == last)
    if len(outer):
        index = row[outer]
        fixed = None if mean is None else mean[index]
        high[outer] = _bound(studies.take(index), low[outer], fixed)
    return low, high, start


def _estimate(studies: Studies, restricted: bool) -> Tau2Estimate:
    found = maximise(studies, restricted=restricted)
    truncated = (found.tau2 == 0) & (studies.count > 1)
    return studies.unfold(Tau2Estimate(found.tau2, truncated, found.converged, found.maxima))


def reml(studies: Studies) -> Tau2Estimate:
    """Restricted maximum likelihood (Viechtbauer 2005): the highest maximum, all local ones counted.

    Examples
    --------
    >>> from metakit.numerics.weights import prepare
    >>> round(float(reml(prepare([0.1, 0.9, -0.4], [0.04, 0.05, 0.06])).tau2), 4)
    0.3719
    """
    return _estimate(studies, restricted=True)


def maximum_likelihood(studies: Studies) -> Tau2Estimate:
    """Maximum likelihood (Hardy & Thompson 1996); biased downwards with few studies."""
    return _estimate(studies, restricted=False)
