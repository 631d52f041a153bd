"""Coverage of 95 % intervals under rare events, by simulation, for one-stage models that are named.

    python -m tests.simulation.coverage [repeats]

prints the table in markdown. Every scenario has its own fixed seed. Whether an interval covers is read off the
likelihood ratio at the truth, which is what a profile interval inverts; nothing else is fitted twice.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from metakit.measures.exact_intervals import clopper_pearson, exact_poisson
from metakit.measures.families.one_arm_counts import proportion
from metakit.measures.families.two_arm_counts import odds_ratio
from metakit.models.batch import random_effects_batch
from metakit.models.of_counts.one_stage_intervals import LEAST_SPREAD
from metakit.numerics.of_counts import one_stage_models as models
from metakit.numerics.of_counts.one_stage_beta_binomial import fit_beta_binomial
from metakit.numerics.of_counts.one_stage_contrast import contrast, contrast_root
from metakit.numerics.of_counts.one_stage_fit import LatentFit, fit_latent
from metakit.numerics.of_counts.one_stage_profile import signed_root

STUDIES = (3, 5, 10, 20)
RISKS = (0.02, 0.05, 0.15)
SPREADS = (0.3, 0.6)
LOG_RATIO = -0.4
BASELINE_SPREAD = 0.5
SMALLEST, LARGEST = 20, 120
CHUNK = 500
Z2 = float(stats.chi2.ppf(0.95, 1))


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table; coverages are fractions of the estimable repeats, None where not studied."""

    measure: str
    model: str
    k: int
    risk: float
    tau: float
    repeats: int
    not_estimable: float
    bias: float
    profile: float
    small_sample: float
    graded: float | None
    wald: float
    t: float
    inverse_variance: float | None

    @property
    def default(self) -> float:
        """Coverage of the interval that the engine shows as headline."""
        return self.small_sample if self.graded is None else self.graded

    def markdown(self) -> str:
        """Return the line, the default in bold."""
        small = f"{100 * self.small_sample:.1f}"
        graded = "" if self.graded is None else f"**{100 * self.graded:.1f}**"
        if self.graded is None:
            small = f"**{small}**"
        other = "" if self.inverse_variance is None else f"{100 * self.inverse_variance:.1f}"
        return (
            f"| {self.measure} | {self.model} | {self.k} | {100 * self.risk:g} % | {self.tau:g} | {self.repeats} | "
            f"{100 * self.not_estimable:.1f} | {self.bias:+.3f} | {graded} | {100 * self.profile:.1f} | "
            f"{small} | {100 * self.wald:.1f} | {100 * self.t:.1f} | {other} |"
        )


HEADER = (
    "| measure | model | k | risk or rate | tau | repeats | not estimable, % | bias of the log | graded profile | profile likelihood | profile, small sample | "
    "Wald | t | inverse variance + 0.5, Hartung-Knapp with floor |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|"
)


@dataclass(slots=True)
class Tally:
    """Counts of one scenario, added up over chunks."""

    total: int = 0
    estimable: int = 0
    shift: float = 0.0
    profile: int = 0
    small_sample: int = 0
    graded: int | None = 0
    wald: int = 0
    t: int = 0
    inverse_variance: int = 0

    def add(
        self,
        root: np.ndarray,
        estimate: np.ndarray,
        error: np.ndarray,
        truth: float,
        units: np.ndarray,
        df: np.ndarray,
        share: np.ndarray | None,
    ) -> None:
        """Add fitted repeats: signed roots at the truth, Wald parts, informative units and degrees of freedom.

        `share` is the part of a study's variance that lies between studies, None without a graded interval.
        """
        if not np.all(np.isfinite(root)):
            raise AssertionError(f"{int(np.sum(~np.isfinite(root)))} refits at the truth failed")
        quantile = stats.t.ppf(0.975, df)
        self.estimable += len(root)
        self.shift += float(np.sum(estimate - truth))
        self.profile += int(np.sum(root**2 <= Z2))
        small = units * np.log1p(quantile**2 / df)
        self.small_sample += int(np.sum(root**2 <= small))
        if share is None or self.graded is None:
            self.graded = None
        else:
            self.graded += int(np.sum(root**2 <= Z2 + share * (small - Z2)))
        away = np.abs(estimate - truth) / error
        self.wald += int(np.sum(away <= np.sqrt(Z2)))
        self.t += int(np.sum(away <= quantile))

    def row(self, measure: str, model: str, k: int, risk: float, tau: float, *, compared: bool) -> Row:
        """Return fractions."""
        n = self.estimable
        return Row(
            measure=measure,
            model=model,
            k=k,
            risk=risk,
            tau=tau,
            repeats=self.total,
            not_estimable=1 - n / self.total,
            bias=self.shift / n,
            profile=self.profile / n,
            small_sample=self.small_sample / n,
            graded=None if self.graded is None else self.graded / n,
            wald=self.wald / n,
            t=self.t / n,
            inverse_variance=self.inverse_variance / self.total if compared else None,
        )


