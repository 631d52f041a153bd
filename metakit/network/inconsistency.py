"""Do direct and indirect evidence agree? The whole network at once, and comparison by comparison.

Sources: Higgins 2012 and White 2012 (design-by-treatment interaction), Krahn 2013 (Q within and between
designs), Dias 2010 (node-splitting; here the symmetric form, in which a study with both techniques counts
half on each side).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from metakit.core.effects import FloatArray
from metakit.core.results import Limits, TestStatistic
from metakit.network.arms import NetworkArms
from metakit.network.model import NetworkPart, estimate_tau2, membership
from metakit.numerics import arm_regression as kernel


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Direct against indirect evidence on one comparison; `difference` is direct minus indirect."""

    technique: str
    comparator: str
    direct: float
    direct_error: float
    indirect: float
    indirect_error: float
    difference: float
    difference_error: float
    interval: Limits
    p_value: float
    tau2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Inconsistency:
    """Q of the network taken apart, and the test of design-by-treatment interaction.

    `within_designs` and `between_designs` use common-effect weights and add up to the whole Q; the
    interaction test uses tau2 estimated within designs, as it should when effects differ between studies.
    None where the network has no such degrees of freedom.
    """

    within_designs: TestStatistic | None
    between_designs: TestStatistic | None
    design_by_treatment: TestStatistic | None
    tau2_within_designs: float
    splits: tuple[Split, ...]
    notes: tuple[str, ...] = ()


def design_of(arms: NetworkArms) -> tuple[str, ...]:
    """Return each arm's design: the techniques that its study compares, joined in alphabetical order."""
    members: dict[str, set[str]] = {}
    for study, technique in zip(arms.study, arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    return tuple(" / ".join(sorted(members[study])) for study in arms.study)


def interaction_columns(arms: NetworkArms) -> FloatArray:
    """Return columns of technique within design, shape (n, columns): each design gets effects of its own."""
    designs = design_of(arms)
    names = sorted(set(zip(designs, arms.technique, strict=True)))
    position = {name: number for number, name in enumerate(names)}
    x = np.zeros((len(designs), len(names)))
    x[np.arange(len(designs)), [position[pair] for pair in zip(designs, arms.technique, strict=True)]] = 1.0
    return x


def inconsistency(part: NetworkPart) -> Inconsistency:
    """Test one connected part for disagreement between sources of evidence."""
    arms = part.arms
    full, wide = membership(arms, part.techniques), interaction_columns(arms)
    study, value, variance = arms.study_index, arms.value, arms.variance
    common = kernel.fit_arms(full, study, value, variance)
    designs = kernel.fit_arms(wide, study, value, variance)
    spare = designs.rank - common.rank
    tau2 = 0.0
    interaction = None
    if part.model == "random_effects":
        tau2, _ = estimate_tau2(wide, arms, part.tau2_estimator)
    if spare > 0:
        # Difference in weighted residual sums at one tau2 = the Wald statistic of the interaction columns.
        q = (
            kernel.fit_arms(full, study, value, variance, tau2).q
            - kernel.fit_arms(wide, study, value, variance, tau2).q
        )
        interaction = _chi_square(q, spare)
    splits, notes = node_splits(part)
    return Inconsistency(
        within_designs=_chi_square(designs.q, designs.df),
        between_designs=_chi_square(common.q - designs.q, spare),
        design_by_treatment=interaction,
        tau2_within_designs=tau2,
        splits=splits,
        notes=notes,
    )


def node_splits(part: NetworkPart) -> tuple[tuple[Split, ...], tuple[str, ...]]:
    """Split every comparison that has direct and indirect evidence; say which cannot be split."""
    arms = part.arms
    x = membership(arms, part.techniques)
    splits, unsplit = [], []
    for one, two in direct_pairs(arms):
        column = _side_column(arms, one, two)
        wide = np.column_stack((x, column))
        fit = kernel.fit_arms(wide, arms.study_index, arms.value, arms.variance)
        if fit.rank <= len(part.techniques) - 1:
            unsplit.append(f"{one} against {two}")
            continue
        tau2 = estimate_tau2(wide, arms, part.tau2_estimator)[0] if part.model == "random_effects" else 0.0
        splits.append(_split(part, wide, one, two, tau2))
    if not unsplit:
        return tuple(splits), ()
    return tuple(splits), ("No indirect evidence, so nothing to split: " + "; ".join(unsplit) + ".",)


def _split(part: NetworkPart, wide: FloatArray, one: str, two: str, tau2: float) -> Split:
    arms = part.arms
    fit = kernel.fit_arms(wide, arms.study_index, arms.value, arms.variance, tau2)
    i, j, last = part.techniques.index(one), part.techniques.index(two), wide.shape[1] - 1
    indirect_row, difference_row = np.zeros(wide.shape[1]), np.zeros(wide.shape[1])
    indirect_row[i], indirect_row[j], difference_row[last] = 1.0, -1.0, 1.0
    direct_row = indirect_row + difference_row
    estimate, error = {}, {}
    for name, row in (("direct", direct_row), ("indirect", indirect_row), ("difference", difference_row)):
        estimate[name] = float(row @ fit.coefficients)
        error[name] = math.sqrt(float(row @ fit.covariance @ row))
    half = float(special.ndtri(0.5 + part.level / 2)) * error["difference"]
    z = abs(estimate["difference"]) / error["difference"]
    return Split(
        technique=one,
        comparator=two,
        direct=estimate["direct"],
        direct_error=error["direct"],
        indirect=estimate["indirect"],
        indirect_error=error["indirect"],
        difference=estimate["difference"],
        difference_error=error["difference"],
        interval=Limits(estimate["difference"] - half, estimate["difference"] + half),
        p_value=2 * float(special.ndtr(-z)),
        tau2=tau2,
    )


def direct_pairs(arms: NetworkArms) -> tuple[tuple[str, str], ...]:
    """Return the pairs of techniques that at least one study compares, in alphabetical order."""
    members: dict[str, set[str]] = {}
    for study, technique in zip(arms.study, arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    pairs = {(one, two) for names in members.values() for one in names for two in names if one < two}
    return tuple(sorted(pairs))


def _side_column(arms: NetworkArms, one: str, two: str) -> FloatArray:
    """Half for arms of `one`, minus half for arms of `two`, in studies that hold both; zero elsewhere."""
    members: dict[str, set[str]] = {}
    for study, technique in zip(arms.study, arms.technique, strict=True):
        members.setdefault(study, set()).add(technique)
    sides = {one: 0.5, two: -0.5}
    return np.array(
        [
            sides.get(technique, 0.0) if {one, two} <= members[study] else 0.0
            for study, technique in zip(arms.study, arms.technique, strict=True)
        ]
    )


def _chi_square(value: float, df: int) -> TestStatistic | None:
    if df <= 0:
        return None
    return TestStatistic(max(value, 0.0), df, float(special.chdtrc(df, max(value, 0.0))))
