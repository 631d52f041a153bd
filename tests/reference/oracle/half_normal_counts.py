"""Posterior of counts with normal effects, a half-normal spread and a stated prior on the mean, by direct summation.

The model: study i has a likelihood l_i of its own effect theta_i (conditional binomial, non-central hypergeometric,
binomial, Poisson: the kernels of `one_stage`), theta_i is normal about mu with standard deviation tau, tau is
half-normal, and mu has a stated density. Sources: Stijnen, Hamza & Ozdemir 2010 and Cai, Parast & Ryan 2010 (the
likelihoods); Friede, Rover, Wandel & Neuenschwander 2017 and Gunhan, Rover & Friede 2020 (the priors).

Three devices, all exact to far more digits than are printed:
- an analytic density that falls off on the whole line is summed by the trapezoid rule, which converges geometrically;
  in tau the integrand is even, so half a line is a whole line;
- the integral over theta_i is such a sum on a lattice, in fixed-point integers;
- distribution functions come from the characteristic function (Gil-Pelaez 1951), because that of the effect in a new
  centre is the one of mu given tau times exp(-tau^2 omega^2 / 2).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import mul

import numpy as np
from mpmath import mp, mpf

from .one_stage import Kernel
from .precision import Number, bracketed_root, total
from .whole_line import even_cdf, even_mean, gauss_legendre

BITS = 128  # fixed point: 38 decimals
LogPrior = Callable[[Number], Number]


def normal_mean(sd: Number, location: Number | int = 0) -> LogPrior:
    """Prior of the mean: normal."""
    return lambda mu: -(((mu - location) / sd) ** 2) / 2


def flat_mean() -> LogPrior:
    """Prior of the mean: improper uniform."""
    return lambda mu: mpf(0)


def jeffreys_logit() -> LogPrior:
    """Jeffreys' prior p^(-1/2) (1 - p)^(-1/2) of the risk p of a median centre, as a density of its logit.

    dp / dmu = p (1 - p) turns it into (p (1 - p))^(1/2).
    """
    return lambda mu: -(mp.log1p(mp.exp(-abs(mu))) + abs(mu) / 2)


def jeffreys_log() -> LogPrior:
    """Jeffreys' prior rate^(-1/2) of the rate of a median centre, as a density of its logarithm: rate^(1/2)."""
    return lambda mu: mu / 2


@dataclass(frozen=True)
class Study:
    """A likelihood of the study's own effect and the width of its peak, which decides on step sizes only."""

    kernel: Kernel
    width: Number


def fixed(value: Number) -> int:
    """Return value times 2^BITS as an integer."""
    return int(mp.nint(mp.ldexp(value, BITS)))


class Lattice:
    """exp(l(theta)) of one study at multiples of a step, evaluated when asked for."""

    def __init__(self, study: Study, origin: Number, step: Number, top: Number) -> None:
        self.study, self.origin, self.step, self.top = study, origin, step, top
        self.values: list[int] = []
        self.first = 0

    def value(self, index: int) -> int:
        """Return one value."""
        return fixed(mp.exp(self.study.kernel(self.origin + index * self.step)[0] - self.top))

    def window(self, first: int, last: int) -> list[int]:
        """Return the values from first to last, both included."""
        if not self.values:
            self.first = first
            self.values = [self.value(first)]
        while self.first > first:
            self.first -= 1
            self.values.insert(0, self.value(self.first))
        while self.first + len(self.values) <= last:
            self.values.append(self.value(self.first + len(self.values)))
        return self.values[first - self.first : last - self.first + 1]


