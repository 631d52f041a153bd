"""Bayesian normal-normal random effects by one-dimensional integration over tau.

Sources: Higgins, Thompson & Spiegelhalter 2009; Rover 2021; Gelman et al., Bayesian Data Analysis, section 5.4.
Given tau everything is normal; the posterior of tau is a ratio of integrals, and every other posterior is a
mixture of normals over it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mpmath import mp, mpf

from .precision import Number, Vector, bracketed_root, normal_cdf, total
from .tau2 import weighted_mean, weights

LogPrior = Callable[[Number], Number]


def half_normal(scale: Number) -> LogPrior:
    """Density proportional to exp(-tau^2 / (2 scale^2))."""
    return lambda tau: -(tau**2) / (2 * scale**2)


def half_cauchy(scale: Number) -> LogPrior:
    """Density proportional to 1 / (1 + (tau / scale)^2)."""
    return lambda tau: -mp.log(1 + (tau / scale) ** 2)


def log_normal(mean: Number, sd: Number) -> LogPrior:
    """The logarithm of tau is normal."""
    return lambda tau: -mp.log(tau) - (mp.log(tau) - mean) ** 2 / (2 * sd**2)


def flat() -> LogPrior:
    """Improper uniform on tau."""
    return lambda tau: mpf(0)


@dataclass(frozen=True)
class Node:
    """A value of tau with its posterior probability mass and the conditional mean and variance of mu."""

    tau: Number
    mass: Number
    mean: Number
    variance: Number


def tau_masses(
    log_density: Callable[[Number], Number], scale: Number
) -> tuple[list[tuple[Number, Number]], Number]:
    """Lay double-exponential nodes on (0, infinity), halving the step until 32 digits are still.

    Returns (tau, probability) and the normaliser of the density. The density should peak near one and `scale` lie
    where it lives.
    """
    half_pi = mp.pi / 2

    def rows(start: Number, step: Number) -> list[tuple[Number, Number]]:
        found = []
        for side in (1, -1):
            place = start if side > 0 else start - step
            while abs(place) < 6:
                tau = scale * mp.exp(half_pi * mp.sinh(place))
                mass = mp.exp(log_density(tau)) * tau * half_pi * mp.cosh(place)
                if mass > mpf(10) ** (-50):
                    found.append((tau, mass))
                place += side * step
        return found

    step = mpf(1) / 8
    found = rows(mpf(0), step)
    answer = step * total(mass for _, mass in found)
    for _ in range(6):
        found += rows(step / 2, step)
        step /= 2
        finer = step * total(mass for _, mass in found)
        settled = abs(finer - answer) < mpf(10) ** (-32) * finer
        answer = finer
        if settled:
            return [(tau, step * mass / answer) for tau, mass in found], answer
    raise ArithmeticError("the posterior of tau did not settle")


class Posterior:
    """The joint posterior of tau and mu for effects y with variances v.

    A normal prior on mu counts as one more effect that has no between-study variance.
    """

    def __init__(
        self,
        y: Vector,
        v: Vector,
        log_prior: LogPrior,
        mean_prior: tuple[Number, Number] | None = None,
        prior_power: int | None = None,
    ) -> None:
        self.y, self.v, self.log_prior, self.mean_prior = y, v, log_prior, mean_prior
        # for large tau the marginal likelihood falls like tau^-(k-1) under a flat mean; a prior that itself falls only
        # like tau^-prior_power leaves a posterior whose higher moments do not exist
        self.tail_power = mp.inf if prior_power is None else mpf(len(y) - 1 + prior_power)
        self.top = mpf(0)
        scale = mp.sqrt(total(v) / len(v))
        self.top = max(self.log_density(scale * mp.power(2, i)) for i in range(-12, 8))
        masses, self.normaliser = tau_masses(self.log_density, scale)
        self.nodes = [Node(tau, mass, *self.conditional(tau)[:2]) for tau, mass in masses]

    def conditional(self, tau: Number) -> tuple[Number, Number, Number]:
        """Return mean and variance of mu given tau, and the log marginal likelihood up to a constant."""
        y, w = list(self.y), weights(self.v, tau**2)
        log_w = total(mp.log(item) for item in w)
        if self.mean_prior is not None:
            y, w = [*y, self.mean_prior[0]], [*w, 1 / self.mean_prior[1] ** 2]
        mean = weighted_mean(y, w)
        squares = total(wi * (yi - mean) ** 2 for yi, wi in zip(y, w, strict=True))
        s1 = total(w)
        return mean, 1 / s1, (log_w - mp.log(s1) - squares) / 2

    def log_density(self, tau: Number) -> Number:
        """Return the unnormalised log posterior density of tau."""
        return self.conditional(tau)[2] + self.log_prior(tau) - self.top

    # --- moments and quantiles ---

    def tau_summary(self, probabilities: list[Number]) -> dict[str, object]:
        """Return mean, SD and quantiles of tau."""
        mean = total(node.mass * node.tau for node in self.nodes)
        square = total(node.mass * (node.tau - mean) ** 2 for node in self.nodes)
        return {
            "mean": mean if self.tail_power > 2 else None,
            "sd": mp.sqrt(square) if self.tail_power > 3 else None,
            "quantiles": [self.tau_quantile(p) for p in probabilities],
        }

    def tau_quantile(self, p: Number) -> Number:
        """Return the p quantile of tau."""
        with mp.workdps(32):
            ordered = sorted(self.nodes, key=lambda node: node.tau)
            cumulated, guess = mpf(0), ordered[0].tau
            for node in ordered:
                cumulated += node.mass
                guess = node.tau
                if cumulated > p:
                    break

            def below(q: Number) -> Number:
                pieces = [mpf(0), q / 4, q]
                mass = mp.quad(lambda tau: mp.exp(self.log_density(tau)) if tau > 0 else mpf(0), pieces)
                return mass / self.normaliser - p

            for _ in range(60):
                move = below(guess) * self.normaliser / mp.exp(self.log_density(guess))
                move = max(min(move, guess / 2), -guess / 2)
                guess -= move
                if abs(move) < mpf(10) ** (-26) * guess:
                    return guess
        raise ArithmeticError("the quantile of tau did not settle")

    def mixture(self, kind: str, study: int = 0) -> list[tuple[Number, Number, Number]]:
        """Return (mass, mean, sd) of mu, of the effect in a new study, or of one study's own effect."""
        rows = []
        for node in self.nodes:
            mean, variance = node.mean, node.variance
            if kind == "new":
                variance += node.tau**2
            elif kind == "study":
                share = self.v[study] / (self.v[study] + node.tau**2)
                mean = share * node.mean + (1 - share) * self.y[study]
                variance = (1 - share) * self.v[study] + share**2 * node.variance
            rows.append((node.mass, mean, mp.sqrt(variance)))
        return rows

    def summary(self, kind: str, probabilities: list[Number], study: int = 0) -> dict[str, object]:
        """Return mean, SD, quantiles and the probability below zero."""
        rows = self.mixture(kind, study)
        mean = total(mass * m for mass, m, _ in rows)
        square = total(mass * (s**2 + (m - mean) ** 2) for mass, m, s in rows)
        return {
            "mean": mean if self.tail_power > 2 else None,
            "sd": mp.sqrt(square) if self.tail_power > 3 else None,
            "quantiles": [mixture_quantile(rows, p) for p in probabilities],
            "probability_below_zero": mixture_cdf(rows, mpf(0)),
        }

    def shortest_mu(self, level: Number) -> tuple[Number, Number]:
        """Return the shortest interval of mu with probability `level`: equal density at both ends."""
        rows = self.mixture("mu")

        def gap(lower_tail: Number) -> Number:
            low, high = mixture_quantile(rows, lower_tail), mixture_quantile(rows, lower_tail + level)
            return mixture_density(rows, low) - mixture_density(rows, high)

        with mp.workdps(32):
            rest = 1 - level
            tail = bracketed_root(gap, rest / 50, rest * 49 / 50)
            return mixture_quantile(rows, tail), mixture_quantile(rows, tail + level)


