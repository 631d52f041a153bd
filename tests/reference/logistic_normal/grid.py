"""Two or three causes: the whole posterior on tensor grids in tau, the mean shares and each study's own shares.

Coordinates. The poles of the Dirichlet(1/C) at the edges of the simplex vanish in log ratios: in orthonormal
coordinates x of log m (Aitchison's isometric log ratios, from memory) the prior is prod m_c^(1/C), bounded and falling
exponentially, and a study's own log ratios are x + (tau / sqrt 2) z with independent standard normal z. Given x and tau
the studies are independent: each one's probability is a Gaussian average of its multinomial probability,
taken on the lattice of x by the trapezoid rule where the spread is wider than a step, by Gauss-Hermite where it is narrower.

Sums over x and tau are trapezoid sums of smooth integrands that vanish at the ends or are even: their error falls
faster than any power of the step. The last coordinate rises with the cause asked for, so that along it the share is
turned into a limit by inverting a spline; across it and over tau the sums stay as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy import fft, interpolate, optimize, special

Array = NDArray[np.float64]
PROBABILITIES = (0.025, 0.5, 0.975)


@dataclass(frozen=True, slots=True)
class Fineness:
    """How fine and how far: steps and half-widths of x and tau, Gauss-Hermite nodes, step of the logit of a share."""

    step: float = 0.1
    reach: float = 50.0
    tau_step: float = 0.05
    tau_reach: float = 6.5
    nodes: int = 24
    logit_step: float = 0.03

    @property
    def tau(self) -> Array:
        return np.arange(0.0, self.tau_reach + self.tau_step / 2, self.tau_step)

    @property
    def tau_weight(self) -> Array:
        """Trapezoid weights times the half-normal prior."""
        weight = np.exp(-(self.tau**2) / 2)
        weight[0] /= 2
        return weight


def log_shares(*x: Array) -> list[Array]:
    """Return log shares of the causes, the one asked for last, at orthonormal coordinates; the last rises with it."""
    if len(x) == 1:
        logs = [-x[0] / np.sqrt(2), x[0] / np.sqrt(2)]
    else:
        side, up = x[0] / np.sqrt(2), x[1] / np.sqrt(6)
        logs = [side - up, -side - up, 2 * up + 0 * side]
    top = np.maximum.reduce(logs)
    whole = top + np.log(sum(np.exp(each - top) for each in logs))
    return [each - whole for each in logs]


def averaged_things(logs: list[Array], studies: Sequence[Sequence[int]]) -> list[Array]:
    """Return what is averaged over z: each study's probability over its highest, share of the cause, share of the others."""
    found = []
    for y in studies:
        highest = sum(special.xlogy(n, n / sum(y)) for n in y) if sum(y) else 0.0
        found.append(np.exp(sum(n * each for n, each in zip(y, logs, strict=True)) - highest))
    return [*found, np.exp(logs[-1]), sum(np.exp(each) for each in logs[:-1])]