class CountPosterior:
    """The joint posterior of mu and tau.

    Parameters
    ----------
    studies
        Likelihoods; a study whose likelihood is constant must be left out.
    scale
        Scale of the half-normal prior of tau.
    log_prior
        Log density of mu.
    fineness
        Divides every step: the answers must not depend on it.
    """

    def __init__(
        self, studies: Sequence[Study], scale: Number, log_prior: LogPrior, fineness: int = 1
    ) -> None:
        self.studies, self.scale, self.log_prior = list(studies), scale, log_prior
        narrow = min(study.width for study in self.studies)
        pooled = 1 / mp.sqrt(total(1 / study.width**2 for study in self.studies))
        self.step_mu = min(pooled, mpf(1)) / mpf("3.2") / fineness
        self.step_tau = min(narrow, scale) / 6 / fineness
        self.ratio = mpf("2.5") * fineness
        self.taus = [self.step_tau * i for i in range(int(mpf("8.8") * scale / self.step_tau) + 1)]
        self.centre, low, high = self._range()
        self.indices = list(
            range(
                int(mp.floor((low - self.centre) / self.step_mu)),
                int(mp.ceil((high - self.centre) / self.step_mu)) + 1,
            )
        )
        self.mus = [self.centre + i * self.step_mu for i in self.indices]
        self._fill()

    def _range(self) -> tuple[Number, float, float]:
        """Find in double precision where the posterior of mu is not negligible."""
        z = np.arange(-9, 9.01, 0.25)
        weight = np.exp(-(z**2) / 2)
        coarse = np.concatenate([np.arange(-120, -12, 1.0), np.arange(-12, 12, 0.1), np.arange(12, 121, 1.0)])
        taus = np.linspace(0, 8.8 * float(self.scale), 40)
        eta = np.arange(-210.0, 210.0, 0.05)
        with mp.workdps(16):
            tables = [np.array([float(s.kernel(mpf(float(e)))[0]) for e in eta]) for s in self.studies]
            prior = np.array([float(self.log_prior(mpf(float(m)))) for m in coarse])
        place = coarse[:, None, None] + taus[None, :, None] * z
        height = prior[:, None] - taus**2 / 2 / float(self.scale) ** 2
        for log_l in tables:
            inner = np.exp(np.interp(place, eta, log_l) - log_l.max())
            with np.errstate(divide="ignore"):
                height = height + np.log((inner * weight).sum(axis=-1))
        column = height.max(axis=1)
        keep = np.nonzero(column > column.max() - 38)[0]
        if keep[0] == 0 or keep[-1] == len(coarse) - 1:
            raise ArithmeticError("the posterior of mu does not fall off")
        return (
            mpf(float(coarse[int(np.argmax(column))])),
            float(coarse[keep[0] - 1]),
            float(coarse[keep[-1] + 1]),
        )

    def _fill(self) -> None:
        """Compute the unnormalised density at every (tau, mu)."""
        tops = [max(s.kernel(self.centre + mpf(i) / 4)[0] for i in range(-60, 61)) for s in self.studies]
        log_priors = [self.log_prior(mu) for mu in self.mus]
        top_prior = max(log_priors)
        priors = [mp.exp(item - top_prior) for item in log_priors]
        self.density: list[list[Number]] = []
        lattices: dict[tuple[int, int], Lattice] = {}
        for t, tau in enumerate(self.taus):
            weight = mp.exp(-((tau / self.scale) ** 2) / 2) * (mpf(1) / 2 if t == 0 else 1)
            rows = []
            for i, study in enumerate(self.studies):
                level = 0
                while t > 0 and self.step_mu / 2**level > min(tau, study.width) / self.ratio:
                    level += 1
                step = self.step_mu / 2**level
                if (i, level) not in lattices:
                    lattices[i, level] = Lattice(study, self.centre, step, tops[i])
                reach = 0 if t == 0 else int(9 * tau / step)
                kernel = [mp.exp(-((m * step / tau) ** 2) / 2) if m else mpf(1) for m in range(reach + 1)]
                whole = kernel[0] + 2 * total(kernel[1:])
                half = [fixed(item / whole) for item in kernel]
                bell = [*reversed(half[1:]), *half]
                first = self.indices[0] * 2**level - reach
                values = lattices[i, level].window(first, self.indices[-1] * 2**level + reach)
                size = len(bell)
                rows.append(
                    [
                        sum(map(mul, bell, values[j : j + size]))
                        for j in range(0, len(values) - size + 1, 2**level)
                    ]
                )
            column = []
            for j, prior in enumerate(priors):
                product = weight * prior
                for row in rows:
                    product *= mp.ldexp(mpf(row[j]), -2 * BITS)
                column.append(product)
            self.density.append(column)
        mass = total(total(column) for column in self.density)
        self.density = [[item / mass for item in column] for column in self.density]
        self.tau_mass = [total(column) for column in self.density]
        self.mu_mass = [total(items) for items in zip(*self.density, strict=True)]
        negligible = mpf(10) ** -14
        if self.mu_mass[0] + self.mu_mass[-1] + self.tau_mass[-1] > negligible:
            raise ArithmeticError("the grid does not hold the posterior")
        self._characteristic()

    def _characteristic(self) -> None:
        """Tabulate the characteristic functions of mu and of a new centre's effect at Gauss-Legendre nodes."""
        top = mp.pi / self.step_mu
        mean = self.mean()
        nodes, weights = gauss_legendre(self.nodes_wanted(top))
        self.omegas = [top * (x + 1) / 2 for x in nodes]
        self.omega_weights = [top * w / 2 for w in weights]
        self.shift = mean
        self.cf_mu, self.cf_new = [], []
        columns = [[fixed(item) for item in column] for column in zip(*self.density, strict=True)]
        for omega in self.omegas:
            damp = [mp.exp(-((tau * omega) ** 2) / 2) for tau in self.taus]
            damped = [fixed(item) for item in damp]
            turn = mp.expj(omega * self.step_mu)
            place = mp.expj(omega * (self.mus[0] - mean))
            plain, new = mp.mpc(0), mp.mpc(0)
            for mass, column in zip(self.mu_mass, columns, strict=True):
                plain += mass * place
                new += mp.ldexp(mpf(sum(map(mul, damped, column))), -2 * BITS) * place
                place *= turn
            self.cf_mu.append(plain)
            self.cf_new.append(new)

    def nodes_wanted(self, top: Number) -> int:
        """Enough nodes for the fastest turn that a mass above 1e-16 makes about the mean."""
        heavy = [mu for mu, mass in zip(self.mus, self.mu_mass, strict=True) if mass > mpf(10) ** -16]
        arm = max(abs(heavy[0] - self.mean()), abs(heavy[-1] - self.mean()))
        return int(float(top * arm) / 2) + 50

    # --- answers ---

    def mean(self) -> Number:
        """Return the posterior mean of mu."""
        return total(mu * mass for mu, mass in zip(self.mus, self.mu_mass, strict=True))

    def cdf(self, kind: str, q: Number) -> Number:
        """Return P(mu <= q), or for a new centre."""
        values = self.cf_mu if kind == "mu" else self.cf_new
        away = q - self.shift
        pieces = [
            w * (mp.expj(-omega * away) * value).imag / omega
            for omega, w, value in zip(self.omegas, self.omega_weights, values, strict=True)
        ]
        return mpf(1) / 2 - total(pieces) / mp.pi

    def quantile(self, kind: str, p: Number) -> Number:
        """Return the p quantile."""
        cumulated, guess = mpf(0), self.mus[0]
        for mu, mass in zip(self.mus, self.mu_mass, strict=True):
            cumulated += mass
            guess = mu
            if cumulated > p:
                break
        low, high = guess - self.step_mu, guess + self.step_mu
        while self.cdf(kind, low) > p:
            low -= 4 * self.step_mu
        while self.cdf(kind, high) < p:
            high += 4 * self.step_mu
        return bracketed_root(lambda q: self.cdf(kind, q) - p, low, high, digits=24)

    def tau_mean(self) -> Number:
        """Return the posterior mean of tau."""
        return even_mean(self.tau_mass, self.step_tau)

    def tau_cdf(self, q: Number) -> Number:
        """Return P(tau <= q)."""
        return even_cdf(self.tau_mass, self.step_tau, q)

    def tau_quantile(self, p: Number) -> Number:
        """Return the p quantile of tau."""
        return bracketed_root(lambda q: self.tau_cdf(q) - p, mpf(0), self.taus[-1], digits=22)

    def summary(self, thresholds: Sequence[Number], level: Number) -> dict[str, object]:
        """Return the answer that is certified."""
        low, high = (1 - level) / 2, (1 + level) / 2
        half = mpf(1) / 2
        return {
            "mean": self.mean(),
            "median": self.quantile("mu", half),
            "interval": [self.quantile("mu", low), self.quantile("mu", high)],
            "prediction": [self.quantile("new", low), self.quantile("new", high)],
            "above": [[t, 1 - self.cdf("mu", t), 1 - self.cdf("new", t)] for t in thresholds],
            "tau_mean": self.tau_mean(),
            "tau_median": self.tau_quantile(half),
            "tau_interval": [self.tau_quantile(low), self.tau_quantile(high)],
        }
