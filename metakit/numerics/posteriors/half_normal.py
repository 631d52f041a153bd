"""Integrals over a half-normal between-study spread tau, in batches, without sampling.

Whatever is normal given tau (a mean, a contrast of a network, a coefficient of a regression, the effect in a
new centre) is a mixture of normals once tau is integrated out. Everything here works on R such rows at once.
A caller hands over a function that answers, for nodes of tau, the log marginal likelihood (with what is
integrated out by then) and the conditional means and variances; `mix_over_tau` lays out the nodes.

The rule: with tau = c sinh(w) the integrand is even in w and analytic in a strip as wide as pi / 4, however
small c, so that the trapezoidal rule in w converges geometrically: at a step of 0.18 its error is below 1e-11
of the mass. Nodes are doubled, and drawn together around the mass, until the rule with every second node left
out agrees well enough that the full one is settled.

References
----------
Rover et al. (2021) for the prior; Trefethen LN, Weideman JAC (2014), SIAM Review 56:385-458, for the rule;
Gelman A, et al. (2013), Bayesian Data Analysis, 3rd edition, section 5.4, for the mixture.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import BoolArray, FloatArray
from metakit.errors import ConvergenceError
from metakit.numerics.posteriors.mixtures import mixture_quantile
from metakit.numerics.weights import IndexArray

STEP = 0.18
"""Largest step in w for mixtures over tau; half of it where quantiles of tau itself are asked for."""
NEGLIGIBLE = 32.0
"""How far below its peak, in logarithms, the density of tau may be left out."""
MIXTURE_TOLERANCE, SPREAD_TOLERANCE = 1e-6, 1e-10
"""Largest share of the mass by which half of the nodes may differ from all. The full rule is then right to
the square of it; quantiles of tau itself, which lie between the nodes, are right to the number itself."""
MOST_DOUBLINGS = 24


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Given:
    """What n rows answer at J values of tau each.

    Parameters
    ----------
    log_likelihood : ndarray, shape (n, J)
        Marginal log-likelihood of tau, up to a constant a row.
    mean, variance : ndarray, shape (n, Q, J)
        Of Q quantities that are normal given tau.
    """

    log_likelihood: FloatArray
    mean: FloatArray
    variance: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TauMixture:
    """Posterior of tau on nodes, and Q quantities that are mixtures of normals over it, for n rows.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        Which of the caller's rows these are: rows with as many nodes as each other come together.
    tau, weight : ndarray, shape (n, J)
        Nodes and posterior weights, which add up to 1.
    mean, variance : ndarray, shape (n, Q, J)
    size, start, step : ndarray, shape (n,)
        The nodes: tau_j = size sinh(start + j step).
    """

    rows: IndexArray
    tau: FloatArray
    weight: FloatArray
    mean: FloatArray
    variance: FloatArray
    size: FloatArray
    start: FloatArray
    step: FloatArray

    def quantiles(self, *asked: tuple[float, bool]) -> FloatArray:
        """Return several quantiles of every quantity, shape (asked, n, Q).

        Each is asked for by its probability, and whether it is of the effect in a new centre, whose variance
        is larger by tau squared.
        """
        n, quantities, nodes = self.mean.shape
        deviation = np.sqrt(self.variance)
        ahead = deviation
        if any(new_centre for _, new_centre in asked):
            ahead = np.sqrt(self.variance + self.tau[:, None, :] ** 2)
        shape = (len(asked), n, quantities, nodes)
        found = mixture_quantile(
            np.broadcast_to(self.weight[:, None, :], shape).reshape(-1, nodes),
            np.broadcast_to(self.mean, shape).reshape(-1, nodes),
            np.stack([ahead if new else deviation for _, new in asked]).reshape(-1, nodes),
            np.repeat([probability for probability, _ in asked], n * quantities),
        )
        return np.asarray(found.reshape(shape[:-1]))

    def above(self, threshold: FloatArray | float, *, new_centre: bool = False) -> FloatArray:
        """Return the probability above a threshold (one, or one a quantity, or (n, Q)), shape (n, Q)."""
        variance = self.variance + self.tau[:, None, :] ** 2 if new_centre else self.variance
        limit = np.broadcast_to(np.asarray(threshold, dtype=float), self.mean.shape[:2])
        z = (self.mean - limit[..., None]) / np.sqrt(variance)
        return np.asarray(np.vecdot(self.weight[:, None, :], special.ndtr(z)))

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Return posterior mean and standard deviation of every quantity, shape (n, Q)."""
        weight = self.weight[:, None, :]
        mean = np.vecdot(weight, self.mean)
        spread = np.vecdot(weight, self.variance + (self.mean - mean[..., None]) ** 2)
        return mean, np.sqrt(spread)

    def tau_quantiles(self, *asked: float) -> FloatArray:
        """Return quantiles of tau, shape (asked, n); needs `spread=True` when the mixture was made.

        The mass up to w is the sum of sine integrals that the nodes interpolate (Stenger's indefinite sinc
        rule), solved by Newton's method inside a bracket.
        """
        n, nodes = self.weight.shape
        j = np.arange(nodes)
        probability = np.repeat(asked, n)
        row = np.tile(np.arange(n), len(asked))
        below = np.cumsum(self.weight, axis=-1)[row]
        before = np.minimum((below < probability[:, None]).sum(axis=-1), nodes - 1)
        x = before + 0.5 - (below[np.arange(len(row)), before] - probability) / self.weight[row, before]
        low, high = np.zeros(len(x)), np.full(len(x), float(nodes))
        active = np.arange(len(x))
        for _ in range(100):
            here, at = row[active], x[active]
            weight, mirrored = self.weight[here], (self.start[here] == 0)[:, None]
            left, right = at[:, None] - j, at[:, None] + j
            half = np.where(mirrored, special.sici(np.pi * right)[0], np.pi / 2)
            mass = np.vecdot(weight, special.sici(np.pi * left)[0] + half) / np.pi
            slope = np.vecdot(weight, np.sinc(left) + np.where(mirrored, np.sinc(right), 0.0))
            excess = mass - probability[active]
            low[active] = np.where(excess <= 0, at, low[active])
            high[active] = np.where(excess >= 0, at, high[active])
            with np.errstate(divide="ignore", invalid="ignore"):
                target = at - excess / slope
            inside = (target >= low[active]) & (target <= high[active])
            target = np.where(inside, target, (low[active] + high[active]) / 2)
            x[active] = target
            active = active[np.abs(target - at) > 1e-6]
            if not len(active):
                break
        tau = self.size[row] * np.sinh(self.start[row] + x * self.step[row])
        return np.asarray(tau.reshape(len(asked), n))


