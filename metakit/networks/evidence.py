"""Where each estimate comes from: direct share, and the contribution of each study and comparison.

Source: Riley 2018 (a study's percentage weight is its part of Fisher's information, carried through to the
variance of the estimate); contributions to one contrast add up to 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits
from metakit.models.differing.coefficients import quantile
from metakit.networks.inconsistency import design_of
from metakit.networks.model import Contrast, NetworkPart, membership
from metakit.numerics.networks import arm_regression as kernel
from metakit.numerics.posteriors.bayes_marginals import NormalMixtures
from metakit.numerics.posteriors.spread_integral import SpreadPosterior

CHUNK = 256
"""Contrasts worked on at once."""

ALL_DIRECT = 1 - 1e-9
"""Share from which nothing indirect is left but rounding."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contributions:
    """What each contrast rests on.

    `pairs`: the contrasts; `by_study` (pairs, studies) and `by_design` (pairs, designs): fractions, whose
    rows add up to 1.
    """

    pairs: tuple[tuple[str, str], ...]
    studies: tuple[str, ...]
    designs: tuple[str, ...]
    by_study: FloatArray
    by_design: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectEvidence:
    """Direct evidence on one pair, its share of the network's estimate, and the indirect evidence beside it.

    `share` is the variance of the network's estimate over that of the direct one (averaged over tau where it
    is integrated out); at 1 nothing indirect is known and the indirect fields are None.
    """

    estimate: float
    standard_error: float
    interval: Limits
    share: float
    indirect: float | None
    indirect_error: float | None
    indirect_interval: Limits | None

    def turned(self) -> DirectEvidence:
        """Return the evidence on the pair in the other order."""
        other = self.indirect_interval
        return replace(
            self,
            estimate=-self.estimate,
            interval=Limits(-self.interval.upper, -self.interval.lower),
            indirect=None if self.indirect is None else -self.indirect,
            indirect_interval=None if other is None else Limits(-other.upper, -other.lower),
        )


Direct = Mapping[tuple[str, str], DirectEvidence]


def contributions(part: NetworkPart) -> Contributions:
    """Return the share of each study and design in every contrast of one part.

    Under the half-normal rule they are those at the posterior median of tau.
    """
    arms = part.arms
    pairs = tuple((one, two) for n, one in enumerate(part.techniques) for two in part.techniques[n + 1 :])
    rows = np.zeros((len(pairs), len(part.techniques)))
    for number, (one, two) in enumerate(pairs):
        rows[number, part.techniques.index(one)], rows[number, part.techniques.index(two)] = 1.0, -1.0
    paths = rows @ part.covariance
    x = membership(arms, part.techniques)
    part_x = kernel.centre(x, arms.study_index, arms.value, arms.variance, part.tau2)
    # A study's part of the information is its arms' weighted, centred columns times themselves.
    scaled = (np.sqrt(part_x.weight)[:, None] * part_x.x).T
    starts = kernel.starts_of(arms.study_index)
    by_study = np.empty((len(pairs), len(starts)))
    for first in range(0, len(pairs), CHUNK):
        rows_here = slice(first, first + CHUNK)
        by_study[rows_here] = np.add.reduceat((paths[rows_here] @ scaled) ** 2, starts, axis=1)
    by_study /= np.sum(by_study, axis=1, keepdims=True)
    design = dict(zip(arms.study, design_of(arms), strict=True))
    designs = tuple(sorted(set(design.values())))
    belongs = np.array([[design[study] == name for name in designs] for study in arms.studies], dtype=float)
    return Contributions(
        pairs=pairs, studies=arms.studies, designs=designs, by_study=by_study, by_design=by_study @ belongs
    )


