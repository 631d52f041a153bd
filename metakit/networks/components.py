"""What does each part of an operation add? The additive component model, its test, and what it cannot tell.

Sources: Welton 2009, Rücker 2020. Arms are sets of components; an arm's value is the sum of its components'
effects (and of declared interactions) under study intercepts. Components that always come together cannot be
told apart: the null space of the information says which.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.limits import Limits, TestStatistic
from metakit.errors import NotEstimableError, UnknownNameError
from metakit.models.differing.coefficients import Coefficients
from metakit.networks.arms import NetworkArms
from metakit.networks.inference import FEWEST_DF, posterior_of, spread_scale
from metakit.networks.model import chi_square, connected_parts, estimate_tau2, membership
from metakit.numerics.networks import arm_regression as kernel

NULL_TOLERANCE = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class ComponentEffect:
    """Effect of adding one component (or interaction), everything else equal; None when not identifiable."""

    component: str
    estimate: float | None
    standard_error: float | None
    interval: Limits | None
    p_value: float | None
    tied_with: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """Predicted effect of one set of components against another."""

    components: tuple[str, ...]
    against: tuple[str, ...]
    estimate: float
    standard_error: float
    interval: Limits
    studied: bool
    across_parts: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ComponentModel:
    """Fitted additive model; `additivity` compares it with the full network (None: nothing to test)."""

    arms: NetworkArms
    columns: tuple[str, ...]
    inactive: tuple[str, ...]
    effects: tuple[ComponentEffect, ...]
    coefficients: FloatArray
    covariance: FloatArray
    null_space: FloatArray
    tau2: float
    tau2_estimator: str
    q: TestStatistic | None
    additivity: TestStatistic | None
    parts: int
    level: float
    notes: tuple[str, ...]
    rule: Coefficients
    inference: str = ""

    def predict(self, components: Sequence[str], against: Sequence[str]) -> Combination:
        """Predict one combination against another, also one that was never studied (then `studied` is False).

        Raises
        ------
        UnknownNameError
            For a component that no arm had.
        NotEstimableError
            If the contrast needs components that cannot be told apart.
        """
        known = {name for column in self.columns for name in column.split(INTERACTION)} | set(self.inactive)
        for name in (*components, *against):
            if name not in known:
                raise UnknownNameError("component of this network", name, known)
        row = component_row(components, self.columns) - component_row(against, self.columns)
        if self.null_space.size and float(np.max(np.abs(row @ self.null_space))) > NULL_TOLERANCE:
            raise NotEstimableError(
                f"{' + '.join(components)} against {' + '.join(against)} needs effects that these studies "
                "cannot tell apart; compare combinations that keep the tied components together"
            )
        estimate, error, interval, _ = self.rule.tell(row)
        groups = [set(part.technique) for part in connected_parts(self.arms)]
        names = [arm_name(components), arm_name(against)]
        studied = all(any(name in group for group in groups) for name in names)
        together = any(set(names) <= group for group in groups)
        return Combination(
            components=tuple(components),
            against=tuple(against),
            estimate=estimate,
            standard_error=error,
            interval=interval,
            studied=studied,
            across_parts=not together,
        )


INTERACTION = "*"
JOIN = "+"


def arm_name(components: Sequence[str]) -> str:
    """Return a set of components as a technique name, in alphabetical order."""
    return JOIN.join(sorted(set(components)))


def component_row(components: Sequence[str], columns: Sequence[str]) -> FloatArray:
    """Return 1 for each column (component, or interaction with all its members) that the set holds."""
    have = set(components)
    return np.array([1.0 if set(column.split(INTERACTION)) <= have else 0.0 for column in columns])


def fit_components(
    arms: NetworkArms,
    *,
    interactions: Sequence[str] = (),
    inactive: Sequence[str] = (),
    model: str = "random_effects",
    tau2: str = "reml",
    inference: str = "",
    level: float = 0.95,
) -> ComponentModel:
    """Fit the additive component model to all parts of a network at once.

    Parameters
    ----------
    arms : NetworkArms
        Techniques are sets written with '+' (`trapeziectomy_total+lr_fcr_slip`).
    interactions : sequence of str
        Declared beforehand, written `one*two`.
    inactive : sequence of str
        Components taken to have no effect (a reference such as `trapeziectomy_total`, when every arm has it).
    inference : {"", "half_normal", "hartung_knapp"}
        The rule for a spread that is integrated out or has refined errors; "" takes model and tau2 as named.
    """
    sets = {name: tuple(part.strip() for part in name.split(JOIN)) for name in arms.techniques}
    arms = _rename(arms, {name: arm_name(parts) for name, parts in sets.items()})
    names = sorted({part for parts in sets.values() for part in parts} - set(inactive))
    for interaction in interactions:
        for name in interaction.split(INTERACTION):
            if name not in names:
                raise UnknownNameError("component of an interaction", name, names)
    columns = (*names, *interactions)
    x = np.array([component_row(technique.split(JOIN), columns) for technique in arms.technique])
    study, value, variance = arms.study_index, arms.value, arms.variance
    scale = spread_scale(arms)
    posterior = None
    if inference == "half_normal" and scale is not None:
        posterior = posterior_of(x, arms, scale)
        between = posterior.tau_quantile(0.5) ** 2
    else:
        between = estimate_tau2(x, arms, tau2)[0] if model == "random_effects" else 0.0
    common = kernel.fit_arms(x, study, value, variance)
    fit = kernel.fit_arms(x, study, value, variance, between)
    if fit.rank == 0:
        raise NotEstimableError(
            "in every study all arms have the same components: no component can be judged"
        )
    whole = membership(arms, arms.techniques)
    wide = kernel.fit_arms(whole, study, value, variance)
    factor, df = 1.0, math.inf
    if inference and posterior is None:
        if fit.df < FEWEST_DF:
            raise NotEstimableError(
                f"{fit.df} residual degrees of freedom are too few for the spread between studies; "
                "inference half_normal has an answer"
            )
        factor, df = max(1.0, fit.q / fit.df), float(fit.df)
    parts = len(connected_parts(arms))
    additivity = chi_square(common.q - wide.q, wide.rank - common.rank)
    if posterior is not None and scale is not None and additivity is not None:
        additivity = _additivity(x, whole, arms, scale, int(additivity.df))
    rule = Coefficients(
        values=fit.coefficients,
        covariance=factor * fit.covariance,
        df=df,
        posterior=posterior,
        level=level,
    )
    effects = _effects(columns, fit, rule)
    return ComponentModel(
        arms=arms,
        columns=columns,
        inactive=tuple(inactive),
        effects=effects,
        coefficients=fit.coefficients,
        covariance=factor * fit.covariance,
        null_space=fit.null_space,
        tau2=between,
        tau2_estimator=("half_normal" if posterior else tau2) if model == "random_effects" else "",
        q=chi_square(common.q, common.df),
        additivity=additivity,
        parts=parts,
        level=level,
        notes=_notes(effects, parts),
        inference=inference,
        rule=rule,
    )


def _additivity(x: FloatArray, whole: FloatArray, arms: NetworkArms, scale: float, df: int) -> TestStatistic:
    """Test additivity at each tau and average over its posterior in the full network."""
    full = posterior_of(whole, arms, scale)
    narrow = kernel.fit_arms_given_tau(x, arms.study_index, arms.value, arms.variance, full.given.tau)
    apart = np.maximum(narrow.q - full.given.q, 0.0)
    return TestStatistic(float(full.average(apart)), df, float(full.average(special.chdtrc(df, apart))))


def _effects(columns: Sequence[str], fit: kernel.ArmFit, rule: Coefficients) -> tuple[ComponentEffect, ...]:
    loading = (
        np.abs(fit.null_space) > NULL_TOLERANCE
        if fit.null_space.size
        else np.zeros((len(columns), 0), dtype=bool)
    )
    projector = np.abs(fit.null_space @ fit.null_space.T) > NULL_TOLERANCE
    effects = []
    for place, column in enumerate(columns):
        if loading[place].any():
            tied = tuple(other for n, other in enumerate(columns) if n != place and projector[place, n])
            effects.append(
                ComponentEffect(
                    component=column,
                    estimate=None,
                    standard_error=None,
                    interval=None,
                    p_value=None,
                    tied_with=tied,
                )
            )
            continue
        estimate, error, interval, p_value = rule.tell(np.eye(len(columns))[place])
        effects.append(
            ComponentEffect(
                component=column,
                estimate=estimate,
                standard_error=error,
                interval=interval,
                p_value=p_value,
            )
        )
    return tuple(effects)


def _notes(effects: Sequence[ComponentEffect], parts: int) -> tuple[str, ...]:
    notes = []
    for effect in effects:
        if effect.estimate is not None:
            continue
        if effect.tied_with:
            notes.append(f"{effect.component} cannot be told apart from {', '.join(effect.tied_with)}.")
        else:
            notes.append(f"{effect.component} is in all arms of its studies or in none: its effect cancels.")
    if parts > 1:
        notes.append(
            f"The studies form {parts} unconnected networks: whatever compares them rests on additivity "
            "alone, which cannot be tested across them."
        )
    return tuple(notes)


def _rename(arms: NetworkArms, names: dict[str, str]) -> NetworkArms:
    from dataclasses import replace

    return replace(arms, technique=tuple(names[name] for name in arms.technique))