class Lattice:
    """The lattice of x, wide enough around for every spread."""

    def __init__(self, studies: Sequence[Sequence[int]], dimensions: int, fine: Fineness) -> None:
        self.fine, self.dimensions, self.studies = fine, dimensions, studies
        half = round(fine.reach / fine.step)
        margin = int(np.ceil(8.5 * fine.tau_reach / np.sqrt(2) / fine.step))
        self.x = fine.step * np.arange(-half, half + 1)
        self.wide = fine.step * np.arange(-half - margin, half + margin + 1)
        self.inner = self._places(self.x)
        self.logs = log_shares(*self.inner)
        self._on_wide = averaged_things(log_shares(*self._places(self.wide)), studies)

    def _places(self, line: Array) -> tuple[Array, ...]:
        if self.dimensions == 1:
            return (line[None, :],)
        return line[:, None], line[None, :]

    def averages(self, tau: float) -> list[Array]:
        """Return the averages over z at each x, shape (rows, points along the last coordinate)."""
        sigma = tau / np.sqrt(2)
        if sigma == 0:
            return averaged_things(self.logs, self.studies)
        if sigma < 1.25 * self.fine.step:
            return self._by_hermite(sigma)
        kernel = self.fine.step / sigma * np.exp(-((self.x[:, None] - self.wide) ** 2) / (2 * sigma**2))
        kernel /= np.sqrt(2 * np.pi)
        if self.dimensions == 1:
            return [each @ kernel.T for each in self._on_wide]
        return [kernel @ (each @ kernel.T) for each in self._on_wide]

    def _by_hermite(self, sigma: float) -> list[Array]:
        z, weight = special.roots_hermitenorm(self.fine.nodes)
        weight = weight / weight.sum()
        found: list[Array] = []
        for at in product(range(len(z)), repeat=self.dimensions):
            moved = log_shares(*(x + sigma * z[j] for x, j in zip(self.inner, at, strict=True)))
            whole = np.prod(weight[list(at)])
            terms = [whole * each for each in averaged_things(moved, self.studies)]
            found = [a + b for a, b in zip(found, terms, strict=True)] if found else terms
        return found

    def spread(self, density: Array, tau: float) -> Array:
        """Return the density of x + (tau / sqrt 2) z, by the Fourier transform: the density vanishes at the ends."""
        for axis in range(2 - self.dimensions, 2):
            n = density.shape[axis]
            rate = 2 * np.pi * fft.fftfreq(n, self.fine.step)
            factor = np.exp(-(tau**2 / 2) * rate**2 / 2)
            shape = [-1 if a == axis else 1 for a in range(2)]
            density = fft.ifft(fft.fft(density, axis=axis) * factor.reshape(shape), axis=axis).real
        return density


def below(x: Array, density: Array, logit: Array, wanted: Array) -> Array:
    """Return the mass where a share's logit is below each wanted value, the density being given up to a factor.

    Along the last coordinate the logit rises; it is inverted by a cubic spline; the density's, of degree seven, is integrated.
    """
    kept = density.sum(axis=1)
    rows = np.flatnonzero(kept > 1e-12 * kept.max())
    curve = interpolate.make_interp_spline(x, density[rows].T, k=7).antiderivative()
    cumulated = [curve.derivative(order)(x[:-1]) / special.factorial(order) for order in range(8, 0, -1)]
    cumulated.append(curve(x[:-1]))
    rising = interpolate.CubicSpline(x, logit[rows], axis=1).c
    step = x[1] - x[0]
    mass = np.zeros(len(wanted))
    for place, row in enumerate(rows):
        cell = np.clip(np.searchsorted(logit[row], wanted) - 1, 0, len(x) - 2)
        three, two, one, none = rising[:, cell, place] - np.array([0, 0, 0, 1])[:, None] * wanted
        t = np.clip(-none / one, 0.0, step)
        for _ in range(6):
            t = np.clip(
                t - (((three * t + two) * t + one) * t + none) / ((3 * three * t + 2 * two) * t + one),
                0,
                step,
            )
        value = np.zeros(len(wanted))
        for coefficient in cumulated:
            value = value * t + coefficient[cell, place]
        mass += value
    return mass


def even_below(points: Array, density: Array, wanted: float) -> float:
    """Return the integral from 0 of a function that is even, smooth and known at steps from 0 on (sinc series)."""
    step = points[1]
    both = np.concatenate([-points[:0:-1], points])
    mirrored = np.concatenate([density[:0:-1], density])
    rise = special.sici(np.pi * (wanted - both) / step)[0] - special.sici(-np.pi * both / step)[0]
    return float(step / np.pi * mirrored @ rise)


def crossings(wanted: Array, cumulated: Array) -> list[float]:
    """Return the logits at which a distribution function, known at steps of the logit, takes the three probabilities."""
    found = []
    for probability in PROBABILITIES:
        place = int(np.searchsorted(cumulated, probability))
        near = slice(max(place - 4, 0), place + 4)
        if np.ptp(np.diff(wanted[near])) > 1e-9:
            raise ArithmeticError(
                "a limit lies at the edge of what was looked at: the first pass was too coarse"
            )
        curve = interpolate.KroghInterpolator(wanted[near], cumulated[near])
        little = (wanted[place] - wanted[place - 1]) / 10  # the limit may be a point that was looked at
        ends = wanted[place - 1] - little, wanted[place] + little
        root = optimize.brentq(lambda t, p=probability, f=curve: float(f(t)) - p, *ends, xtol=1e-12)
        found.append(float(root))
    return found