def mixture_cdf(rows: list[tuple[Number, Number, Number]], x: Number) -> Number:
    """Return the distribution function of a normal mixture."""
    return total(mass * normal_cdf((x - m) / s) for mass, m, s in rows)


def mixture_density(rows: list[tuple[Number, Number, Number]], x: Number) -> Number:
    """Return the density of a normal mixture."""
    return total(mass * mp.npdf(x, m, s) for mass, m, s in rows)


def mixture_quantile(rows: list[tuple[Number, Number, Number]], p: Number) -> Number:
    """Return the quantile of a normal mixture."""
    with mp.workdps(34):
        centre = total(mass * m for mass, m, _ in rows)
        spread = mp.sqrt(total(mass * (s**2 + (m - centre) ** 2) for mass, m, s in rows))
        low, high = centre - spread, centre + spread
        while mixture_cdf(rows, low) > p:
            low -= spread
        while mixture_cdf(rows, high) < p:
            high += spread
        x = (low + high) / 2
        for _ in range(200):
            miss = mixture_cdf(rows, x) - p
            low, high = (low, x) if miss > 0 else (x, high)
            move = miss / mixture_density(rows, x)
            candidate = x - move
            if not low < candidate < high:
                candidate = (low + high) / 2
            if abs(candidate - x) < mpf(10) ** (-28) * max(abs(x), spread):
                return candidate
            x = candidate
    raise ArithmeticError("the quantile did not settle")