def wald_error(hessian: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Return the standard error of the effect; a spread at its boundary has no say in it."""
    bounded = hessian.copy()
    at_zero = spread == 0
    bounded[at_zero, 0, 1:] = bounded[at_zero, 1:, 0] = 0.0
    bounded[at_zero, 1:, 1:] = -np.eye(hessian.shape[1] - 1)
    return np.sqrt(np.linalg.inv(-bounded)[:, 0, 0])


def between_share(fit: LatentFit, units: np.ndarray) -> np.ndarray:
    """Return the share of a study's variance that lies between studies, as the graded interval takes it."""
    error = wald_error(fit.common.hessian, np.zeros(len(units)))
    between = np.maximum(fit.maximum.parameters[:, 1], LEAST_SPREAD) ** 2
    return between / (between + units * error**2)


def sizes(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Return numbers of thumbs."""
    return rng.integers(SMALLEST, LARGEST + 1, size=shape).astype(float)


def covers_by_inverse_variance(
    effect: np.ndarray, variance: np.ndarray, present: np.ndarray, truth: float
) -> int:
    """Count intervals of random effects on corrected counts (REML, Hartung-Knapp with floor)."""
    enough = present.sum(axis=-1) > 1
    found = random_effects_batch(
        np.where(present, effect, 0.0)[enough],
        np.where(present, variance, 1.0)[enough],
        present[enough],
        prediction=None,
    )
    return int(np.sum((found.mean.lower <= truth) & (truth <= found.mean.upper)))


def one_arm(measure: str, k: int, risk: float, tau: float, repeats: int) -> Row:
    """Simulate proportions (binomial, logits normal) or rates (Poisson, log rates normal)."""
    is_share = measure == "proportion"
    truth = float(special.logit(risk)) if is_share else float(np.log(risk))
    rng = np.random.default_rng([k, int(1000 * risk), int(10 * tau), 1 if is_share else 2])
    tally = Tally(total=repeats)
    for first in range(0, repeats, CHUNK):
        shape = (min(CHUNK, repeats - first), k)
        size = sizes(rng, shape)
        level = truth + tau * rng.standard_normal(shape)
        if is_share:
            events = rng.binomial(size.astype(int), special.expit(level)).astype(float)
            corrected = proportion({"events": events, "total": size})
            tally.inverse_variance += covers_by_inverse_variance(
                corrected.effect, corrected.variance, corrected.estimable, truth
            )
        else:
            size = size * rng.uniform(1.0, 6.0, size=shape)  # thumbs followed for one to six years
            events = rng.poisson(size * np.exp(level)).astype(float)
        none = events.sum(axis=-1) == 0
        if none.any():  # the engine answers with the exact one-sided limit
            exact = clopper_pearson if is_share else exact_poisson
            upper = exact(np.zeros(int(none.sum())), size[none].sum(axis=-1), 0.90)[1]
            covered = int(np.sum(upper >= risk))
            tally.estimable += int(none.sum())
            for name in ("profile", "small_sample", "graded", "wald", "t"):
                setattr(tally, name, getattr(tally, name) + covered)
        make = models.binomial_normal if is_share else models.poisson_normal
        prepared = make(events[~none], size[~none])
        fit = fit_latent(prepared.model, prepared.beta, prepared.intercepts)
        parameters = fit.maximum.parameters
        tally.add(
            signed_root(prepared.model, fit, parameter=0, value=truth),
            parameters[:, 0],
            wald_error(fit.maximum.hessian, parameters[:, 1]),
            truth,
            np.full(len(parameters), k),
            np.full(len(parameters), k - 1),
            between_share(fit, np.full(len(parameters), k)),
        )
    return tally.row(
        measure, "binomial-normal" if is_share else "Poisson-normal", k, risk, tau, compared=is_share
    )


def two_arms(variant: str, k: int, risk: float, tau: float, repeats: int) -> Row:
    """Simulate odds ratios or rate ratios, normal on the log scale, with baselines that differ too."""
    rates = variant == "conditional_binomial_normal"
    rng = np.random.default_rng([k, int(1000 * risk), int(10 * tau), 4 if rates else 3])
    tally = Tally(total=repeats)
    for first in range(0, repeats, CHUNK):
        shape = (min(CHUNK, repeats - first), k)
        n1, n2 = sizes(rng, shape), sizes(rng, shape)
        centre = np.log(risk) if rates else special.logit(risk)
        base = centre + BASELINE_SPREAD * rng.standard_normal(shape)
        ratio = LOG_RATIO + tau * rng.standard_normal(shape)
        if rates:
            years = rng.uniform(1.0, 6.0, size=shape)
            n1, n2 = n1 * years, n2 * years
            a, c = (
                rng.poisson(n * np.exp(base + half)).astype(float)
                for n, half in ((n1, ratio / 2), (n2, -ratio / 2))
            )
            low, high = np.zeros(shape), a + c
        else:
            a, c = (
                rng.binomial(n.astype(int), special.expit(base + half)).astype(float)
                for n, half in ((n1, ratio / 2), (n2, -ratio / 2))
            )
            low, high = np.maximum(0.0, a + c - n2), np.minimum(a + c, n1)
            corrected = odds_ratio({"events_1": a, "total_1": n1, "events_2": c, "total_2": n2})
            tally.inverse_variance += covers_by_inverse_variance(
                corrected.effect, corrected.variance, corrected.estimable, LOG_RATIO
            )
        telling = high > low
        at_low, at_high = (a == low) | ~telling, (a == high) | ~telling
        usable = ~(at_low | at_high).all(axis=-1) & (telling.sum(axis=-1) > 1)
        columns = [np.where(telling, part, 0.0)[usable] for part in (a, n1, c, n2)]
        prepared = (models.conditional_binomial_normal if rates else models.hypergeometric_normal)(*columns)
        fit = fit_latent(prepared.model, prepared.beta, prepared.intercepts)
        parameters = fit.maximum.parameters
        tally.add(
            signed_root(prepared.model, fit, parameter=0, value=LOG_RATIO),
            parameters[:, 0],
            wald_error(fit.maximum.hessian, parameters[:, 1]),
            LOG_RATIO,
            telling.sum(axis=-1)[usable],
            telling.sum(axis=-1)[usable] - 1,
            between_share(fit, telling.sum(axis=-1)[usable]),
        )
    name = "conditional binomial-normal" if rates else "conditional hypergeometric-normal"
    return tally.row("rate ratio" if rates else "odds ratio", name, k, risk, tau, compared=not rates)


def risk_ratios(k: int, risk: float, correlation: float, repeats: int) -> Row:
    """Simulate risk ratios under the beta-binomial's own assumptions; `tau` of the row is its correlation."""
    rng = np.random.default_rng([k, int(1000 * risk), int(1000 * correlation), 5])
    tally = Tally(total=repeats)
    for first in range(0, repeats, CHUNK):
        shape = (min(CHUNK, repeats - first), k)
        n1, n2 = sizes(rng, shape), sizes(rng, shape)
        counts = []
        for n, mean in ((n1, risk * np.exp(LOG_RATIO)), (n2, risk)):
            strength = (1 - correlation) / correlation
            p = rng.beta(mean * strength, (1 - mean) * strength, size=shape)
            counts.append(rng.binomial(n.astype(int), p).astype(float))
        a, c = counts
        usable = (a.sum(axis=-1) > 0) & (c.sum(axis=-1) > 0)
        fit, tails = fit_beta_binomial(a[usable], n1[usable], c[usable], n2[usable])
        estimate, error = contrast(fit.logits, fit.covariance, "risk_ratio")
        root = contrast_root(tails, fit, "risk_ratio", np.full(len(estimate), LOG_RATIO))
        arms = np.full(len(estimate), 2 * k)
        tally.add(root, estimate, error, LOG_RATIO, arms, arms - 2, None)
    return tally.row(
        "risk ratio", "beta-binomial (tau column: correlation)", k, risk, correlation, compared=False
    )


def all_rows(repeats: int) -> Iterator[Row]:
    """Run every scenario; two-arm ones, which are slower, with half as many repeats."""
    grid = [(k, risk, tau) for k in STUDIES for risk in RISKS for tau in SPREADS]
    for k, risk, tau in grid:
        yield one_arm("proportion", k, risk, tau, repeats)
    for k, risk, tau in grid:
        yield one_arm("rate", k, risk / 4, tau, repeats)
    for k, risk, tau in grid:
        yield two_arms("conditional_hypergeometric_normal", k, risk, tau, repeats // 2)
    for k, risk, tau in grid:
        yield two_arms("conditional_binomial_normal", k, risk / 4, tau, repeats // 2)
    for k in STUDIES:
        for risk in RISKS:
            for correlation in (0.005, 0.02):
                yield risk_ratios(k, risk, correlation, repeats // 2)


if __name__ == "__main__":
    print(HEADER)
    for line in all_rows(int(sys.argv[1]) if len(sys.argv) > 1 else 4000):
        print(line.markdown(), flush=True)