@dataclass(frozen=True, slots=True)
class Answer:
    """Mean, and quantiles at 2.5, 50 and 97.5 %."""

    mean: float
    quantiles: list[float]


def tau_answer(tau: Array, density: Array) -> Answer:
    """Return mean and quantiles of tau from its density at steps from 0."""
    density = density / even_below(tau, density, tau[-1])
    found = [
        float(optimize.brentq(lambda t, p=p: even_below(tau, density, t) - p, 0.0, tau[-1], xtol=1e-12))
        for p in PROBABILITIES
    ]
    # the mean's integrand is odd: the area above the distribution function is summed by Gauss-Legendre instead
    nodes, weight = special.roots_legendre(200)
    places = tau[-1] * (nodes + 1) / 2
    above = [1 - even_below(tau, density, t) for t in places]
    return Answer(float(weight @ above) * tau[-1] / 2, found)


def _grid_pass(
    table: Sequence[Sequence[int]], fine: Fineness, wanted: dict[str, Array]
) -> tuple[dict[str, tuple[float, list[float]]], Array]:
    """Return mean and logits of the limits of what is asked about the last cause, and the density of tau at its steps."""
    lattice = Lattice(list(zip(*table, strict=True)), len(table) - 1, fine)
    prior = np.exp(sum(lattice.logs) / len(table))
    own = lattice.logs[-1]
    own_logit = own - np.log(sum(np.exp(each) for each in lattice.logs[:-1]))
    mass = np.zeros(len(fine.tau))
    means = dict.fromkeys(wanted, 0.0)
    cumulated = {name: np.zeros(len(places)) for name, places in wanted.items()}
    for step, (tau, weight) in enumerate(zip(fine.tau, fine.tau_weight, strict=True)):
        *studies, share, others = lattice.averages(tau)
        density = weight * prior * np.prod(studies, axis=0)
        ahead = lattice.spread(density, tau)
        mass[step] = density.sum()
        means["share"] += float((density * share).sum())
        means["new_centre"] += float((ahead * np.exp(own)).sum())
        if mass[step] > 1e-11 * mass.max():
            logit = np.log(share) - np.log(others)
            cumulated["share"] += below(lattice.x, density, logit, wanted["share"])
            cumulated["new_centre"] += below(lattice.x, ahead, own_logit, wanted["new_centre"])
    whole = mass.sum()
    found = {
        name: (means[name] / whole, crossings(wanted[name], cumulated[name] / whole / fine.step))
        for name in wanted
    }
    mass[0] *= 2
    return found, mass


def answers(counts: Sequence[Sequence[int]], fine: Fineness | None = None) -> dict[str, list[Answer]]:
    """Return `share` and `new_centre` of each cause, and `tau`.

    A first, coarse pass says about where the limits are; the second looks at eight logits around each.
    """
    fine = fine or Fineness()
    rough = replace(fine, step=2 * fine.step, tau_step=2 * fine.tau_step)
    everywhere = np.arange(-60.0, 60.0, 0.25)
    around = fine.logit_step * np.arange(-5.5, 6)
    found: dict[str, list[Answer]] = {"share": [], "new_centre": []}
    mass = np.zeros(0)
    for cause in range(len(counts)):
        table = [row for c, row in enumerate(counts) if c != cause] + [counts[cause]]
        about, _ = _grid_pass(table, rough, dict.fromkeys(found, everywhere))
        near = {name: np.concatenate([at + around for at in sorted(about[name][1])]) for name in found}
        told, mass = _grid_pass(table, fine, near)
        for name, (mean, logits) in told.items():
            found[name].append(Answer(mean, special.expit(logits).tolist()))
    found["tau"] = [tau_answer(fine.tau, mass)]
    return found
