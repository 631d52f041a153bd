"""One integral over the spread between studies, for models that are least squares once it is given.

Networks, components and regressions have normal coefficients given tau, so that everything asked of them
is a mixture of normals over a few values of tau. Here those values and their posterior weights are laid
out, for a half-normal prior of tau and flat priors of the coefficients: Kronrod panels that double in
width from the smallest sampling error on, halved until all is settled.

References
----------
Rover C, et al. (2021). Res Synth Methods 12:448-474. Gelman A, et al. (2013). Bayesian Data Analysis,
3rd edition, section 5.4.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.polynomial import Legendre

from metakit.core.effects import BoolArray, FloatArray
from metakit.numerics.posteriors.bayes_marginals import NormalMixtures
from metakit.numerics.quadrature import adapt_panels, panel_rule
from metakit.numerics.roots import root_in_bracket
from metakit.numerics.weights import IndexArray

REACH = 8.5
"""Prior standard deviations beyond which nothing is left that double precision could tell (2e-17)."""

NEGLIGIBLE = 1e-15
"""Posterior weight of a value of tau that is dropped."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GivenTau:
    """Least squares at each of J values of tau.

    tau : (J,); coefficients : (J, p); covariance : (J, p, p); log_likelihood : (J,), restricted (coefficients
    integrated out under flat priors), up to a constant; q : (J,), weighted residual sums of squares.
    """

    tau: FloatArray
    coefficients: FloatArray
    covariance: FloatArray
    log_likelihood: FloatArray
    q: FloatArray

    def at(self, index: IndexArray | BoolArray) -> GivenTau:
        """Return some of the values of tau, in the order of `index`."""
        return GivenTau(**{field.name: getattr(self, field.name)[index] for field in fields(self)})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpreadPosterior:
    """Posterior of tau at J values, and the coefficients given each; `weight` (J,) adds up to 1.

    `edges` (panels + 1,) and `mass` (panels, 15) hold the posterior mass that each node of the
    panels stands for.
    """

    weight: FloatArray
    given: GivenTau
    edges: FloatArray
    mass: FloatArray

    def tau_quantile(self, probability: float) -> float:
        """Return a quantile of tau: within its panel the density is the polynomial through its 15 nodes."""
        until = np.concatenate([[0.0], np.cumsum(self.mass.sum(axis=-1))])
        panel = int(np.clip(np.searchsorted(until, probability) - 1, 0, len(self.mass) - 1))
        ends = self.edges[panel : panel + 2]
        points, weights, _ = panel_rule(np.array([-1.0]), np.array([1.0]))
        density = Legendre.fit(points[0], self.mass[panel] / weights[0], deg=14, domain=[-1.0, 1.0])
        below = density.integ(lbnd=-1.0)
        wanted = min(max(probability - float(until[panel]), 0.0), float(below(1.0)))
        place = root_in_bracket(lambda x, _: below(x) - wanted, np.array([-1.0]), np.array([1.0])).root[0]
        return float(ends[0] + (place + 1.0) / 2.0 * (ends[1] - ends[0]))

    def contrasts(self, rows: FloatArray) -> NormalMixtures:
        """Return the posterior of linear combinations of the coefficients.

        Parameters
        ----------
        rows : ndarray, shape (R, p)
        """
        mean = rows @ self.given.coefficients.T
        variance = np.einsum("rp,jpq,rq->rj", rows, self.given.covariance, rows, optimize=True)
        return NormalMixtures(weight=self.weight, mean=mean, deviation=np.sqrt(np.maximum(variance, 0.0)))

    def in_a_new_centre(self, rows: FloatArray) -> NormalMixtures:
        """Return the predictive distribution of contrasts in one more centre: spread tau is added to each."""
        here = self.contrasts(rows)
        return NormalMixtures(
            weight=here.weight, mean=here.mean, deviation=np.sqrt(here.deviation**2 + self.given.tau**2)
        )

    def mean(self) -> FloatArray:
        """Return the posterior means of the coefficients, shape (p,)."""
        return np.asarray(self.weight @ self.given.coefficients)

    def covariance(self) -> FloatArray:
        """Return the posterior covariance of the coefficients, shape (p, p)."""
        away = self.given.coefficients - self.mean()
        within = np.tensordot(self.weight, self.given.covariance, axes=1)
        return np.asarray(within + (self.weight[:, None] * away).T @ away)

    def average(self, values: FloatArray) -> FloatArray:
        """Return the posterior expectation of values given tau, shape (J, ...)."""
        return np.asarray(np.tensordot(self.weight, values, axes=1))


