"""The models of a network: how arms are prepared, fitted, and what can be said beside the estimates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from metakit.errors import UnknownNameError
from metakit.network.arms import NetworkArms, as_counted
from metakit.network.evidence import Contributions, contributions, direct_estimates
from metakit.network.inconsistency import Inconsistency, inconsistency
from metakit.network.mantel_haenszel import NAME as MANTEL_HAENSZEL
from metakit.network.mantel_haenszel import (
    design_contributions,
    design_direct_estimates,
    design_inconsistency,
    estimable_arms,
    fit_mantel_haenszel,
)
from metakit.network.model import NetworkPart, fit_part
from metakit.network.one_stage import COMMON, fit_part_one_stage, without_separated
from metakit.network.one_stage import NAME as ONE_STAGE

Direct = Mapping[tuple[str, str], tuple[float, float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkModel:
    """One model of a network.

    `prepare` leaves out, by name, what the model cannot use; `fit` gets one connected part, the tau2
    estimator and the level. `inconsistency`, `contributions` and `direct` are None where the model has none.
    `arm_values` says whether the model regresses arm values (thresholds follow from them). `references` are
    keys of the bibliography.
    """

    name: str
    prepare: Callable[[NetworkArms], NetworkArms] | None
    fit: Callable[[NetworkArms, str, float], NetworkPart]
    inconsistency: Callable[[NetworkPart], Inconsistency] | None
    contributions: Callable[[NetworkPart], Contributions] | None
    direct: Callable[[NetworkPart], Direct] | None
    arm_values: bool
    references: tuple[str, ...]


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
