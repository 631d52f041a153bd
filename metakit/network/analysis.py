"""Everything about one network in one answer: estimates, inconsistency, evidence, ranking, components."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from metakit.core.results import TestStatistic
from metakit.errors import NotEstimableError, UsageError, nearest_names
from metakit.network.arms import NetworkArms
from metakit.network.components import ComponentModel, fit_components
from metakit.network.evidence import Contributions
from metakit.network.inconsistency import Inconsistency
from metakit.network.model import NetworkPart, connected_parts
from metakit.network.models import Direct, NetworkModel, network_model
from metakit.network.ranking import Ranking, rank
from metakit.network.thresholds import Threshold, thresholds

FEWEST_TO_RANK = 3
COUNTED = ("odds_ratio", "risk_ratio", "risk_difference", "rate_ratio")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartAnalysis:
    """One connected part with all that is said about it; `ranking` is None where ranks would mislead."""

    part: NetworkPart
    reference: str
    inconsistency: Inconsistency | None
    contributions: Contributions | None
    direct: Direct | None
    ranking: Ranking | None
    thresholds: tuple[Threshold, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NetworkAnalysis:
    """All parts of a network, the one with the reference first, and the component model if asked for."""

    arms: NetworkArms
    parts: tuple[PartAnalysis, ...]
    components: ComponentModel | None
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the answer in the fixed form of the command line; the first part stands at the top."""
        first = self.parts[0]
        answer: dict[str, Any] = {
            "measure": self.arms.measure,
            "model": first.part.model,
            "tau2_estimator": first.part.tau2_estimator or None,
            **_part_json(first),
            "components": None,
            "additivity": None,
            "other_parts": [_part_json(part) for part in self.parts[1:]],
            "set_aside": [{"study": item.study, "reason": item.reason} for item in self.arms.set_aside],
            "assumptions": [str(item) for item in self.arms.assumptions],
            "notes": [*self.notes, *(note for part in self.parts for note in part.notes)],
            "converged": True,
        }
        if self.components is not None:
            answer["components"] = [
                {
                    "component": effect.component,
                    "estimate": effect.estimate,
                    "standard_error": effect.standard_error,
                    "interval": list(effect.interval) if effect.interval else None,
                    "p_value": effect.p_value,
                    "tied_with": list(effect.tied_with),
                }
                for effect in self.components.effects
            ]
            answer["additivity"] = _q(self.components.additivity)
            answer["notes"] += self.components.notes
        return answer


def analyse_network(
    arms: NetworkArms,
    *,
    model: str = "random_effects",
    tau2: str = "reml",
    reference: str | None = None,
    components: bool = False,
    interactions: Sequence[str] = (),
    lower_is_better: bool | None = None,
    level: float = 0.95,
) -> NetworkAnalysis:
    """Analyse every connected part of a network.

    Parameters
    ----------
    arms : NetworkArms
    reference : str, optional
        Technique that others are shown against; the one with most studies when left out.
    components : bool
        Also fit the additive component model (techniques written `part+part`).
    lower_is_better : bool, optional
        For ranks; True for counts when left out, and no ranks for means.

    Raises
    ------
    NotEstimableError
        If the reference is no technique of the network.
    """
    if reference is not None and reference not in arms.techniques:
        raise NotEstimableError(
            f"no study has the reference {reference!r}; {nearest_names(reference, arms.techniques)}"
        )
    if lower_is_better is None and arms.measure in COUNTED:
        lower_is_better = True
    chosen = network_model(model)
    notes: list[str] = []
    if chosen.prepare is not None:
        whole, arms = arms, chosen.prepare(arms)
        notes += _left_out(whole, arms, model)
        if reference is not None and reference not in arms.techniques:
            raise NotEstimableError(notes[-1])
    parts = [
        _analyse(part, chosen, tau2, reference, lower_is_better, level) for part in connected_parts(arms)
    ]
    if reference is not None:
        parts.sort(key=lambda item: reference not in item.part.techniques)
    if len(parts) > 1:
        named = "; ".join(", ".join(part.part.techniques) for part in parts)
        notes.append(
            f"The studies form {len(parts)} networks that no study connects: {named}. Each stands alone."
        )
    model_of_parts = None
    if components:
        if not chosen.arm_values:
            raise UsageError(
                f"the component model regresses arm values: --components goes with random_effects or "
                f"common_effect, not {model}"
            )
        model_of_parts = fit_components(arms, interactions=interactions, model=model, tau2=tau2, level=level)
    return NetworkAnalysis(arms=arms, parts=tuple(parts), components=model_of_parts, notes=tuple(notes))