def spread_posterior(
    fit: Callable[[FloatArray], GivenTau],
    *,
    scale: float,
    smallest: float,
    basis: FloatArray | None = None,
) -> SpreadPosterior:
    """Integrate over tau under a half-normal prior.

    Parameters
    ----------
    fit : callable
        Least squares at several values of tau, shape (J,).
    scale : float
        Of the half-normal prior, on the scale of the effects.
    smallest : float
        The smallest sampling standard error: the likelihood is smooth on that scale and above.
    basis : ndarray, shape (p, r), optional
        What turns the fit's coefficients into those wanted. A fit in well-scaled directions keeps the digits
        that a year of publication and its intercept would lose.

    Raises
    ------
    ConvergenceError
        When the panels do not settle.

    References
    ----------
    Friede T, et al. (2017). Biom J 59:658-671 (the prior, for two studies).
    """
    found = _weighted(fit, start_edges(scale, smallest), scale)
    if basis is None:
        return found
    given = replace(
        found.given,
        coefficients=found.given.coefficients @ basis.T,
        covariance=basis @ found.given.covariance @ basis.T,
    )
    return replace(found, given=given)


def start_edges(scale: float, smallest: float) -> FloatArray:
    """Return the edges of panels of tau that double in width from the smallest sampling error on."""
    upper = REACH * scale
    edges = [0.0, min(max(smallest, 1e-6 * upper), upper)]
    while edges[-1] < upper:
        edges.append(min(2.0 * edges[-1], upper))
    return np.unique(edges)


def joined(parts: Sequence[GivenTau]) -> GivenTau:
    """Put fits at several stretches of tau together."""
    names = [field.name for field in fields(GivenTau)]
    return GivenTau(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def _weighted(fit: Callable[[FloatArray], GivenTau], edges: FloatArray, scale: float) -> SpreadPosterior:
    fits: list[GivenTau] = []
    place: dict[float, tuple[int, int]] = {}

    def found(tau: FloatArray) -> GivenTau:
        """Fit what is not fitted yet, and return all in the order of `tau`."""
        new = np.array([value for value in tau.tolist() if value not in place])
        if new.size:
            place.update({value: (len(fits), row) for row, value in enumerate(new.tolist())})
            fits.append(fit(new))
        at = np.array([place[value] for value in tau.tolist()])
        starts = np.cumsum([0, *(part.tau.size for part in fits)])
        return joined(fits).at(starts[at[:, 0]] + at[:, 1])

    def log_density(given: GivenTau) -> FloatArray:
        return np.asarray(given.log_likelihood - 0.5 * (given.tau / scale) ** 2)

    start = found(panel_rule(edges[:-1], edges[1:])[0].ravel())
    peak = float(log_density(start).max())
    reach = float(np.abs(start.coefficients).max()) or 1.0
    wide = float(np.trace(start.covariance, axis1=-2, axis2=-1).max()) or 1.0

    def integrands(tau: FloatArray) -> FloatArray:
        given = found(tau)
        height = np.exp(log_density(given) - peak)
        # Bounded companions of the density: the panels then fit the mixtures as well as the mass.
        size = np.abs(given.coefficients).sum(axis=-1) / reach
        return np.stack(
            [height, height * size, height * np.trace(given.covariance, axis1=-2, axis2=-1) / wide]
        )

    panels = adapt_panels(integrands, edges)
    given = found(panels.points.ravel())
    weight = np.exp(log_density(given) - peak) * panels.weights.ravel()
    weight /= weight.sum()
    keep = weight > NEGLIGIBLE
    return SpreadPosterior(
        weight=weight[keep] / weight[keep].sum(),
        given=given.at(keep),
        edges=panels.edges,
        mass=weight.reshape(panels.points.shape),
    )
