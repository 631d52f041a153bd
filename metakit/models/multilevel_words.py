"""What an answer from dependent effects says of itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from metakit.core.effects import EffectTable
from metakit.core.results import MeanInterval
from metakit.errors import UnknownNameError, UsageError
from metakit.models.assembly import back_transform
from metakit.numerics.multilevel import Clusters, ThreeLevelFit

FEWEST_DF = 4.0
"""Below these degrees of freedom the robust test is known to be off (Tipton 2015)."""


def _labels(effects: EffectTable, cluster: str | Sequence[object]) -> tuple[object, ...]:
    if isinstance(cluster, str):
        if cluster not in effects.moderators:
            raise UnknownNameError("cluster column", cluster, effects.moderators)
        return tuple(effects.moderators[cluster])
    if len(cluster) != len(effects):
        raise UsageError(f"{len(cluster)} cluster labels were given for {len(effects)} effects")
    return tuple(cluster)


def _is_blank(label: object) -> bool:
    return label is None or label != label or str(label).strip() == ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """The answer under another sampling correlation."""

    correlation: float
    estimate: float
    error: float


def _side_words(effects: EffectTable, sides: Sequence[_Side], assumed: float) -> tuple[str, ...]:
    back = back_transform(effects)
    parts = [
        f"{side.correlation:g}: {back(side.estimate):.3g} (robust standard error {side.error:.3g} on the "
        "analysis scale)"
        for side in sides
    ]
    return (
        f"The sampling correlation within clusters is assumed, {assumed:g}; with other values: "
        f"{'; '.join(parts)}.",
    )


def _words(
    data: Clusters,
    fit: ThreeLevelFit,
    made: Mapping[str, MeanInterval],
    blank: tuple[str, ...],
    correlation: float,
) -> list[str]:
    n = int(data.present.sum())
    name = "correlated-and-hierarchical-effects" if correlation > 0 else "three-level"
    notes = [f"{n} effects in {data.count} clusters, {name} working model by REML."]
    if blank:
        notes.append(f"Without a cluster label, each a cluster of its own: {', '.join(blank)}.")
    if not data.nested:
        notes.append(
            "Every cluster has one effect: the variances between and within clusters cannot be told apart, "
            "and the model is the ordinary random-effects model."
        )
    df = made["cluster_robust"].df
    if df < FEWEST_DF:
        notes.append(
            f"Caution: the cluster-robust interval rests on {df:.2g} degrees of freedom, fewer than "
            f"{FEWEST_DF:g}; its level cannot be trusted (Tipton 2015). Choose one effect a cluster, or "
            "show the clusters."
        )
    if data.nested and (fit.between == 0 or fit.within == 0):
        zero = [
            place
            for place, value in (("between clusters", fit.between), ("within clusters", fit.within))
            if value == 0
        ]
        notes.append(f"The variance {' and '.join(zero)} is estimated as 0, its boundary.")
    return notes
