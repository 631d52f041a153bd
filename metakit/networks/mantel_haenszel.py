"""Mantel-Haenszel network for rare events: no cell is corrected, however sparse the studies.

Source: Efthimiou 2019 (Stat Med 38:2992-3012). Stage one pools the studies of each design (the set of
techniques compared) by the generalised Mantel-Haenszel odds ratio with its covariances; stage two combines the designs by
generalised least squares under consistency. Studies without an event say nothing. A technique without events in all
studies of a design (or with nothing but events) has no odds ratio there: its arms are left out of that design, and a
design of which one technique remains is left out whole; both are named.
"""  # noqa: E501

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.limits import TestStatistic
from metakit.core.notes import SetAside
from metakit.errors import NotEstimableError
from metakit.models.differing.coefficients import quantile
from metakit.networks.arms import NetworkArms
from metakit.networks.evidence import Contributions, Direct, of_direct
from metakit.networks.inconsistency import (
    Inconsistency,
    Split,
    design_of,
    direct_pairs,
    make_split,
    unsplit_words,
)
from metakit.networks.model import NetworkPart, chi_square
from metakit.numerics.networks.arm_regression import RANK_TOLERANCE
from metakit.numerics.networks.network_mantel_haenszel import (
    DesignEstimate,
    cross_products,
    design_estimate,
    fit_designs,
)

NAME = "mantel_haenszel"

