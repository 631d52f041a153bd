"""Any number of causes: Hamiltonian Monte Carlo over every latent of the model, plain and long, many chains side by side.

Nothing is integrated out. The state of a chain is l (m is l exponentiated and normalised: logarithms of independent gamma
variables of shape 1/C), t (tau is |t|, t standard normal: no wall at zero) and every z of every study. Leapfrog steps with
a diagonal metric learnt in the warm-up, step and number of steps drawn anew for each iteration (Neal 2011, from memory).

The mean share of a kept draw is an average over 1,024 quasi-random z and their mirror images, shifted at random anew for
each iteration: what that leaves of noise is independent between draws and measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from .grid import PROBABILITIES

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Length:
    """Chains, iterations of warm-up and after it, leapfrog steps at most, every how many a draw is kept."""

    chains: int = 64
    warm_up: int = 1500
    iterations: int = 9000
    leapfrog: int = 24
    keep: int = 3
    points: int = 512


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its Monte Carlo standard error, from what the chains say one by one."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Sampled:
    """What the draws say of one quantity."""

    mean: Estimate
    quantiles: list[Estimate]
    rhat: float
    effective: float
    effective_tails: float


class Posterior:
    """The log density and its gradient for many chains; state of shape (latents, chains)."""

    def __init__(self, counts: Sequence[Sequence[int]], chains: int) -> None:
        self.y = np.array(counts, dtype=float)[:, :, None]
        self.n = self.y.sum(axis=0)
        self.causes, self.studies = self.y.shape[:2]
        self.chains = chains
        self.size = self.causes + 1 + self.causes * self.studies

    def parts(self, state: Array) -> tuple[Array, Array, Array]:
        c = self.causes
        return state[:c], state[c], state[c + 1 :].reshape(c, self.studies, self.chains)

    def density(self, state: Array) -> tuple[Array, Array]:
        """Return the log density of each chain, and its gradient."""
        logs, t, z = self.parts(state)
        at = logs[:, None, :] + (t / np.sqrt(2)) * z
        top = at.max(axis=0)
        odds = np.exp(at - top)
        whole = odds.sum(axis=0)
        value = (self.y * at).sum(axis=(0, 1)) - (self.n * (top + np.log(whole))).sum(axis=0)
        gamma = np.exp(logs)
        value += (logs / self.causes - gamma).sum(axis=0) - t**2 / 2 - (z**2).sum(axis=(0, 1)) / 2
        rest = self.y - odds * (self.n / whole)
        slope = np.empty_like(state)
        slope[: self.causes] = 1 / self.causes - gamma + rest.sum(axis=1)
        slope[self.causes] = -t + (rest * z).sum(axis=(0, 1)) / np.sqrt(2)
        slope[self.causes + 1 :] = ((t / np.sqrt(2)) * rest - z).reshape(-1, self.chains)
        return value, slope

    def start(self, rng: np.random.Generator) -> Array:
        """Draw from the prior, the shares a little closer to the counts: the chains start far apart."""
        state = rng.standard_normal((self.size, self.chains))
        shape = 1 / self.causes + 0.1 * self.y.sum(axis=1)
        state[: self.causes] = np.log(rng.gamma(np.broadcast_to(shape, (self.causes, self.chains))) + 1e-12)
        return state


class Chains:
    """Chains that walk together, each judged by itself."""

    def __init__(self, posterior: Posterior, length: Length, rng: np.random.Generator) -> None:
        self.posterior, self.length, self.rng = posterior, length, rng
        self.state = posterior.start(rng)
        self.value, self.slope = posterior.density(self.state)
        self.scale = np.ones((posterior.size, 1))
        self.step = 0.1

    def walk(self) -> Array:
        """Make one iteration; return the probability of acceptance of each chain."""
        rng = self.rng
        step = self.step * rng.uniform(0.7, 1.2, self.posterior.chains) * self.scale
        momentum = rng.standard_normal(self.state.shape)
        state, slope, moving = self.state, self.slope, momentum
        with np.errstate(over="ignore", invalid="ignore"):
            for _ in range(int(rng.integers(self.length.leapfrog // 2, self.length.leapfrog + 1))):
                moving = moving + step / 2 * slope
                state = state + step * moving
                value, slope = self.posterior.density(state)
                moving = moving + step / 2 * slope
            change = value - self.value + (momentum**2 - moving**2).sum(axis=0) / 2
        chance = np.exp(np.minimum(np.where(np.isfinite(change), change, -np.inf), 0))
        taken = rng.uniform(size=len(chance)) < chance
        self.state = np.where(taken, state, self.state)
        self.slope = np.where(taken, slope, self.slope)
        self.value = np.where(taken, value, self.value)
        return chance

    def warm_up(self) -> None:
        """Learn step and metric; three rounds, all of it thrown away."""
        rounds = 3
        for number in range(rounds):
            seen = []
            for done in range(self.length.warm_up // rounds):
                chance = self.walk().mean()
                self.step *= float(np.exp((chance - 0.85) / np.sqrt(1 + done / 4)))
                if done % 4 == 0:
                    seen.append(self.state)
            if number < rounds - 1:
                late = np.concatenate(seen[len(seen) // 2 :], axis=1)
                old = self.scale
                self.scale = self._spread(late)
                self.step *= float(np.median(old / self.scale))

    def _spread(self, draws: Array) -> Array:
        """Return the standard deviation of each latent; of t its own size, because both signs are the same."""
        scale = draws.std(axis=1, keepdims=True)
        scale[self.posterior.causes] = np.abs(draws[self.posterior.causes]).std()
        return scale

    def draw(self) -> tuple[Array, Array]:
        """Return log mean shares (kept, causes, chains) and tau (kept, chains)."""
        logs, tau = [], []
        for done in range(self.length.iterations):
            self.walk()
            if done % self.length.keep == 0:
                own, t, _ = self.posterior.parts(self.state)
                logs.append(special.log_softmax(own, axis=0))
                tau.append(np.abs(t))
        return np.array(logs), np.array(tau)


def averaged_share(logs: Array, tau: Array, points: int, rng: np.random.Generator) -> Array:
    """Return the mean over centres of each cause's share, shape (causes, chains), for one iteration's draws."""
    causes = len(logs)
    regular = stats.qmc.Sobol(causes, scramble=True, rng=rng).random(points)
    z = special.ndtri(np.clip(regular, 1e-12, 1 - 1e-12))
    z = np.concatenate([z, -z]).T[:, :, None]
    at = logs[:, None, :] + (tau / np.sqrt(2)) * z
    at -= at.max(axis=0)
    np.exp(at, out=at)
    at /= at.sum(axis=0)
    return np.asarray(at.mean(axis=1))


def rank_rhat(draws: Array) -> float:
    """Return split R-hat of normalised ranks, the larger of that of the draws and of their distance from the median.

    Vehtari and others 2021, from memory; draws of shape (kept, chains).
    """
    half = len(draws) // 2
    split = np.concatenate([draws[:half], draws[half : 2 * half]], axis=1)

    def of(values: Array) -> float:
        ranks = stats.rankdata(values).reshape(values.shape)
        normal = special.ndtri((ranks - 0.375) / (values.size + 0.25))
        within = normal.var(axis=0, ddof=1).mean()
        between = normal.mean(axis=0).var(ddof=1)
        return float(np.sqrt((half - 1) / half + between / within))

    return max(of(split), of(np.abs(split - np.median(split))))


def effective_size(draws: Array) -> float:
    """Return the effective number of draws by Geyer's initial positive pairs over all chains (from memory)."""
    kept, chains = draws.shape
    centred = draws - draws.mean(axis=0)
    wide = np.fft.rfft(centred, 2 * kept, axis=0)
    covariance = np.fft.irfft(np.abs(wide) ** 2, axis=0)[:kept].mean(axis=1) / kept
    between = draws.mean(axis=0).var(ddof=1)
    whole = covariance[0] * kept / (kept - 1) * (kept - 1) / kept + between
    if whole == 0:
        return float("nan")
    rho = 1 - (covariance[0] - covariance) / whole
    rho[0] = 1.0
    pairs = rho[: kept - kept % 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs < 0)
    last = int(negative[0]) if len(negative) else len(pairs)
    falling = np.minimum.accumulate(pairs[:last])
    return float(kept * chains / max(2 * falling.sum() - 1, 1 / np.log10(kept * chains)))


