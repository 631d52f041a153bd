"""A moderator in a network: a characteristic of studies that may change effects.

The study's value, centred, is multiplied with technique membership: one coefficient for every technique
against the reference (`per_technique`), or one that all techniques but the reference share (`common`).
Sources: Cooper 2009 (Stat Med 28:1861-1881), Dias 2013 (NICE Technical Support Document 3). A moderator of
studies says nothing about patients within them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.core.notes import SetAside
from metakit.errors import NotEstimableError, UnknownNameError, UsageError
from metakit.models.differing.coefficients import Coefficients
from metakit.networks.arms import NetworkArms
from metakit.networks.inference import posterior_of, spread_scale
from metakit.networks.model import chi_square, connected_parts, estimate_tau2, membership
from metakit.numerics.networks import arm_regression as kernel

FORMS = ("per_technique", "common")
FEWEST_DF = 4
"""Residual degrees of freedom below which the regression is refused (issue 6; common practice, no source)."""

FEW_STUDIES = 10
"""Studies a moderator below which a caution is due (Cochrane Handbook, section 10.11.5.1)."""

NULL = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeratorCoefficient:
    """Change of a technique's effect against the reference for one unit more of the moderator.

    `technique` is "" for the coefficient that all techniques share. None, with the reason, where the
    moderator does not vary among the studies that would tell.
    """

    technique: str
    estimate: float | None
    standard_error: float | None
    interval: Limits | None
    p_value: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectAtValue:
    """Effect of a technique against the reference where the moderator has this value."""

    technique: str
    value: float
    estimate: float
    standard_error: float
    interval: Limits


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NetworkModerator:
    """One moderator in one connected part.

    `test` asks whether all coefficients are zero; `tau2_without` is that of the same studies without the
    moderator. `effects` holds each technique at the lowest, mean and highest value of the studies.
    """

    name: str
    form: str
    reference: str
    studies: int
    mean: float
    lowest: float
    highest: float
    coefficients: tuple[ModeratorCoefficient, ...]
    effects: tuple[EffectAtValue, ...]
    tau2: float
    tau2_without: float
    q_residual: TestStatistic | None
    residual_df: int
    test: TestStatistic | None
    set_aside: tuple[SetAside, ...]
    notes: tuple[str, ...]


def fit_moderator(
    arms: NetworkArms,
    name: str,
    values: Mapping[str, float | None],
    *,
    reference: str,
    form: str = "per_technique",
    model: str = "random_effects",
    tau2: str = "reml",
    inference: str = "",
    level: float = 0.95,
) -> NetworkModerator:
    """Regress the network on a moderator of its studies.

    Parameters
    ----------
    arms : NetworkArms
    name : str
        Of the moderator, as shown.
    values : mapping of study to float or None
        None where the study has no value: it is set aside by name.
    reference : str
        Technique against which coefficients are given.
    form : {"per_technique", "common"}
    model : {"random_effects", "common_effect"}
    inference : {"", "half_normal", "hartung_knapp"}
        The rule for the spread; "" takes model and tau2 as named.

    Raises
    ------
    UsageError
        For a model that has no moderators.
    NotEstimableError
        Below 4 residual degrees of freedom, or where the moderator does not vary among the studies.
    """
    if form not in FORMS:
        raise UnknownNameError("form of a network moderator", form, FORMS)
    if model not in ("random_effects", "common_effect"):
        raise UsageError(f"moderators go with random_effects or common_effect, not with {model}")
    part, aside, notes = _part_with_values(arms, name, values, reference)
    known = {study: value for study, value in values.items() if value is not None and study in part.studies}
    column = np.array([known[study] for study in part.study])
    each = np.array([known[study] for study in part.studies])
    centre = float(each.mean())
    if float(np.ptp(each)) <= 1e-12 * max(1.0, abs(centre)):
        raise NotEstimableError(
            f"{name} is {centre:g} in every study of this network: nothing varies with it"
        )
    techniques = part.techniques
    x = membership(part, techniques)
    others = [n for n, technique in enumerate(techniques) if technique != reference]
    products = x[:, others] * (column - centre)[:, None]
    extra = products if form == "per_technique" else products.sum(axis=1, keepdims=True)
    wide = np.column_stack((x, extra))
    study, value, variance = part.study_index, part.value, part.variance
    common = kernel.fit_arms(wide, study, value, variance)
    if common.df < FEWEST_DF:
        raise NotEstimableError(
            f"{len(part.studies)} studies leave {common.df} residual degrees of freedom for {name} in this "
            f"network; at least {FEWEST_DF} are needed"
            + ("; the form common needs fewer" if form == "per_technique" else "")
        )
    if common.rank == len(techniques) - 1:
        raise NotEstimableError(f"{name} does not vary within any comparison: nothing can be told from it")
    random = model == "random_effects"
    scale = spread_scale(part) if inference == "half_normal" else None
    posterior = posterior_of(wide, part, scale) if scale is not None else None
    if posterior is not None and scale is not None:
        between = posterior.tau_quantile(0.5) ** 2
        without = posterior_of(x, part, scale).tau_quantile(0.5) ** 2
    else:
        between = estimate_tau2(wide, part, tau2)[0] if random else 0.0
        without = estimate_tau2(x, part, tau2)[0] if random else 0.0
    fit = kernel.fit_arms(wide, study, value, variance, between)
    factor = max(1.0, fit.q / fit.df) if inference and posterior is None else 1.0
    rule = Coefficients(
        values=fit.coefficients,
        covariance=factor * fit.covariance,
        df=float(fit.df) if inference and posterior is None else math.inf,
        posterior=posterior,
        level=level,
    )
    names = [techniques[n] for n in others] if form == "per_technique" else [""]
    coefficients = tuple(
        _coefficient(fit, rule, len(techniques) + n, technique, name) for n, technique in enumerate(names)
    )
    told = [len(techniques) + n for n, item in enumerate(coefficients) if item.estimate is not None]
    if len(part.studies) < FEW_STUDIES:
        notes.append(
            f"Only {len(part.studies)} studies have a value of {name}: fewer than {FEW_STUDIES} rarely "
            "tell a moderator from chance."
        )
    notes.append(
        f"{name} describes studies, not patients: a difference between studies need not hold between the "
        "patients of one study."
    )
    return NetworkModerator(
        name=name,
        form=form,
        reference=reference,
        studies=len(part.studies),
        mean=centre,
        lowest=float(each.min()),
        highest=float(each.max()),
        coefficients=coefficients,
        effects=_effects(fit, rule, techniques, others, form, reference, each),
        tau2=between,
        tau2_without=without,
        q_residual=chi_square(common.q, common.df),
        residual_df=common.df,
        test=rule.test(np.eye(len(fit.coefficients))[told]),
        set_aside=aside,
        notes=tuple(notes),
    )


def _part_with_values(
    arms: NetworkArms, name: str, values: Mapping[str, float | None], reference: str
) -> tuple[NetworkArms, tuple[SetAside, ...], list[str]]:
    """Return the connected part that holds the reference, of studies with a value; the others by name."""
    missing = [study for study in arms.studies if values.get(study) is None]
    aside = tuple(SetAside(study=study, reason=f"no value of {name}") for study in missing)
    left = arms.select(np.array([study not in missing for study in arms.study]))
    if not left.study:
        raise NotEstimableError(f"no study of this network has a value of {name}")
    notes = []
    if missing:
        notes.append(f"No value of {name}, so not in this regression: {', '.join(missing)}.")
    if reference not in left.techniques:
        raise NotEstimableError(f"no study with a value of {name} has the reference {reference}")
    parts = connected_parts(left)
    part = next(item for item in parts if reference in item.techniques)
    apart = [technique for item in parts if item is not part for technique in item.techniques]
    if apart:
        notes.append(f"Not connected with {reference} by studies with a value of {name}: {', '.join(apart)}.")
    return part, aside, notes


def _coefficient(
    fit: kernel.ArmFit, rule: Coefficients, place: int, technique: str, name: str
) -> ModeratorCoefficient:
    if fit.null_space.size and float(np.abs(fit.null_space[place]).max()) > NULL:
        return ModeratorCoefficient(
            technique=technique,
            estimate=None,
            standard_error=None,
            interval=None,
            p_value=None,
            reason=f"{name} does not vary among the studies that would tell",
        )
    estimate, error, interval, p_value = rule.tell(np.eye(len(fit.coefficients))[place])
    return ModeratorCoefficient(
        technique=technique, estimate=estimate, standard_error=error, interval=interval, p_value=p_value
    )


def _effects(
    fit: kernel.ArmFit, rule: Coefficients, techniques: tuple[str, ...], others: list[int], form: str,
    reference: str, each: FloatArray,
) -> tuple[EffectAtValue, ...]:  # fmt: skip
    found = []
    base = techniques.index(reference)
    for position, n in enumerate(others):
        for value in (float(each.min()), float(each.mean()), float(each.max())):
            row = np.zeros(len(fit.coefficients))
            row[n], row[base] = 1.0, -1.0
            row[len(techniques) + (position if form == "per_technique" else 0)] = value - float(each.mean())
            if fit.null_space.size and float(np.abs(row @ fit.null_space).max()) > NULL:
                continue
            estimate, error, interval, _ = rule.tell(row)
            found.append(
                EffectAtValue(
                    technique=techniques[n],
                    value=value,
                    estimate=estimate,
                    standard_error=error,
                    interval=interval,
                )
            )
    return tuple(found)
