"""Where each estimate comes from: direct share, and the contribution of each study and comparison.

Source: Riley 2018 (a study's percentage weight is its part of Fisher's information, carried through to the
variance of the estimate); contributions to one contrast add up to 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.network.inconsistency import design_of, direct_pairs
from metakit.network.model import NetworkPart, membership
from metakit.numerics import arm_regression as kernel


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


def contributions(part: NetworkPart) -> Contributions:
    """Return the share of each study and design in every contrast of one part."""
    arms = part.arms
    pieces = kernel.study_information(
        membership(arms, part.techniques), arms.study_index, arms.variance, part.tau2
    )
    pairs = tuple((one, two) for n, one in enumerate(part.techniques) for two in part.techniques[n + 1 :])
    rows = np.zeros((len(pairs), len(part.techniques)))
    for number, (one, two) in enumerate(pairs):
        rows[number, part.techniques.index(one)], rows[number, part.techniques.index(two)] = 1.0, -1.0
    paths = rows @ part.covariance
    by_study = np.einsum("rp,spq,rq->rs", paths, pieces, paths, optimize=True)
    by_study /= np.sum(by_study, axis=1, keepdims=True)
    design = dict(zip(arms.study, design_of(arms), strict=True))
    designs = tuple(sorted(set(design.values())))
    belongs = np.array([[design[study] == name for name in designs] for study in arms.studies], dtype=float)
    return Contributions(
        pairs=pairs, studies=arms.studies, designs=designs, by_study=by_study, by_design=by_study @ belongs
    )


def direct_estimates(part: NetworkPart) -> Mapping[tuple[str, str], tuple[float, float, float]]:
    """Return (estimate, standard error, share) of the direct evidence on each directly compared pair.

    The studies that compare the two techniques are pooled alone, at the network's tau2. The share is the
    variance of the network's estimate over that of the direct one; 1 means that nothing indirect is known.
    """
    arms = part.arms
    members: dict[str, set[str]] = {}
    for study, technique in zip(arms.study, arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    found = {}
    for one, two in direct_pairs(arms):
        keep = np.array(
            [
                technique in (one, two) and {one, two} <= members[study]
                for study, technique in zip(arms.study, arms.technique, strict=True)
            ]
        )
        alone = arms.select(keep)
        fit = kernel.fit_arms(
            membership(alone, (one, two)), alone.study_index, alone.value, alone.variance, part.tau2
        )
        variance = float(fit.covariance[0, 0] + fit.covariance[1, 1] - 2 * fit.covariance[0, 1])
        estimate = float(fit.coefficients[0] - fit.coefficients[1])
        share = min(part.contrast(one, two).standard_error ** 2 / variance, 1.0)
        found[one, two] = (estimate, math.sqrt(variance), share)
    return found