def told(draws: Array) -> Sampled:
    """Return mean and quantiles of all draws, errors from the scatter of the chains' own; draws (kept, chains)."""
    chains = draws.shape[1]
    single = np.quantile(draws, PROBABILITIES, axis=0)
    errors = single.std(axis=1, ddof=1) / np.sqrt(chains)
    together = np.quantile(draws, PROBABILITIES)
    mean = Estimate(float(draws.mean()), float(draws.mean(axis=0).std(ddof=1) / np.sqrt(chains)))
    low, _, high = together
    return Sampled(
        mean,
        [Estimate(float(v), float(e)) for v, e in zip(together, errors, strict=True)],
        rank_rhat(draws),
        effective_size(draws),
        min(effective_size((draws <= low).astype(float)), effective_size((draws >= high).astype(float))),
    )


def answers(
    counts: Sequence[Sequence[int]], seed: int, length: Length | None = None
) -> dict[str, list[Sampled]]:
    """Return `share` and `new_centre` of each cause, and `tau`."""
    length = length or Length()
    rng = np.random.default_rng(seed)
    chains = Chains(Posterior(counts, length.chains), length, rng)
    chains.warm_up()
    logs, tau = chains.draw()
    share, ahead = np.empty_like(logs), np.empty_like(logs)
    for done, (own, spread) in enumerate(zip(logs, tau, strict=True)):
        share[done] = averaged_share(own, spread, length.points, rng)
        ahead[done] = special.softmax(own + spread / np.sqrt(2) * rng.standard_normal(own.shape), axis=0)
    return {
        "share": [told(share[:, c]) for c in range(len(counts))],
        "new_centre": [told(ahead[:, c]) for c in range(len(counts))],
        "tau": [told(tau)],
    }
