"""Counts with normal random effects and a half-normal spread, by quadrature in tau and in the mean.

Given the mean mu and tau, the counts of a study have the likelihood of its own effect theta averaged over a
normal distribution around mu. That average is taken for a whole grid of mu at once, on an even grid of theta
that covers what the study's likelihood and the normal have in common; for a tau too small for such a grid,
by Gauss-Hermite nodes. The trapezoidal rule converges geometrically in theta, in mu and in the transformed
tau, and each is checked by leaving out every second node.

References
----------
Stijnen, Hamza & Ozdemir (2010) for the likelihoods; Gunhan, Rover & Friede (2020) for the prior of the mean
of log ratios; Trefethen & Weideman (2014) for the rule.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.errors import ConvergenceError
from metakit.numerics.posteriors.grid_posterior import GridPosterior
from metakit.numerics.posteriors.half_normal import NEGLIGIBLE, Given, TauMixture, mix_over_tau
from metakit.numerics.weights import IndexArray

LogLikelihood = Callable[[FloatArray], FloatArray]

_DEPTH = NEGLIGIBLE - 2.0  # logarithms below the peak where a grid of the mean may end
_NORMAL_REACH = 9.0  # standard deviations of a normal density that matter, around any mean of the grid
_SUPPORT_DEPTH = 45.0  # logarithms below its peak where a study's likelihood ends
_FINEST, _PER_WIDTH = 0.35, 0.6  # steps in theta: at most this, and this share of the narrowest width
_SMALL_TAU, _SMALL_SHARE = 0.25, 0.25  # below both, as such and as a share of the mean's width: Hermite nodes
_HERMITE_ERROR = 1e-13  # of an average by Hermite nodes: (tau / narrowest width) to twice their number
_POINTS_PER_WIDTH = 2.8  # of the mean's grid to begin with
_GRID_TOLERANCE = 1e-10  # of what the highest frequency of the mean's grid holds
_THETA_TOLERANCE = (
    3e-3  # by which half of the nodes may differ: their error is the fourth root of that of all
)
_NOTHING = 60.0  # logarithms below the highest so far: such a tau is out of the question
_MOST_ROUNDS = 40
_WEIGHTLESS = 1e-15
"""Posterior weight of a node of tau below which it changes nothing that is told."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountModel:
    """Counts of k studies as functions of each study's own effect.

    Parameters
    ----------
    log_likelihood : callable
        Takes effects of shape (n,), the same for all studies, or (k, n); gives shape (k, n): the
        log-likelihood of each study, up to a constant.
    log_prior : callable
        Log-density of the mean, shape (n,), up to a constant.
    centre, width : ndarray, shape (k,)
        About where each study's likelihood lies, and its standard deviation there.
    prior_precision : float
        About the information in the prior of the mean.
    times : ndarray, shape (k,), optional
        How many studies have these counts; one each when left out.
    """

    log_likelihood: LogLikelihood
    log_prior: LogLikelihood
    centre: FloatArray
    width: FloatArray
    prior_precision: float = 0.0
    times: FloatArray | None = None

    def over_studies(self, each: FloatArray) -> FloatArray:
        """Return the sum over all studies of something with the rows on the first axis."""
        return np.asarray(
            np.add.reduce(each) if self.times is None else np.tensordot(self.times, each, axes=1)
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CountAnswer:
    """Posterior of one analysis of counts: `posterior` of the mean and of a new centre, quantiles of tau."""

    posterior: GridPosterior
    mixture: TauMixture

    def tau_quantiles(self, *asked: float) -> FloatArray:
        """Return quantiles of tau, shape (asked,)."""
        return self.mixture.tau_quantiles(*asked)[:, 0]


def half_normal_counts(model: CountModel, *, scale: float) -> CountAnswer:
    """Integrate tau (half-normal of this scale) and the mean out of counts.

    Raises
    ------
    ConvergenceError
        When a rule does not settle.

    Examples
    --------
    >>> from metakit.numerics.of_counts.count_models import conditional_binomial
    >>> events, size = np.array([[3.0, 5.0], [7.0, 9.0]]), np.array([[60.0, 80.0], [58.0, 82.0]])
    >>> model = conditional_binomial(events[0], size[0], events[1], size[1])
    >>> round(float(half_normal_counts(model, scale=0.5).posterior.quantile(0.5)), 3)
    -0.704
    """
    precision = float(model.over_studies(1.0 / model.width**2))
    information = precision + model.prior_precision
    grids = _Grids(model)
    kept: list[_Grid] = []

    def given(tau: FloatArray, rows: IndexArray) -> Given:
        kept.clear()
        grids.highest = -np.inf
        for node in tau[0, ::-1]:  # from wide to narrow, so that a tau out of the question is known as such
            kept.append(grids.at(float(node), kept[-1] if kept else None))
        kept.reverse()
        mean = np.array([grid.mean for grid in kept])
        variance = np.array([grid.variance for grid in kept])
        level = np.array([[grid.log_mass for grid in kept]])
        return Given(log_likelihood=level, mean=mean[None, None], variance=variance[None, None])

    middle = float(model.over_studies(model.centre / model.width**2)) / precision
    one = np.ones(1)
    (mixture,) = mix_over_tau(
        given,
        scale=scale * one,
        narrowest=np.sqrt(0.5 / information) * one,
        squares=float(model.over_studies((model.centre - middle) ** 2)) * one,
        information=(float(model.over_studies(np.ones_like(model.centre))) - 1.0) * one,
        spread=True,
    )
    heavy = np.flatnonzero(mixture.weight[0] > _WEIGHTLESS)
    carrying = [kept[node] for node in heavy]
    share = np.zeros((len(carrying), max(len(grid.share) for grid in carrying)))
    for row, grid in enumerate(carrying):
        share[row, : len(grid.share)] = grid.share
    return CountAnswer(
        posterior=GridPosterior(
            weight=mixture.weight[0][heavy],
            tau=mixture.tau[0][heavy],
            start=np.array([grid.start for grid in carrying]),
            step=np.array([grid.step for grid in carrying]),
            share=share,
        ),
        mixture=mixture,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Grid:
    """The mean given one tau, on an even grid; `share` adds up to 1, `log_mass` is that of the tau."""

    tau: float
    start: float
    step: float
    share: FloatArray
    log_mass: float
    mean: float
    variance: float

    @property
    def end(self) -> float:
        """Last point."""
        return self.start + self.step * (len(self.share) - 1)


class _Grids:
    """Lays out the grid of the mean for one tau after the other, remembering the likelihood in theta."""

    def __init__(self, model: CountModel) -> None:
        self.model = model
        self.narrowest = np.minimum(model.width, _FINEST / _PER_WIDTH)
        self.support = _supports(model)
        self.highest = -np.inf
        self.widths: dict[float, float] = {}

    def at(self, tau: float, before: _Grid | None) -> _Grid:
        """Return the grid for a tau, starting from that of the tau before."""
        start, end, width = self._first(tau) if before is None else self._next(tau, before)
        step = width / _POINTS_PER_WIDTH
        for _ in range(_MOST_ROUNDS):
            count = int(np.ceil((end - start) / step)) + 1
            points: FloatArray = start + step * np.arange(count, dtype=float)
            level = self.averaged(points, tau, width) + self.model.log_prior(points)
            peak = float(level.max())
            if peak < self.highest - _NOTHING:
                even = np.full(count, 1.0 / count)
                return _Grid(tau=tau, start=start, step=step, share=even, log_mass=peak,
                             mean=float(points.mean()), variance=width**2)  # fmt: skip
            low, high = level[0] > peak - _DEPTH, level[-1] > peak - _DEPTH
            if low or high:
                reach = max(end - start, width)
                start, end = start - 0.4 * reach * low, end + 0.4 * reach * high
                continue
            carrying = np.flatnonzero(level > peak - NEGLIGIBLE - 4.0)
            first, last = max(int(carrying[0]) - 1, 0), min(int(carrying[-1]) + 1, count - 1)
            density = np.exp(level[first : last + 1] - peak)
            total = float(density.sum())
            rough = abs(float(density[::2].sum() - density[1::2].sum())) / total
            if rough > _GRID_TOLERANCE:
                start, end = float(points[first]), float(points[last])
                step /= 1.5
                continue
            share, kept = density / total, points[first : last + 1]
            mean = float(share @ kept)
            self.highest = max(self.highest, peak)
            return _Grid(
                tau=tau,
                start=float(kept[0]),
                step=step,
                share=share,
                log_mass=peak + float(np.log(total * step)),
                mean=mean,
                variance=float(share @ (kept - mean) ** 2),
            )
        raise ConvergenceError("the grid of the mean did not settle")

    def _width(self, tau: float) -> float:
        if tau not in self.widths:
            weight = float(self.model.over_studies(1.0 / (self.model.width**2 + tau**2)))
            self.widths[tau] = float(1.0 / np.sqrt(weight + self.model.prior_precision))
        return self.widths[tau]

    def _first(self, tau: float) -> tuple[float, float, float]:
        width, weight = self._width(tau), 1.0 / (self.model.width**2 + tau**2)
        middle = float(self.model.over_studies(weight * self.model.centre)) * width**2
        return middle - 6.0 * width, middle + 6.0 * width, width

    def _next(self, tau: float, before: _Grid) -> tuple[float, float, float]:
        width = float(np.sqrt(before.variance)) * self._width(tau) / self._width(before.tau)
        return before.start, before.end, width

    def averaged(self, points: FloatArray, tau: float, width: float) -> FloatArray:
        """Return the log-likelihood of all studies with their effects averaged around each mean."""
        if tau == 0:
            return self.model.over_studies(self.model.log_likelihood(points))
        narrowest = min(width, float(self.narrowest.min()))
        if tau < min(_SMALL_TAU, _SMALL_SHARE * narrowest):
            x, weight = _hermite(int(np.ceil(0.5 * np.log(_HERMITE_ERROR) / np.log(tau / narrowest))) + 1)
            theta = points[:, None] + tau * x
            each = self.model.log_likelihood(theta.ravel()).reshape(-1, *theta.shape)
            top = each.max(axis=-1)
            inner = (np.exp(each - top[..., None]) * weight).sum(axis=-1)
            return self.model.over_studies(top + np.log(inner))
        reach = _NORMAL_REACH * tau
        low = np.maximum(self.support[0], points[0] - reach)
        high = np.minimum(self.support[1], points[-1] + reach)
        if (low >= high).any():
            return np.full(len(points), -np.inf)
        for _ in range(_MOST_ROUNDS):
            finest = _PER_WIDTH * min(tau, float(self.narrowest.min()))
            theta, around = _normal_around(points, (float(low.min()), float(high.max())), finest, tau)
            step = theta[1] - theta[0]
            each = self.model.log_likelihood(theta)
            top = each.max(axis=1)
            own = np.exp(each - top[:, None])
            inner = own @ around
            with np.errstate(divide="ignore"):
                constant = np.log(step / (tau * np.sqrt(2.0 * np.pi)))
                total = self.model.over_studies(top[:, None] + constant + np.log(inner))
            best = int(total.argmax())
            if total[best] < self.highest - _NOTHING or not np.isfinite(total[best]):
                return total
            half, whole = 2.0 * (own[:, ::2] @ around[::2, best]), inner[:, best]
            rough = np.abs(half - whole) > _THETA_TOLERANCE * whole
            if not rough.any():
                return total
            self.narrowest[rough] = step / (2.0 * _PER_WIDTH)  # narrower away from their peaks
        raise ConvergenceError("the grid of a study's own effect did not settle")


def _normal_around(
    points: FloatArray, ends: tuple[float, float], finest: float, tau: float
) -> tuple[FloatArray, FloatArray]:
    """Return an even grid of theta over `ends`, and a normal of spread tau around each point there.

    Both grids lie on one lattice, so that the normal is computed once a distance, not once a pair.
    """
    step = points[1] - points[0]
    finer, coarser = max(int(np.ceil(step / finest)), 1), max(int(finest / step), 1)
    unit = step / finer
    first = int(np.floor((ends[0] - points[0]) / (unit * coarser)))
    count = 2 * int(np.ceil((ends[1] - points[0]) / (unit * coarser) - first) // 2) + 3
    place = coarser * (first + np.arange(count))
    lowest = place[0] - finer * (len(points) - 1)
    z = unit / tau * np.arange(lowest, place[-1] + 1)
    normal = np.exp(-0.5 * z * z)
    # Row i, column j is the normal at place i less finer j: one view of steps, copied, not looked up.
    one, columns = normal.itemsize, len(points)
    view: FloatArray = np.ndarray(
        (count, columns), float, normal, finer * (columns - 1) * one, (coarser * one, -finer * one)
    )
    return points[0] + unit * place, view.copy()


def _supports(model: CountModel) -> tuple[FloatArray, FloatArray]:
    """Return where each study's likelihood carries anything; infinite where it never ends."""
    ends = []
    for sign in (-1.0, 1.0):
        reach = np.arange(1.0, 200.0)
        theta = model.centre[:, None] + sign * model.width[:, None] * reach
        each = model.log_likelihood(theta)
        peak = np.maximum(model.log_likelihood(model.centre[:, None])[:, 0], each.max(axis=1))
        gone = each < (peak - _SUPPORT_DEPTH)[:, None]
        first = np.where(gone.any(axis=1), gone.argmax(axis=1), len(reach) - 1)
        ends.append(np.where(gone.any(axis=1), theta[np.arange(len(first)), first], sign * np.inf))
    return ends[0], ends[1]


@lru_cache(maxsize=32)
def _hermite(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights of the mean over a standard normal distribution."""
    x, w = special.roots_hermitenorm(nodes)
    return x, w / np.sqrt(2.0 * np.pi)