def _left_out(whole: NetworkArms, arms: NetworkArms, model: str) -> list[str]:
    """Name the techniques that a model lost with all their arms."""
    gone = [name for name in whole.techniques if name not in arms.techniques]
    if not gone:
        return []
    return [
        f"No {model} estimate for {', '.join(gone)}: no study has the events, or the thumbs without one, "
        "that it takes to set it against another technique (see what is set aside)."
    ]


def _analyse(
    arms: NetworkArms,
    model: NetworkModel,
    tau2: str,
    reference: str | None,
    lower_is_better: bool | None,
    level: float,
) -> PartAnalysis:
    part = model.fit(arms, tau2, level)
    chosen = reference if reference in part.techniques else _most_studied(arms)
    notes = []
    if len(arms.studies) == 1:
        notes.append(f"One study ({arms.studies[0]}): its own contrasts are shown, nothing is pooled.")
    if part.df <= 0 and len(arms.studies) > 1 and part.tau2_estimator:
        notes.append(
            "Every comparison has one study: how much studies differ cannot be told (tau\u00b2 is 0)."
        )
    notes += part.notes
    ranking: Ranking | None = None
    fragile: tuple[Threshold, ...] = ()
    if lower_is_better is None:
        notes.append("No ranks: say whether lower or higher is better.")
    elif len(part.techniques) < FEWEST_TO_RANK or len(arms.studies) < FEWEST_TO_RANK:
        notes.append(f"No ranks with fewer than {FEWEST_TO_RANK} techniques or studies.")
    else:
        ranking = rank(part, lower_is_better=lower_is_better)
        if model.arm_values:
            fragile = thresholds(part, lower_is_better=lower_is_better)
        notes.append(
            "Ranks say nothing about the size of differences or about certainty; read the intervals first."
        )
    found = model.inconsistency(part) if model.inconsistency else None
    return PartAnalysis(
        part=part,
        reference=chosen,
        inconsistency=found,
        contributions=model.contributions(part) if model.contributions else None,
        direct=model.direct(part) if model.direct else None,
        ranking=ranking,
        thresholds=fragile,
        notes=(*notes, *(found.notes if found else ())),
    )


def _most_studied(arms: NetworkArms) -> str:
    return max(arms.techniques, key=lambda name: (arms.technique.count(name), name))


def _part_json(item: PartAnalysis) -> dict[str, Any]:
    part = item.part
    comparisons = []
    for contrast in part.contrasts():
        pair = (contrast.technique, contrast.comparator)
        direct, direct_error, share = _direct(item.direct or {}, pair)
        indirect = indirect_error = None
        if direct is not None and direct_error is not None and share < 1 - 1e-9:
            # What is left when the direct evidence is taken out of the network's estimate, by inverse
            # variances.
            indirect = (contrast.estimate - share * direct) / (1 - share)
            indirect_error = contrast.standard_error / math.sqrt(1 - share)
        elif direct is None and item.direct is not None:
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
            }
        )
    found = item.inconsistency
    answer: dict[str, Any] = {
        "reference": item.reference,
        "tau2": None if part.model == "mantel_haenszel" else part.tau2,
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


def _direct(direct: Direct, pair: tuple[str, str]) -> tuple[float | None, float | None, float]:
    if pair in direct:
        return direct[pair]
    turned = direct.get((pair[1], pair[0]))
    return (-turned[0], turned[1], turned[2]) if turned else (None, None, 0.0)


def _q(test: TestStatistic | None) -> dict[str, float] | None:
    return test._asdict() if test else None
