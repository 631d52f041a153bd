"""The models of a network: how arms are prepared, fitted, and what can be said beside the estimates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from metakit.errors import MetakitError, NotEstimableError, UnknownNameError
from metakit.models.inference import INFERENCES, RARE
from metakit.networks.arms import NetworkArms, as_counted, corrected_by_size
from metakit.networks.evidence import Contributions, Direct, contributions, direct_estimates
from metakit.networks.inconsistency import Inconsistency, inconsistency
from metakit.networks.inference import (
    FEW_STUDIES,
    fit_part_half_normal,
    fit_part_hartung_knapp,
    spread_scale,
)
from metakit.networks.mantel_haenszel import NAME as MANTEL_HAENSZEL
from metakit.networks.mantel_haenszel import (
    design_contributions,
    design_direct_estimates,
    design_inconsistency,
    estimable_arms,
    fit_mantel_haenszel,
)
from metakit.networks.model import NetworkPart, fit_part
from metakit.networks.one_stage import COMMON, fit_part_one_stage, without_separated
from metakit.networks.one_stage import NAME as ONE_STAGE


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkModel:
    """One model of a network.

    `prepare` leaves out, by name, what the model cannot use; `fit` gets one connected part, the tau2
    estimator and the level. `inconsistency`, `contributions` and `direct` are None where the model has none.
    `arm_values` says whether the model regresses arm values (thresholds follow from them). `references` are
    keys of the bibliography. `inference` names the default rule, "" for models that are asked for by name.
    """

    name: str
    prepare: Callable[[NetworkArms], NetworkArms] | None
    fit: Callable[[NetworkArms, str, float], NetworkPart]
    inconsistency: Callable[[NetworkPart], Inconsistency] | None
    contributions: Callable[[NetworkPart], Contributions] | None
    direct: Callable[[NetworkPart], Direct] | None
    arm_values: bool
    references: tuple[str, ...]
    inference: str = ""


def _mantel_haenszel_arms(arms: NetworkArms) -> NetworkArms:
    left, aside = estimable_arms(as_counted(arms, MANTEL_HAENSZEL))
    return replace(left, set_aside=(*left.set_aside, *aside))


def _one_stage_arms(arms: NetworkArms) -> NetworkArms:
    return without_separated(as_counted(arms, ONE_STAGE))


_ENTRIES = (
    NetworkModel(
        name="random_effects",
        prepare=None,
        fit=lambda arms, tau2, level: fit_part(arms, model="random_effects", tau2=tau2, level=level),
        inconsistency=inconsistency,
        contributions=contributions,
        direct=direct_estimates,
        arm_values=True,
        references=("lu_ades_2004", "rucker_2012"),
    ),
    NetworkModel(
        name="common_effect",
        prepare=None,
        fit=lambda arms, tau2, level: fit_part(arms, model="common_effect", level=level),
        inconsistency=inconsistency,
        contributions=contributions,
        direct=direct_estimates,
        arm_values=True,
        references=("lu_ades_2004", "rucker_2012"),
    ),
    NetworkModel(
        name=MANTEL_HAENSZEL,
        prepare=_mantel_haenszel_arms,
        fit=lambda arms, tau2, level: fit_mantel_haenszel(arms, level=level),
        inconsistency=design_inconsistency,
        contributions=design_contributions,
        direct=design_direct_estimates,
        arm_values=False,
        references=("efthimiou_2019", "greenland_1989", "robins_breslow_greenland_1986"),
    ),
    NetworkModel(
        name=ONE_STAGE,
        prepare=_one_stage_arms,
        fit=lambda arms, tau2, level: fit_part_one_stage(arms, heterogeneous=True, level=level),
        inconsistency=None,
        contributions=None,
        direct=None,
        arm_values=False,
        references=("dias_2013", "jackson_2018"),
    ),
    NetworkModel(
        name=COMMON,
        prepare=_one_stage_arms,
        fit=lambda arms, tau2, level: fit_part_one_stage(arms, heterogeneous=False, level=level),
        inconsistency=None,
        contributions=None,
        direct=None,
        arm_values=False,
        references=("dias_2013", "jackson_2018"),
    ),
)
NETWORK_MODELS: Mapping[str, NetworkModel] = MappingProxyType({entry.name: entry for entry in _ENTRIES})


def _inference(name: str, fit: Callable[[NetworkArms, str, float], NetworkPart], *more: str) -> NetworkModel:
    return NetworkModel(
        name="random_effects",
        prepare=corrected_by_size,
        fit=fit,
        inconsistency=inconsistency,
        contributions=contributions,
        direct=direct_estimates,
        arm_values=True,
        references=("lu_ades_2004", "rucker_2012", *INFERENCES[name].references, *more),
        inference=name,
    )


NETWORK_INFERENCES: Mapping[str, NetworkModel] = MappingProxyType(
    {
        "half_normal": _inference(
            "half_normal", lambda arms, tau2, level: fit_part_half_normal(arms, level=level)
        ),
        "hartung_knapp": _inference(
            "hartung_knapp",
            lambda arms, tau2, level: fit_part_hartung_knapp(arms, level=level),
            "jackson_riley_2014",
        ),
    }
)
"""The rules that answer when neither model nor estimator is named."""


def network_model(name: str) -> NetworkModel:
    """Return a model by name.

    Raises
    ------
    UnknownNameError
        With the nearest names.
    """
    if name not in NETWORK_MODELS:
        raise UnknownNameError("network model", name, NETWORK_MODELS)
    return NETWORK_MODELS[name]


def network_inference(arms: NetworkArms, name: str) -> tuple[NetworkModel, str]:
    """Return the rule of this name for these arms, and a note where another must stand in.

    Raises
    ------
    UnknownNameError
        With the nearest names.
    """
    name = INFERENCES[name].name
    if name == "half_normal" and spread_scale(arms) is None:
        measure = arms.measure.replace("_", " ")
        return NETWORK_INFERENCES["hartung_knapp"], (
            f"No prior is stated for how far the {measure} differs between centres here, so that its spread "
            "is estimated by REML with Hartung-Knapp errors."
        )
    return NETWORK_INFERENCES[name], ""


def beside(part: NetworkPart) -> dict[str, NetworkPart]:
    """Return the same part under the other rule, with twice the prior's scale, and by its counts.

    `twice_the_spread` where studies are few, `mantel_haenszel` where events are rare and it has an
    answer; nothing for a model that was named.
    """
    if not part.inference:
        return {}
    arms, level, found = part.arms, part.level, {}
    other = "hartung_knapp" if part.inference == "half_normal" else "half_normal"
    attempts: list[tuple[str, Callable[[], NetworkPart]]] = [
        (other, lambda: NETWORK_INFERENCES[other].fit(arms, "", level))
    ]
    scale = spread_scale(arms)
    if len(arms.studies) <= FEW_STUDIES and scale is not None:
        attempts.append(
            ("twice_the_spread", lambda: fit_part_half_normal(arms, level=level, scale=2 * scale))
        )
    if arms.measure == "odds_ratio" and overall_risk(arms) < RARE:
        attempts.append((MANTEL_HAENSZEL, lambda: _whole_by_counts(arms, level)))
    for name, fit in attempts:
        try:
            found[name] = fit()
        except MetakitError:
            continue  # what has no answer does not stand beside one
    return found


def overall_risk(arms: NetworkArms) -> float:
    """Return all events over all thumbs of a network, 1 where they are not known."""
    if not {"events", "total"} <= set(arms.data):
        return 1.0
    return float(arms.data["events"].sum() / arms.data["total"].sum())


def _whole_by_counts(arms: NetworkArms, level: float) -> NetworkPart:
    kept = _mantel_haenszel_arms(arms)
    if kept.techniques != arms.techniques:
        raise NotEstimableError("some technique has no Mantel-Haenszel estimate")
    return fit_mantel_haenszel(kept, level=level)