ASSUMES = (
    "Mantel-Haenszel network: one common odds ratio for each comparison is assumed, no cell is corrected, "
    "and differences between studies of one design are not part of the intervals (Q within designs is not "
    "defined)."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """Studies that compare the same techniques: `events` and `total` of shape (studies, techniques)."""

    name: str
    techniques: tuple[str, ...]
    studies: tuple[str, ...]
    events: FloatArray
    total: FloatArray


def designs_of(arms: NetworkArms) -> tuple[Design, ...]:
    """Return the designs of a network, in alphabetical order."""
    names = design_of(arms)
    rows: dict[str, dict[str, list[int]]] = {}
    for row, (name, study) in enumerate(zip(names, arms.study, strict=True)):
        rows.setdefault(name, {}).setdefault(study, []).append(row)
    found = []
    for name in sorted(rows):
        studies = {
            study: sorted(members, key=lambda row: arms.technique[row])
            for study, members in rows[name].items()
        }
        index = np.array(list(studies.values()))
        found.append(
            Design(
                name=name,
                techniques=tuple(arms.technique[row] for row in index[0]),
                studies=tuple(studies),
                events=arms.data["events"][index],
                total=arms.data["total"][index],
            )
        )
    return tuple(found)


def estimable_arms(arms: NetworkArms) -> tuple[NetworkArms, tuple[SetAside, ...]]:
    """Leave out the arms that have no Mantel-Haenszel odds ratio in their design, named.

    Raises
    ------
    NotEstimableError
        If nothing is left.
    """
    out: dict[tuple[str, str], str] = {}
    for design in designs_of(arms):
        kept = list(range(len(design.techniques)))
        while len(kept) > 1:
            cross = cross_products(design.events[:, kept], design.total[:, kept])
            empty = (cross <= 0) | (cross.T <= 0)
            np.fill_diagonal(empty, False)
            if not empty.any():
                break
            # The arm in most empty pairs goes first; of two, the one with fewest events and others.
            least = np.minimum(design.events.sum(axis=0), (design.total - design.events).sum(axis=0))
            ranked = [(-int(empty[n].sum()), float(least[k]), n) for n, k in enumerate(kept)]
            worst = kept.pop(min(ranked)[2])
            _leave_out(out, design, worst)
        if len(kept) == 1:
            for study in design.studies:
                out.setdefault((study, design.techniques[kept[0]]), "")
    events = arms.data["events"]
    left: dict[str, float] = {}
    for study, technique, count in zip(arms.study, arms.technique, events, strict=True):
        left[study] = left.get(study, 0.0) + (0.0 if (study, technique) in out else float(count))
    keep = np.array(
        [
            (study, technique) not in out and left[study] > 0
            for study, technique in zip(arms.study, arms.technique, strict=True)
        ]
    )
    aside = []
    for study in arms.studies:
        reasons = [reason for (name, _), reason in out.items() if name == study and reason]
        if reasons:
            aside.append(SetAside(study=study, reason="; ".join(reasons)))
    if not keep.any():
        said = "; ".join(f"{item.study}: {item.reason}" for item in aside)
        raise NotEstimableError(f"no comparison has a Mantel-Haenszel odds ratio ({said})")
    return arms.select(keep), tuple(aside)


def _leave_out(out: dict[tuple[str, str], str], design: Design, arm: int) -> None:
    technique = design.techniques[arm]
    events, total = float(design.events[:, arm].sum()), float(design.total[:, arm].sum())
    one = len(design.studies) == 1
    where = "this study" if one else f"all {len(design.studies)} studies that compare {design.name}"
    what = (
        "no events" if events == 0
        else "nothing but events" if events == total
        else f"{events:g} of {total:g} events, in studies where another arm has none to compare"
    )  # fmt: skip
    for study in design.studies:
        out[study, technique] = f"{technique} has {what} in {where}, so it has no odds ratio there"


def _stage_one(
    arms: NetworkArms, techniques: Sequence[str]
) -> tuple[list[Design], list[DesignEstimate], list[FloatArray]]:
    designs = list(designs_of(arms))
    estimates, x = [], []
    for design in designs:
        column = np.array([techniques.index(name) for name in design.techniques])
        estimate = design_estimate(column, design.events, design.total)
        size = len(column)
        rest = np.sort(np.linalg.eigvalsh(estimate.covariance))[1:]
        if size > 1 and rest[0] <= 1e-10 * rest[-1]:
            raise NotEstimableError(
                f"the studies that compare {design.name} are too sparse for a covariance of their odds "
                "ratios; try one_stage"
            )
        estimates.append(estimate)
        part = np.zeros((size, len(techniques)))
        part[np.arange(size), column] = 1.0
        x.append(part)
    return designs, estimates, x


def fit_mantel_haenszel(arms: NetworkArms, *, level: float = 0.95) -> NetworkPart:
    """Fit one connected part whose arms are all estimable (`estimable_arms`, then `connected_parts`).

    Raises
    ------
    NotEstimableError
        If the part is not connected, or a design is too sparse for a covariance.
    """
    techniques = arms.techniques
    _, estimates, x = _stage_one(arms, techniques)
    fit = fit_designs(x, estimates)
    if fit.rank != len(techniques) - 1:
        raise NotEstimableError(
            "these techniques are not connected by studies; split the network into its parts"
        )
    return NetworkPart(
        arms=arms,
        techniques=techniques,
        model=NAME,
        tau2_estimator="",
        tau2=0.0,
        truncated=False,
        level=level,
        effects=fit.coefficients,
        covariance=fit.covariance,
        q=chi_square(fit.q, fit.df),
        df=fit.df,
    )


def design_inconsistency(part: NetworkPart) -> Inconsistency:
    """Test disagreement between designs, and split each comparison that has direct and indirect evidence."""
    techniques = part.techniques
    _, estimates, x = _stage_one(part.arms, techniques)
    weights = [estimate.weight for estimate in estimates]
    pulls = [
        weight @ (estimate.estimate - block @ part.effects)
        for weight, estimate, block in zip(weights, estimates, x, strict=True)
    ]
    splits: list[Split] = []
    unsplit = []
    for one, two in direct_pairs(part.arms):
        # One more column beside the techniques: half for `one`, minus half for `two`, in designs with both.
        i, j = techniques.index(one), techniques.index(two)
        own = pull = 0.0
        cross = np.zeros(len(techniques))
        for block, weight, residual in zip(x, weights, pulls, strict=True):
            if block[:, i].any() and block[:, j].any():
                side = (block[:, i] - block[:, j]) / 2
                own += float(side @ weight @ side)
                pull += float(side @ residual)
                cross += block.T @ (weight @ side)
        along = part.covariance @ cross
        size = own - float(cross @ along)
        if size <= RANK_TOLERANCE * own:
            unsplit.append((one, two))
            continue
        loading, step = float(along[i] - along[j]), pull / size
        whole = part.contrast(one, two)
        splits.append(
            make_split(
                part,
                (one, two),
                tau2=0.0,
                indirect=(whole.estimate - loading * step, whole.standard_error**2 + loading**2 / size),
                difference=(step, 1.0 / size),
                covariance=-loading / size,
            )
        )
    between: TestStatistic | None = part.q
    return Inconsistency(
        within_designs=None,
        between_designs=between,
        design_by_treatment=between,
        tau2_within_designs=0.0,
        splits=tuple(splits),
        notes=(ASSUMES, *unsplit_words(unsplit)),
    )


def design_contributions(part: NetworkPart) -> Contributions:
    """Return the share of each design in every contrast; a design's share is divided among its studies.

    Within a design the division follows the Mantel-Haenszel weights of the studies (their parts of the sums
    of all C_ij), an approximation: a study's own part of a contrast's information is not defined here.
    """
    designs, estimates, x = _stage_one(part.arms, part.techniques)
    pieces = fit_designs(x, estimates).pieces
    pairs = tuple((one, two) for n, one in enumerate(part.techniques) for two in part.techniques[n + 1 :])
    rows = np.zeros((len(pairs), len(part.techniques)))
    for number, (one, two) in enumerate(pairs):
        rows[number, part.techniques.index(one)], rows[number, part.techniques.index(two)] = 1.0, -1.0
    paths = rows @ part.covariance
    by_design = np.einsum("rp,spq,rq->rs", paths, pieces, paths, optimize=True)
    by_design /= by_design.sum(axis=1, keepdims=True)
    studies = part.arms.studies
    divide = np.zeros((len(designs), len(studies)))
    for number, design in enumerate(designs):
        weights = [
            float(np.sum(_off_diagonal(cross_products(design.events[k : k + 1], design.total[k : k + 1]))))
            for k in range(len(design.studies))
        ]
        for study, weight in zip(design.studies, weights, strict=True):
            divide[number, studies.index(study)] = weight / sum(weights)
    return Contributions(
        pairs=pairs,
        studies=studies,
        designs=tuple(design.name for design in designs),
        by_study=by_design @ divide,
        by_design=by_design,
    )


def _off_diagonal(matrix: FloatArray) -> FloatArray:
    return np.asarray(matrix - np.diag(np.diag(matrix)))


def design_direct_estimates(part: NetworkPart) -> Direct:
    """Return the evidence of the designs that compare each pair directly."""
    _, estimates, _ = _stage_one(part.arms, part.techniques)
    found = {}
    for one, two in direct_pairs(part.arms):
        i, j = part.techniques.index(one), part.techniques.index(two)
        weight = total = 0.0
        for design in estimates:
            column = design.column.tolist()
            if i not in column or j not in column:
                continue
            a, b = column.index(i), column.index(j)
            cov = design.covariance
            precision = 1.0 / float(cov[a, a] + cov[b, b] - 2 * cov[a, b])
            weight += precision
            total += precision * float(design.estimate[a] - design.estimate[b])
        reach = quantile(part.quantile_df, part.level)
        found[one, two] = of_direct(part.contrast(one, two), total / weight, math.sqrt(1.0 / weight), reach)
    return found
