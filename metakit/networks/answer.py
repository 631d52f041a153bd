"""A network's answer as JSON: the fixed keys of the command line, on the analysis scale."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from metakit.core.limits import TestStatistic
from metakit.networks.arms import NetworkArms
from metakit.networks.characteristics import Characteristic
from metakit.networks.components import ComponentModel
from metakit.networks.evidence import Contributions, Direct, evidence_on
from metakit.networks.funnel import ComparisonAdjustedFunnel
from metakit.networks.inconsistency import Inconsistency
from metakit.networks.model import NetworkPart
from metakit.networks.moderators import NetworkModerator
from metakit.networks.ranking import Ranking
from metakit.networks.thresholds import Threshold


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartAnalysis:
    """One connected part with all that is said about it; `ranking` is None where ranks would mislead.

    `beside` holds the same part under other rules, nothing where a model was named.
    """

    part: NetworkPart
    reference: str
    inconsistency: Inconsistency | None
    contributions: Contributions | None
    direct: Direct | None
    ranking: Ranking | None
    thresholds: tuple[Threshold, ...]
    notes: tuple[str, ...]
    beside: Mapping[str, NetworkPart] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NetworkAnalysis:
    """All parts of a network, the one with the reference first, and the component model if asked for."""

    arms: NetworkArms
    parts: tuple[PartAnalysis, ...]
    components: ComponentModel | None
    notes: tuple[str, ...]
    moderator: NetworkModerator | None = None
    characteristics: tuple[Characteristic, ...] = ()
    funnel: ComparisonAdjustedFunnel | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the answer in the fixed form of the command line; the first part stands at the top."""
        return network_json(self)


def network_json(found: NetworkAnalysis) -> dict[str, Any]:
    """Return the answer; the first part stands at the top, the others under `other_parts`."""
    first = found.parts[0]
    answer: dict[str, Any] = {
        "measure": found.arms.measure,
        "model": first.part.model,
        "tau2_estimator": first.part.tau2_estimator or None,
        "inference": first.part.inference or None,
        **_part_json(first),
        "components": None,
        "additivity": None,
        "other_parts": [_part_json(part) for part in found.parts[1:]],
        "set_aside": [{"study": item.study, "reason": item.reason} for item in found.arms.set_aside],
        "assumptions": [str(item) for item in found.arms.assumptions],
        "notes": [*found.notes, *(note for part in found.parts for note in part.notes)],
        "moderator": _moderator_json(found.moderator) if found.moderator else None,
        "characteristics": [_characteristic_json(row) for row in found.characteristics],
        "comparison_adjusted_funnel": _funnel_json(found.funnel) if found.funnel else None,
        "converged": True,
    }
    if found.components is not None:
        answer["components"] = [
            {
                "component": effect.component,
                "estimate": effect.estimate,
                "standard_error": effect.standard_error,
                "interval": list(effect.interval) if effect.interval else None,
                "p_value": effect.p_value,
                "tied_with": list(effect.tied_with),
            }
            for effect in found.components.effects
        ]
        answer["additivity"] = _q(found.components.additivity)
        answer["notes"] += found.components.notes
    for extra in (found.moderator, found.funnel):
        answer["notes"] += extra.notes if extra else ()
    return answer


