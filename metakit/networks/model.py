"""The network model: every technique against every other, common or random effects, part by part.

Sources: Lu & Ades 2004 (multi-arm covariance), Rücker 2012 (graph form), Jackson 2012 (moment tau2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.errors import ConvergenceError, NotEstimableError, UnknownNameError
from metakit.models.differing.coefficients import quantile
from metakit.networks.arms import NetworkArms
from metakit.numerics.networks import arm_regression as kernel
from metakit.numerics.posteriors.spread_integral import SpreadPosterior

TAU2_ESTIMATORS = ("reml", "dersimonian_laird")

SCAN = np.concatenate(([0.0], np.geomspace(1e-5, 1e5, 24)))
"""Where the restricted likelihood's slope is looked at, in units of a typical variance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """`technique` against `comparator` on the analysis scale."""

    technique: str
    comparator: str
    estimate: float
    standard_error: float
    interval: Limits
    prediction: Limits | None

    def turned(self) -> Contrast:
        """Return the comparator against the technique."""
        return Contrast(
            technique=self.comparator,
            comparator=self.technique,
            estimate=-self.estimate,
            standard_error=self.standard_error,
            interval=_negative(self.interval),
            prediction=_negative(self.prediction) if self.prediction else None,
        )


def _negative(limits: Limits) -> Limits:
    return Limits(-limits.upper, -limits.lower)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NetworkPart:
    """One connected part of a network, fitted.

    `effects` (t,) and `covariance` (t, t) hold each technique's value relative to the average of the part;
    differences of them are the contrasts. `q` is the residual heterogeneity and inconsistency together.
    `inference` names the rule that gave the intervals, "" where model and estimator were named. Under the
    half-normal rule `posterior` holds what everything said of the part comes from and `known` every contrast;
    `effects` and `covariance` are then those at the posterior median of tau. `factor` multiplied the
    covariance and `quantile_df` belong to the quantile (infinite for the normal).
    """

    arms: NetworkArms
    techniques: tuple[str, ...]
    model: str
    tau2_estimator: str
    tau2: float
    truncated: bool
    level: float
    effects: FloatArray
    covariance: FloatArray
    q: TestStatistic | None
    df: int
    notes: tuple[str, ...] = ()
    inference: str = ""
    quantile_df: float = math.inf
    factor: float = 1.0
    scale: float = 0.0
    tau2_interval: Limits | None = None
    posterior: SpreadPosterior | None = None
    known: Mapping[tuple[str, str], Contrast] = field(default_factory=dict)

    def contrast(self, technique: str, comparator: str) -> Contrast:
        """Return `technique` against `comparator`."""
        i, j = self._index(technique), self._index(comparator)
        if (technique, comparator) in self.known:
            return self.known[technique, comparator]
        if (comparator, technique) in self.known:
            return self.known[comparator, technique].turned()
        estimate = float(self.effects[i] - self.effects[j])
        variance = float(self.covariance[i, i] + self.covariance[j, j] - 2 * self.covariance[i, j])
        error = math.sqrt(max(variance, 0.0))
        half = quantile(self.quantile_df, self.level) * error
        prediction = None
        if self.tau2_estimator and self.df >= 1 and technique != comparator:
            # Degrees of freedom as in Higgins 2009 carried over: residual df of the network.
            reach = float(special.stdtrit(self.df, 0.5 + self.level / 2)) * math.sqrt(error**2 + self.tau2)
            prediction = Limits(estimate - reach, estimate + reach)
        return Contrast(
            technique=technique,
            comparator=comparator,
            estimate=estimate,
            standard_error=error,
            interval=Limits(estimate - half, estimate + half),
            prediction=prediction,
        )

    def contrasts(self) -> tuple[Contrast, ...]:
        """Return every ordered pair."""
        return tuple(
            self.contrast(one, two) for one in self.techniques for two in self.techniques if one != two
        )

    def _index(self, technique: str) -> int:
        try:
            return self.techniques.index(technique)
        except ValueError:
            raise UnknownNameError(
                "technique of this part of the network", technique, self.techniques
            ) from None


def membership(arms: NetworkArms, techniques: Sequence[str]) -> FloatArray:
    """Return the columns of technique membership, shape (n, t)."""
    position = {name: number for number, name in enumerate(techniques)}
    x = np.zeros((len(arms.technique), len(techniques)))
    x[np.arange(len(arms.technique)), [position[name] for name in arms.technique]] = 1.0
    return x


def chi_square(value: float, df: int) -> TestStatistic | None:
    """Return a Q with its p value, None without degrees of freedom."""
    if df <= 0:
        return None
    return TestStatistic(max(value, 0.0), df, float(special.chdtrc(df, max(value, 0.0))))