def mix_over_tau(
    given: Callable[[FloatArray, IndexArray], Given],
    *,
    scale: FloatArray,
    narrowest: FloatArray,
    squares: FloatArray,
    information: FloatArray,
    spread: bool = False,
) -> list[TauMixture]:
    """Integrate tau out of R rows.

    Parameters
    ----------
    given : callable
        Takes nodes of tau, shape (n, J), and the rows they belong to, shape (n,); answers `Given`.
    scale : ndarray, shape (R,)
        Scale of the half-normal prior of tau.
    narrowest : ndarray, shape (R,)
        A lower bound of the distance of zero from the nearest singularity of anything asked for, in tau: the
        square root of half the smallest conditional variance at tau = 0 (see Notes).
    squares : ndarray, shape (R,)
        Sum of squares of the effects around any fitted value: how far the likelihood can pull tau upwards.
    information : ndarray, shape (R,)
        Number of effects beyond the number of means fitted: how sharp the likelihood of tau can be.
    spread : bool
        Whether quantiles of tau itself will be asked for; needs twice the nodes.

    Returns
    -------
    list of TauMixture
        Together they hold every row once; rows that need as many nodes come together.

    Raises
    ------
    ConvergenceError
        When the nodes do not settle.

    Notes
    -----
    The variance V(tau) of a least-squares mean grows at most as fast as tau^2, so neither V nor V + tau^2
    vanishes for imaginary tau below the square root of V(0) / 2 in size.

    Examples
    --------
    >>> def one_study(tau, rows):  # effect 0.3, variance 0.04, flat mean
    ...     flat = np.zeros_like(tau)
    ...     return Given(
    ...         log_likelihood=flat, mean=(flat + 0.3)[:, None], variance=(0.04 + tau**2)[:, None]
    ...     )
    >>> one = np.ones(1)
    >>> (found,) = mix_over_tau(
    ...     one_study, scale=0.5 * one, narrowest=0.14 * one, squares=0 * one, information=0 * one
    ... )
    >>> round(float(found.quantiles((0.975, False))[0, 0, 0]), 4)
    1.4397
    """
    size = np.minimum(narrowest, scale)
    reach = scale * np.sqrt(2.0 * (np.sqrt(squares) / scale + NEGLIGIBLE))
    start, end = np.zeros_like(size), np.arcsinh(reach / size)
    sharp = 0.89 / np.sqrt(2.0 * np.maximum(information, 1.0))
    step = np.minimum(STEP, sharp) / (2.0 if spread else 1.0)
    nodes = 8 * np.ceil(end / step / 8.0).astype(np.intp)
    tolerance = SPREAD_TOLERANCE if spread else MIXTURE_TOLERANCE
    found: list[TauMixture] = []
    waiting = np.arange(len(size))
    for _ in range(MOST_DOUBLINGS):
        again = []
        for count in np.unique(nodes[waiting]):
            rows = waiting[nodes[waiting] == count]
            mixture, peak, error = _lay_out(given, rows, int(count), scale, size, start, end)
            settled = error <= tolerance
            if settled.all():
                found.append(mixture)
                continue
            if settled.any():
                found.append(_take(mixture, settled))
            left = ~settled
            _draw_together(rows[left], _lay(mixture, left), peak[left], start, end, nodes)
            again.append(rows[left])
        if not again:
            return found
        waiting = np.concatenate(again)
    raise ConvergenceError("the integral over the between-study spread did not settle")