def _part_json(item: PartAnalysis) -> dict[str, Any]:
    part = item.part
    comparisons = []
    for contrast in part.contrasts():
        pair = (contrast.technique, contrast.comparator)
        known = evidence_on(item.direct or {}, pair)
        direct = direct_error = None
        indirect = indirect_error = None
        share = 0.0
        if known is not None:
            direct, direct_error, share = known.estimate, known.standard_error, known.share
            indirect, indirect_error = known.indirect, known.indirect_error
        elif item.direct is not None:
            indirect, indirect_error = contrast.estimate, contrast.standard_error
        comparisons.append(
            {
                "technique": contrast.technique,
                "comparator": contrast.comparator,
                "estimate": contrast.estimate,
                "standard_error": contrast.standard_error,
                "interval": list(contrast.interval),
                "prediction_interval": list(contrast.prediction) if contrast.prediction else None,
                "direct": direct,
                "direct_standard_error": direct_error,
                "indirect": indirect,
                "indirect_standard_error": indirect_error,
                "direct_share": share if item.direct is not None else None,
                "beside": {name: _beside_json(other, pair) for name, other in item.beside.items()},
            }
        )
    found = item.inconsistency
    answer: dict[str, Any] = {
        "reference": item.reference,
        "tau2": None if part.model == "mantel_haenszel" else part.tau2,
        "tau2_interval": list(part.tau2_interval) if part.tau2_interval else None,
        "prior_scale": part.scale or None,
        "k": len(part.arms.studies),
        "techniques": list(part.techniques),
        "q": _q(part.q),
        "comparisons": comparisons,
        "inconsistency": _inconsistency_json(found) if found else None,
        "ranking": None,
        "contributions": None,
        "thresholds": [
            {
                "study": row.study,
                "technique": row.technique,
                "down": row.down if math.isfinite(row.down) else None,
                "up": row.up if math.isfinite(row.up) else None,
                "next_down": row.next_down or None,
                "next_up": row.next_up or None,
            }
            for row in item.thresholds
        ],
    }
    if item.contributions is not None:
        answer["contributions"] = {
            "comparisons": [list(pair) for pair in item.contributions.pairs],
            "studies": list(item.contributions.studies),
            "fractions": item.contributions.by_study.tolist(),
        }
    if item.ranking is not None:
        order = sorted(range(len(part.techniques)), key=lambda n: -float(item.ranking.p_scores[n]))  # type: ignore[union-attr]
        answer["ranking"] = [
            {
                "technique": item.ranking.techniques[n],
                "p_score": float(item.ranking.p_scores[n]),
                "rank_probabilities": item.ranking.rank_probabilities[n].tolist(),
                "mean_rank": float(item.ranking.mean_ranks[n]),
                "rank_interval": item.ranking.rank_intervals[n].tolist(),
            }
            for n in order
        ]
    return answer


def _beside_json(part: NetworkPart, pair: tuple[str, str]) -> dict[str, Any]:
    contrast = part.contrast(*pair)
    return {
        "estimate": contrast.estimate,
        "interval": list(contrast.interval),
        "prediction_interval": list(contrast.prediction) if contrast.prediction else None,
    }


def _inconsistency_json(found: Inconsistency) -> dict[str, Any]:
    return {
        "within_designs": _q(found.within_designs),
        "between_designs": _q(found.between_designs),
        "design_by_treatment": _q(found.design_by_treatment),
        "node_splits": [
            {
                "technique": split.technique,
                "comparator": split.comparator,
                "direct": split.direct,
                "indirect": split.indirect,
                "difference": split.difference,
                "standard_error": split.difference_error,
                "interval": list(split.interval),
                "p_value": split.p_value,
            }
            for split in found.splits
        ],
    }


def _q(test: TestStatistic | None) -> dict[str, float] | None:
    return test._asdict() if test else None


def _moderator_json(found: NetworkModerator) -> dict[str, Any]:
    return {
        "name": found.name,
        "form": found.form,
        "reference": found.reference,
        "k": found.studies,
        "centre": found.mean,
        "lowest": found.lowest,
        "highest": found.highest,
        "coefficients": [
            {
                "technique": item.technique or None,
                "estimate": item.estimate,
                "standard_error": item.standard_error,
                "interval": list(item.interval) if item.interval else None,
                "p_value": item.p_value,
                "reason_not_estimable": item.reason or None,
            }
            for item in found.coefficients
        ],
        "effects": [
            {
                "technique": item.technique,
                "value": item.value,
                "estimate": item.estimate,
                "standard_error": item.standard_error,
                "interval": list(item.interval),
            }
            for item in found.effects
        ],
        "tau2": found.tau2,
        "tau2_without": found.tau2_without,
        "q_residual": _q(found.q_residual),
        "test": _q(found.test),
        "set_aside": [{"study": item.study, "reason": item.reason} for item in found.set_aside],
    }


def _characteristic_json(row: Characteristic) -> dict[str, Any]:
    return {
        "name": row.name,
        "technique": row.technique,
        "comparator": row.comparator,
        "studies": row.studies,
        "known": row.known,
        "mean": row.mean,
        "lowest": row.lowest,
        "highest": row.highest,
        "counts": dict(row.counts),
        "missing": list(row.missing),
    }


def _funnel_json(found: ComparisonAdjustedFunnel) -> dict[str, Any]:
    return {
        "order": list(found.order),
        "contrasts": [
            {
                "study": item.study,
                "technique": item.technique,
                "comparator": item.comparator,
                "effect": item.effect,
                "comparison_mean": item.comparison_mean,
                "centred": item.centred,
                "standard_error": item.standard_error,
            }
            for item in found.contrasts
        ],
    }
