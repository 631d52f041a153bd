"""Regressions and networks with a half-normal spread: least squares given tau, one integral over tau.

The model: y is normal about X beta with covariance S + tau^2 B, beta has a flat prior, tau is half-normal. Given tau
beta is normal with the mean and covariance of generalised least squares, and the likelihood of tau is the restricted
one; every other posterior is a mixture of normals over tau. Sources: Gelman et al., Bayesian Data Analysis, section
5.4 and chapter 15 (from memory); Higgins 2012 and White 2012 for the S and B of networks (see `network`).
"""

from __future__ import annotations

from collections.abc import Sequence

from mpmath import mp, mpf

from .bayes import half_normal, mixture_cdf, mixture_quantile, tau_masses
from .precision import Number, Vector, normal_cdf, total

Mixture = list[tuple[Number, Number, Number]]


class LinearPosterior:
    """The joint posterior of tau and the coefficients."""

    def __init__(self, y: mp.matrix, s: mp.matrix, b: mp.matrix, x: mp.matrix, scale: Number) -> None:
        self.y, self.s, self.b, self.x = y, s, b, x
        self.log_prior = half_normal(scale)
        self.memory: dict[Number, tuple[mp.matrix, mp.matrix, Number]] = {}
        self.top = mpf(0)
        self.top = max(self.log_density(scale * mp.power(2, i)) for i in range(-10, 3))
        self.masses, _ = tau_masses(self.log_density, scale)

    def given(self, tau: Number) -> tuple[mp.matrix, mp.matrix, Number]:
        """Return the mean and covariance of beta and the log marginal likelihood, up to a constant."""
        if tau not in self.memory:
            sigma = self.s + tau**2 * self.b
            lower = mp.cholesky(sigma)
            white_y, white_x = mp.lu_solve(lower, self.y), solve_columns(lower, self.x)
            information = white_x.T * white_x
            beta = mp.lu_solve(information, white_x.T * white_y)
            residual = white_y - white_x * beta
            q = total(item**2 for item in residual)
            log_sigma = 2 * total(mp.log(lower[i, i]) for i in range(lower.rows))
            height = -(log_sigma + mp.log(mp.det(information)) + q) / 2
            self.memory[tau] = (beta, information**-1, height)
        return self.memory[tau]

    def log_density(self, tau: Number) -> Number:
        """Return the unnormalised log posterior density of tau."""
        return self.given(tau)[2] + self.log_prior(tau) - self.top

    def mixture(self, contrast: Vector, new: bool = False) -> Mixture:
        """Return (mass, mean, sd) of a linear combination of beta, in a new study with tau^2 more."""
        rows = []
        for tau, mass in self.masses:
            beta, covariance, _ = self.given(tau)
            mean = total(c * beta[i] for i, c in enumerate(contrast))
            variance = total(
                c * d * covariance[i, j] for i, c in enumerate(contrast) for j, d in enumerate(contrast)
            )
            rows.append((mass, mean, mp.sqrt(variance + (tau**2 if new else 0))))
        return rows

    def summary(self, contrast: Vector, level: Number) -> dict[str, object]:
        """Return median, mean, limits, prediction and the probability above zero."""
        low, high, half = (1 - level) / 2, (1 + level) / 2, mpf(1) / 2
        here, new = self.mixture(contrast), self.mixture(contrast, new=True)
        return {
            "mean": total(mass * mean for mass, mean, _ in here),
            "median": mixture_quantile(here, half),
            "interval": [mixture_quantile(here, low), mixture_quantile(here, high)],
            "prediction": [mixture_quantile(new, low), mixture_quantile(new, high)],
            "above_zero": 1 - mixture_cdf(here, mpf(0)),
        }

    def tau_mean(self) -> Number:
        """Return the posterior mean of tau."""
        return total(mass * tau for tau, mass in self.masses)


def solve_columns(lower: mp.matrix, x: mp.matrix) -> mp.matrix:
    """Solve for every column of x."""
    columns = [mp.lu_solve(lower, x[:, j]) for j in range(x.cols)]
    return mp.matrix([[column[i] for column in columns] for i in range(x.rows)])


def p_scores(posterior: LinearPosterior, contrasts: dict[str, Vector]) -> dict[str, Number]:
    """Return for each technique the mean probability, over the others, that its effect is the smaller one."""
    scores = {}
    for first, c in contrasts.items():
        terms = [
            total(
                mass * normal_cdf(-mean / sd)
                for mass, mean, sd in posterior.mixture([a - b for a, b in zip(c, d, strict=True)])
            )
            for second, d in contrasts.items()
            if second != first
        ]
        scores[first] = total(terms) / len(terms)
    return scores


def ones(n: int) -> mp.matrix:
    """Return a column of ones."""
    return mp.matrix([[mpf(1)] for _ in range(n)])


def diagonal(values: Sequence[Number]) -> mp.matrix:
    """Return a diagonal matrix."""
    return mp.diag(list(values))