def direct_estimates(part: NetworkPart) -> Mapping[tuple[str, str], DirectEvidence]:
    """Return the direct evidence on each directly compared pair, and what is left when it is taken out.

    The studies that compare the two techniques are pooled alone, with the network's spread: at its tau2, or
    over its posterior of tau.
    """
    arms = part.arms
    rows: dict[str, list[int]] = {}
    for row, study in enumerate(arms.study):
        rows.setdefault(study, []).append(row)
    posterior = part.posterior
    tau2 = np.array([part.tau2]) if posterior is None else posterior.given.tau**2
    spread = arms.variance + tau2[:, None] / 2.0
    sums: dict[tuple[str, str], tuple[FloatArray, FloatArray]] = {}
    nothing = np.zeros(len(tau2))
    for members in rows.values():
        for i in members:
            for j in members:
                pair = (arms.technique[i], arms.technique[j])
                if pair[0] < pair[1]:
                    weight = 1.0 / (spread[:, i] + spread[:, j])
                    before = sums.get(pair, (nothing, nothing))
                    effect = float(arms.value[i] - arms.value[j])
                    sums[pair] = (before[0] + weight, before[1] + weight * effect)
    if posterior is None:
        reach = quantile(part.quantile_df, part.level)
        return {
            pair: of_direct(
                part.contrast(*pair),
                float(sums[pair][1][0] / sums[pair][0][0]),
                math.sqrt(part.factor / float(sums[pair][0][0])),
                reach,
            )
            for pair in sorted(sums)
        }
    return {pair: _integrated(part, posterior, pair, *sums[pair]) for pair in sorted(sums)}


def of_direct(whole: Contrast, direct: float, error: float, reach: float) -> DirectEvidence:
    """Return direct evidence with the indirect that, by inverse variances, makes the network's estimate."""
    share = min((whole.standard_error / error) ** 2, 1.0)
    indirect = indirect_error = indirect_interval = None
    if share < ALL_DIRECT:
        indirect = (whole.estimate - share * direct) / (1 - share)
        indirect_error = whole.standard_error / math.sqrt(1 - share)
        indirect_interval = Limits(indirect - reach * indirect_error, indirect + reach * indirect_error)
    return DirectEvidence(
        estimate=direct,
        standard_error=error,
        interval=Limits(direct - reach * error, direct + reach * error),
        share=share,
        indirect=indirect,
        indirect_error=indirect_error,
        indirect_interval=indirect_interval,
    )


def _integrated(
    part: NetworkPart,
    posterior: SpreadPosterior,
    pair: tuple[str, str],
    weight: FloatArray,
    total: FloatArray,
) -> DirectEvidence:
    """Take the evidence on one pair apart at each tau, and integrate."""
    row = np.zeros((1, len(part.techniques)))
    row[0, part.techniques.index(pair[0])], row[0, part.techniques.index(pair[1])] = 1.0, -1.0
    whole = posterior.contrasts(row)
    mean, variance = total / weight, 1.0 / weight
    here = np.minimum(whole.deviation[0] ** 2 / variance, 1.0)
    share = float(posterior.average(here))
    direct = _summary(posterior.weight, mean, np.sqrt(variance), part.level)
    indirect: tuple[float, float, Limits] | None = None
    if float(here.min()) < ALL_DIRECT:
        left = (whole.mean[0] - here * mean) / (1.0 - here)
        indirect = _summary(posterior.weight, left, whole.deviation[0] / np.sqrt(1.0 - here), part.level)
    return DirectEvidence(
        estimate=direct[0],
        standard_error=direct[1],
        interval=direct[2],
        share=share,
        indirect=indirect[0] if indirect else None,
        indirect_error=indirect[1] if indirect else None,
        indirect_interval=indirect[2] if indirect else None,
    )


def _summary(
    weight: FloatArray, mean: FloatArray, deviation: FloatArray, level: float
) -> tuple[float, float, Limits]:
    one = NormalMixtures(weight=weight, mean=mean[None], deviation=deviation[None])
    middle, low, high = one.times(3).quantile(np.array([0.5, 0.5 - level / 2, 0.5 + level / 2]))
    return float(middle), float(one.moments()[1][0]), Limits(float(low), float(high))


def evidence_on(direct: Direct, pair: tuple[str, str]) -> DirectEvidence | None:
    """Return the direct evidence on a pair in either order, None without any."""
    if pair in direct:
        return direct[pair]
    turned = direct.get((pair[1], pair[0]))
    return turned.turned() if turned else None
