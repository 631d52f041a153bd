"""Usual abbreviations of measures, models and estimators, understood where a name is asked for, and told.

They are those of handbooks and methods papers: RR, OR, HR, RD, MD, SMD, and for estimators those of Veroniki
et al. (2016), from memory. A name in other letters or with spaces ("Risk ratio", "paule-mandel") is
understood too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

_MEASURES = {
    "rr": "risk_ratio", "relative_risk": "risk_ratio", "or": "odds_ratio", "peto_or": "peto_odds_ratio",
    "rd": "risk_difference", "ard": "risk_difference", "absolute_risk_difference": "risk_difference",
    "irr": "rate_ratio", "incidence_rate_ratio": "rate_ratio", "hr": "hazard_ratio", "md": "mean_difference",
    "wmd": "mean_difference", "weighted_mean_difference": "mean_difference",
    "difference_in_means": "mean_difference", "smd": "standardized_mean_difference",
    "standardised_mean_difference": "standardized_mean_difference", "rom": "ratio_of_means",
    "incidence_rate": "rate",
}  # fmt: skip
_HARTUNG_KNAPP = {"hk": "hartung_knapp", "hksj": "hartung_knapp", "knapp_hartung": "hartung_knapp"}
ABBREVIATIONS: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "measure": _MEASURES,
        "network_measure": _MEASURES,
        "model": {
            "mh": "mantel_haenszel", "iv": "random_effects", "random": "random_effects",
            "fixed": "common_effect", "fixed_effect": "common_effect", "common": "common_effect",
            "glmm": "one_stage",
        },
        "tau2": {
            "dl": "dersimonian_laird", "pm": "paule_mandel", "ml": "maximum_likelihood",
            "ho": "hedges_olkin", "sj": "sidik_jonkman", "hs": "hunter_schmidt", "eb": "empirical_bayes",
            "restricted_maximum_likelihood": "reml",
        },
        "interval": {**_HARTUNG_KNAPP, "pl": "profile_likelihood"},
        "inference": _HARTUNG_KNAPP,
        "prediction": _HARTUNG_KNAPP,
    }
)  # fmt: skip


def full_name(kind: str, typed: str, names: Callable[[], Iterable[str]]) -> str:
    """Return the name that was meant; what is not understood comes back as it was typed.

    Parameters
    ----------
    kind, typed : str
        What is asked for ("measure"), and what was typed.
    names : callable
        Gives the names of that kind; called only where spelling has to be looked up.

    Examples
    --------
    >>> full_name("measure", "RR", tuple)
    'risk_ratio'
    >>> full_name("tau2", "Paule-Mandel", lambda: ["reml", "paule_mandel"])
    'paule_mandel'
    """
    folded = re.sub(r"[\s\-–]+", "_", typed.strip().casefold())
    meant = ABBREVIATIONS.get(kind, {}).get(folded, folded)
    if meant == typed:
        return typed
    return meant if meant != folded or meant in set(names()) else typed