def connected_parts(arms: NetworkArms) -> tuple[NetworkArms, ...]:
    """Split a network into its connected parts, the one with most studies first."""
    import networkx

    graph: networkx.Graph[str] = networkx.Graph()
    for study in arms.studies:
        networkx.add_star(
            graph, [arms.technique[row] for row, name in enumerate(arms.study) if name == study]
        )
    parts = [
        arms.select(np.array([name in members for name in arms.technique]))
        for members in networkx.connected_components(graph)
    ]
    return tuple(sorted(parts, key=lambda part: (-len(part.studies), part.techniques)))


def estimate_tau2(x: FloatArray, arms: NetworkArms, estimator: str) -> tuple[float, bool]:
    """Return tau2 of one regression by the named estimator, and whether it was cut off at zero."""
    return estimate_tau2_over([(x, arms)], estimator)


def estimate_tau2_over(
    blocks: Sequence[tuple[FloatArray, NetworkArms]], estimator: str
) -> tuple[float, bool]:
    """Return the tau2 that separate regressions share, and whether it was cut off at zero.

    Parameters
    ----------
    blocks : sequence of (columns, arms)
        Regressions without a common coefficient, such as the designs of a network each by itself.
    estimator : {"reml", "dersimonian_laird"}

    Raises
    ------
    UnknownNameError
        For an estimator that networks do not have.
    ConvergenceError
        If the restricted likelihood has no maximum in reach.
    """
    from scipy import optimize

    if estimator not in TAU2_ESTIMATORS:
        raise UnknownNameError("tau2 estimator of networks", estimator, TAU2_ESTIMATORS)
    fits = [kernel.fit_arms(x, arms.study_index, arms.value, arms.variance) for x, arms in blocks]
    df = sum(fit.df for fit in fits)
    moment, truncated = kernel.moment_tau2(
        sum(fit.q for fit in fits), df, sum(fit.residual_trace for fit in fits)
    )
    if estimator == "dersimonian_laird" or df <= 0:
        return moment, truncated
    reduced = [
        (x @ kernel.estimable_basis(x, arms.study_index), arms.study_index, arms.value, arms.variance)
        for x, arms in blocks
    ]

    def score(tau2: float) -> float:
        return sum(kernel.restricted_score_and_likelihood(*block, tau2)[0] for block in reduced)

    def likelihood(tau2: float) -> float:
        return sum(kernel.restricted_score_and_likelihood(*block, tau2)[1] for block in reduced)

    # The score is scanned so that a second maximum is not missed; each one is then solved to full precision.
    scale = max(moment, float(np.median(np.concatenate([arms.variance for _, arms in blocks]))))
    grid = scale * SCAN
    scores = [score(float(point)) for point in grid]
    peaks = [0.0] if scores[0] <= 0 else []
    for place in range(len(grid) - 1):
        if scores[place] > 0 >= scores[place + 1]:
            peaks.append(
                float(optimize.brentq(score, grid[place], grid[place + 1], xtol=1e-14 * scale, rtol=1e-13))
            )
    if not peaks:
        raise ConvergenceError(
            "tau2 by restricted maximum likelihood grows without bound; try dersimonian_laird"
        )
    best = peaks[0] if len(peaks) == 1 else max(peaks, key=likelihood)
    return best, best == 0.0


def require_connected(rank: int, techniques: Sequence[str]) -> None:
    """Refuse what is no connected part."""
    if rank != len(techniques) - 1:
        raise NotEstimableError(
            "these techniques are not connected by studies; split the network into its parts"
        )


def fit_part(
    arms: NetworkArms, *, model: str = "random_effects", tau2: str = "reml", level: float = 0.95
) -> NetworkPart:
    """Fit one connected part.

    Parameters
    ----------
    arms : NetworkArms
        Arms of a connected part (`connected_parts`).
    model : {"random_effects", "common_effect"}
    tau2 : {"reml", "dersimonian_laird"}
    level : float

    Raises
    ------
    NotEstimableError
        If the part is not connected.
    """
    if model not in ("random_effects", "common_effect"):
        raise UnknownNameError("network model", model, ("random_effects", "common_effect"))
    techniques = arms.techniques
    x = membership(arms, techniques)
    between, truncated = estimate_tau2(x, arms, tau2) if model == "random_effects" else (0.0, False)
    common = kernel.fit_arms(x, arms.study_index, arms.value, arms.variance)
    fit = kernel.fit_arms(x, arms.study_index, arms.value, arms.variance, between)
    require_connected(fit.rank, techniques)
    return NetworkPart(
        arms=arms,
        techniques=techniques,
        model=model,
        tau2_estimator=tau2 if model == "random_effects" else "",
        tau2=between,
        truncated=truncated,
        level=level,
        effects=fit.coefficients,
        covariance=fit.covariance,
        q=chi_square(common.q, common.df),
        df=common.df,
    )
