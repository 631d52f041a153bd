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
from metakit.network.inconsistency import design_of
from metakit.network.model import NetworkPart, membership
from metakit.numerics import arm_regression as kernel

CHUNK = 256
"""Contrasts worked on at once."""


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


def direct_estimates(part: NetworkPart) -> Mapping[tuple[str, str], tuple[float, float, float]]:
    """Return (estimate, standard error, share) of the direct evidence on each directly compared pair.

    The studies that compare the two techniques are pooled alone, at the network's tau2. The share is the
    variance of the network's estimate over that of the direct one; 1 means that nothing indirect is known.
    """
    arms = part.arms
    rows: dict[str, list[int]] = {}
    for row, study in enumerate(arms.study):
        rows.setdefault(study, []).append(row)
    spread = arms.variance + part.tau2 / 2.0
    sums: dict[tuple[str, str], tuple[float, float]] = {}
    for members in rows.values():
        for i in members:
            for j in members:
                pair = (arms.technique[i], arms.technique[j])
                if pair[0] < pair[1]:
                    weight = 1.0 / float(spread[i] + spread[j])
                    before = sums.get(pair, (0.0, 0.0))
                    effect = float(arms.value[i] - arms.value[j])
                    sums[pair] = (before[0] + weight, before[1] + weight * effect)
    found = {}
    for one, two in sorted(sums):
        weight, total = sums[one, two]
        share = min(part.contrast(one, two).standard_error ** 2 * weight, 1.0)
        found[one, two] = (total / weight, math.sqrt(1.0 / weight), share)
    return found