def _lay_out(
    given: Callable[[FloatArray, IndexArray], Given],
    rows: IndexArray,
    count: int,
    scale: FloatArray,
    size: FloatArray,
    start: FloatArray,
    end: FloatArray,
) -> tuple[TauMixture, BoolArray, FloatArray]:
    """Return the mixture on `count` steps, which nodes carry mass, and the error of half of the nodes."""
    step = (end[rows] - start[rows]) / count
    w = start[rows, None] + step[:, None] * np.arange(count + 1)
    tau = size[rows, None] * np.sinh(w)
    here = given(tau, rows)
    log_density = here.log_likelihood - 0.5 * (tau / scale[rows, None]) ** 2 + np.log(np.cosh(w))
    log_density -= log_density.max(axis=-1, keepdims=True)
    weight = np.exp(log_density)
    weight[:, 0] *= np.where(start[rows] == 0, 0.5, 1.0)
    total = weight.sum(axis=-1)
    error = np.abs(2.0 * weight[:, ::2].sum(axis=-1) - total) / total
    mixture = TauMixture(
        rows=rows,
        tau=tau,
        weight=weight / total[:, None],
        mean=here.mean,
        variance=here.variance,
        size=size[rows],
        start=start[rows],
        step=step,
    )
    return mixture, log_density > -NEGLIGIBLE - 4.0, error


def _lay(mixture: TauMixture, which: BoolArray) -> FloatArray:
    """Return the nodes of some rows in w."""
    count = mixture.weight.shape[-1]
    return mixture.start[which, None] + mixture.step[which, None] * np.arange(count)


def _draw_together(
    rows: IndexArray,
    w: FloatArray,
    peak: BoolArray,
    start: FloatArray,
    end: FloatArray,
    nodes: IndexArray,
) -> None:
    """Give rows that are not settled twice the nodes for the stretch that carries their mass."""
    last = w.shape[-1] - 1
    first = np.maximum(peak.argmax(axis=-1) - 1, 0)
    final = np.minimum(last - peak[:, ::-1].argmax(axis=-1) + 1, last)
    here = np.arange(len(rows))
    share = (final - first) / last
    start[rows], end[rows] = w[here, first], w[here, final]
    nodes[rows] = 8 * np.maximum(np.ceil(2.0 * last * share / 8.0), 2).astype(np.intp)


def _take(mixture: TauMixture, which: BoolArray) -> TauMixture:
    return TauMixture(
        rows=mixture.rows[which],
        tau=mixture.tau[which],
        weight=mixture.weight[which],
        mean=mixture.mean[which],
        variance=mixture.variance[which],
        size=mixture.size[which],
        start=mixture.start[which],
        step=mixture.step[which],
    )
