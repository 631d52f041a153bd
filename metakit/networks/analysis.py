"""Everything about one network in one answer: estimates, inconsistency, evidence, ranking, components."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from metakit.errors import NotEstimableError, UsageError, nearest_names
from metakit.models.inference import DEFAULT_INFERENCE
from metakit.networks.answer import NetworkAnalysis, PartAnalysis
from metakit.networks.arms import NetworkArms
from metakit.networks.characteristics import Value, characteristics_by_comparison
from metakit.networks.components import JOIN, fit_components
from metakit.networks.funnel import comparison_adjusted_funnel
from metakit.networks.model import connected_parts
from metakit.networks.models import NetworkModel, beside, network_inference, network_model
from metakit.networks.moderators import fit_moderator
from metakit.networks.ranking import Ranking, rank
from metakit.networks.thresholds import Threshold, thresholds


@dataclass(frozen=True, slots=True, kw_only=True)
class Moderator:
    """A characteristic of the studies and the form of its coefficients (`moderators.FORMS`)."""

    name: str
    values: Mapping[str, float | None]
    form: str = "per_technique"


FEWEST_TO_RANK = 3
COUNTED = ("odds_ratio", "risk_ratio", "risk_difference", "rate_ratio")
FEWER_ASSUMED = (
    "Ranks take fewer events as better, as nobody said otherwise; --better higher (in Python "
    "lower_is_better=False) turns them round."
)


def analyse_network(
    arms: NetworkArms,
    *,
    model: str | None = None,
    tau2: str | None = None,
    inference: str = DEFAULT_INFERENCE,
    reference: str | None = None,
    components: bool = False,
    interactions: Sequence[str] = (),
    lower_is_better: bool | None = None,
    level: float = 0.95,
    moderator: Moderator | None = None,
    characteristics: Mapping[str, Mapping[str, Value]] | None = None,
    order: Sequence[str] = (),
) -> NetworkAnalysis:
    """Analyse every connected part of a network.

    Parameters
    ----------
    arms : NetworkArms
    model, tau2 : str, optional
        Names in NETWORK_MODELS and of an estimator; naming one computes exactly that.
    inference : {"half_normal", "hartung_knapp"}
        The rule where neither is named; the other stands beside it.
    reference : str, optional
        Technique that others are shown against; the one with most studies when left out.
    components : bool
        Also fit the additive component model (techniques written `part+part`).
    lower_is_better : bool, optional
        For ranks; True for counts when left out, and no ranks for means.
    moderator : Moderator, optional
        A characteristic of the studies that may change effects, in the part of the reference.
    characteristics : mapping of name to mapping of study to value, optional
        Described by comparison, to judge whether indirect comparisons hold.
    order : sequence of str, optional
        Techniques of the first part from the oldest to the newest, for the comparison-adjusted funnel.

    Raises
    ------
    NotEstimableError
        If the reference is no technique of the network, or the moderator cannot be judged.
    UsageError
        If the model has no components, moderators or funnel.
    """
    if reference is not None and reference not in arms.techniques:
        raise NotEstimableError(
            f"no study has the reference {reference!r}; {nearest_names(reference, arms.techniques)}"
        )
    assumed = lower_is_better is None and arms.measure in COUNTED
    if assumed:
        lower_is_better = True
    if model is None and tau2 is None:
        chosen, note = network_inference(arms, inference)
        notes = [note] if note else []
    else:
        chosen, notes = network_model(model or "random_effects"), []
    tau2 = tau2 or "reml"
    if chosen.prepare is not None:
        whole, arms = arms, chosen.prepare(arms)
        notes += _left_out(whole, arms, chosen.name)
        if reference is not None and reference not in arms.techniques:
            raise NotEstimableError(notes[-1])
    parts = [
        _analyse(part, chosen, tau2, reference, lower_is_better, level) for part in connected_parts(arms)
    ]
    if reference is not None:
        parts.sort(key=lambda item: reference not in item.part.techniques)
    if assumed and any(item.ranking is not None for item in parts):
        notes.append(FEWER_ASSUMED)
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
                f"common_effect, not {chosen.name}"
            )
        model_of_parts = fit_components(
            arms, interactions=interactions, inactive=_no_part(arms, parts[0].reference), model=chosen.name,
            tau2=tau2, inference=chosen.inference, level=level,
        )  # fmt: skip
    regression = None
    if moderator is not None:
        regression = fit_moderator(
            arms, moderator.name, moderator.values, reference=parts[0].reference, form=moderator.form,
            model=chosen.name, tau2=tau2, inference=chosen.inference, level=level,
        )  # fmt: skip
    if order and not chosen.arm_values:
        raise UsageError(
            f"the comparison-adjusted funnel goes with random_effects or common_effect, not {chosen.name}"
        )
    return NetworkAnalysis(
        arms=arms,
        parts=tuple(parts),
        components=model_of_parts,
        notes=tuple(notes),
        moderator=regression,
        characteristics=characteristics_by_comparison(arms, characteristics) if characteristics else (),
        funnel=comparison_adjusted_funnel(parts[0].part, order) if order else None,
    )


def _no_part(arms: NetworkArms, reference: str) -> tuple[str, ...]:
    """Return the reference where it is no part of an operation: one word, in every technique or in no other.

    What all others hold cancels, and what none of them holds is what their parts are told against.
    """
    sets = [{part.strip() for part in name.split(JOIN)} for name in arms.techniques if name != reference]
    everywhere = all(reference in parts for parts in sets)
    nowhere = not any(reference in parts for parts in sets)
    return (reference,) if JOIN not in reference and (everywhere or nowhere) else ()


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
    if part.df <= 0 and len(arms.studies) > 1 and part.tau2_estimator and part.posterior is None:
        notes.append(
            "Every comparison has one study: how much studies differ cannot be told (tau\u00b2 is 0)."
        )
    if part.df <= 0 and part.posterior is not None:
        notes.append("Every comparison has one study: how much studies differ comes from its prior alone.")
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
        beside=beside(part),
    )


def _most_studied(arms: NetworkArms) -> str:
    return max(arms.techniques, key=lambda name: (arms.technique.count(name), name))
