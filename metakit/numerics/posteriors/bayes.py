"""Bayesian normal-normal model: everything by one integral over tau, no sampling.

Given tau all posteriors are normal with known mean and variance, so each marginal posterior is a mixture of
normals over the posterior of tau. The mixture is laid out on Kronrod panels that are halved until the
integrals are settled to 1e-12.

References
----------
Gelman A, et al. (2013). Bayesian Data Analysis, 3rd edition, section 5.4. Rover C, et al. (2021).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.numerics.posteriors.bayes_marginals import NormalMixtures, TauPosterior
from metakit.numerics.posteriors.bayes_priors import TauPrior
from metakit.numerics.quadrature import adapt_panels, panel_rule

_DECADES = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conditional:
    """Posterior given each of J values of tau; `mean`, `variance` (J,), `log_likelihood` (J,)."""

    mean: FloatArray
    variance: FloatArray
    log_likelihood: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Everything that one analysis gives.

    `marginals` has the rows mean, new study, then each study's own effect. `study_weight` (k,) is the
    posterior expectation of the weights of the studies in the mean, adding up to 1. `tau_moments` and
    `mean_moments` say how many moments of tau, and of the mean, exist (2 is enough for a standard deviation).
    """

    tau: TauPosterior
    marginals: NormalMixtures
    study_weight: FloatArray
    tau_moments: float
    mean_moments: float


def conditional(
    effect: FloatArray,
    variance: FloatArray,
    tau: FloatArray,
    *,
    mean_location: float = 0.0,
    mean_precision: float = 0.0,
) -> Conditional:
    """Return the posterior of the mean, and the marginal likelihood, given each tau.

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
    tau : ndarray, shape (J,)
    mean_location, mean_precision : float
        Normal prior of the mean; precision 0 is the flat prior.
    """
    total_variance = variance + tau[:, None] ** 2
    weight = 1.0 / total_variance
    precision = weight.sum(axis=-1) + mean_precision
    mean = ((weight * effect).sum(axis=-1) + mean_precision * mean_location) / precision
    spread = (weight * (effect - mean[:, None]) ** 2).sum(axis=-1) + mean_precision * (
        mean - mean_location
    ) ** 2
    log_likelihood = -0.5 * (np.log(total_variance).sum(axis=-1) + np.log(precision) + spread)
    return Conditional(mean=mean, variance=1.0 / precision, log_likelihood=log_likelihood)


def _edges(effect: FloatArray, variance: FloatArray, prior: TauPrior) -> tuple[float, FloatArray]:
    """Return the size of the variable and start edges fine enough that no peak hides between them."""
    largest = max(float(np.sqrt(variance.max())), float(np.ptp(effect)), prior.size)
    smallest = min(float(np.sqrt(variance.min())), prior.size or np.inf)
    decades = np.log10(largest / smallest) + 2.0 * _DECADES
    tau = np.logspace(np.log10(smallest) - _DECADES, np.log10(largest) + _DECADES, int(np.ceil(4 * decades)))
    tau = np.append(np.concatenate([[0.0], tau[tau < prior.upper]]), prior.upper)
    t = np.ones_like(tau)
    finite = np.isfinite(tau)
    t[finite] = tau[finite] / (largest + tau[finite])
    return largest, np.unique(t)


def posterior(
    effect: FloatArray,
    variance: FloatArray,
    prior: TauPrior,
    *,
    mean_location: float = 0.0,
    mean_precision: float = 0.0,
) -> Posterior:
    """Integrate over tau.

    Parameters
    ----------
    effect, variance : ndarray, shape (k,)
        One study is enough, except under an improper uniform prior of tau: that needs three, or two with a
        normal prior of the mean.
    prior : TauPrior
    mean_location, mean_precision : float
        Normal prior of the mean; precision 0 is the flat prior.

    Raises
    ------
    ConvergenceError
        When the panels do not settle.

    Examples
    --------
    >>> from metakit.numerics.posteriors.bayes_priors import half_normal
    >>> found = posterior(np.array([0.3, 0.5]), np.array([0.04, 0.09]), half_normal(0.5))
    >>> round(float(found.marginals.quantile(np.full(4, 0.5))[0]), 3)
    0.375
    """
    anchor = float(np.average(effect, weights=1.0 / variance))  # keeps digits when effects are far from 0
    y = effect - anchor
    size, edges = _edges(y, variance, prior)

    def log_density(tau: FloatArray) -> FloatArray:
        given = conditional(
            y, variance, tau, mean_location=mean_location - anchor, mean_precision=mean_precision
        )
        return given.log_likelihood + prior.log_density(tau)

    def of_t(t: FloatArray) -> tuple[FloatArray, FloatArray]:
        tau = size * t / (1.0 - t)
        return tau, log_density(tau) + np.log(size) - 2.0 * np.log1p(-t)

    start = panel_rule(edges[:-1], edges[1:])[0].ravel()
    peak = float(of_t(start)[1].max())
    reach = float(np.abs(y).max() + np.sqrt(variance.max()) + size)

    def integrands(t: FloatArray) -> FloatArray:
        tau, level = of_t(t)
        given = conditional(
            y, variance, tau, mean_location=mean_location - anchor, mean_precision=mean_precision
        )
        height = np.exp(level - peak)
        # Bounded companions of the density make the panels fit the mixtures as well as the mass.
        return np.stack(
            [height, height * given.mean / reach, height * given.variance / (given.variance + size**2)]
        )

    panels = adapt_panels(integrands, edges)
    heights = integrands(panels.points.ravel())[0].reshape(panels.points.shape)
    by_panel = (panels.weights * heights).sum(axis=-1)
    mass = float(by_panel.sum())
    flat_weight = (panels.weights * heights).ravel() / mass
    keep = flat_weight > 0
    tau, weight = (size * panels.points / (1.0 - panels.points)).ravel()[keep], flat_weight[keep]
    given = conditional(y, variance, tau, mean_location=mean_location - anchor, mean_precision=mean_precision)
    k = len(effect)
    power = prior.tail_power + k - (1 if mean_precision == 0 else 0)
    return Posterior(
        tau=TauPosterior(
            log_density=log_density,
            size=size,
            shift=peak,
            mass=mass,
            panels=panels,
            cumulative=np.concatenate([[0.0], np.cumsum(by_panel) / mass]),
            tau=tau,
            weight=weight,
        ),
        marginals=_marginals(y, variance, tau, weight, given, anchor),
        study_weight=_study_weights(variance, tau, weight),
        tau_moments=np.ceil(power - 1.0) - 1.0,
        mean_moments=np.ceil(power - 1.0) - 1.0 if mean_precision == 0 else np.inf,
    )


def _marginals(
    y: FloatArray,
    variance: FloatArray,
    tau: FloatArray,
    weight: FloatArray,
    given: Conditional,
    anchor: float,
) -> NormalMixtures:
    tau2 = tau**2
    share = variance[:, None] / (variance[:, None] + tau2)  # how far each study is drawn to the mean
    own_mean = share * given.mean + (1.0 - share) * y[:, None]
    own_variance = share * tau2 + share**2 * given.variance
    mean = np.concatenate([[given.mean, given.mean], own_mean])
    deviation = np.sqrt(np.concatenate([[given.variance, given.variance + tau2], own_variance]))
    return NormalMixtures(weight=weight, mean=anchor + mean, deviation=deviation)


def _study_weights(variance: FloatArray, tau: FloatArray, weight: FloatArray) -> FloatArray:
    each = 1.0 / (variance + tau[:, None] ** 2)
    return np.asarray((weight[:, None] * each / each.sum(axis=-1, keepdims=True)).sum(axis=0))
